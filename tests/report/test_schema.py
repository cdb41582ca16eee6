"""The schema of result.json against a validator that is not ours, and against the contract."""

import copy
import json
import re
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from calib.cli.app import application
from calib.console.talk import json_text
from tests.report.conftest import record

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.fixture(scope="module")
def validator():
    """Of what ``calib schema`` prints; it must itself be a schema of draft 2020-12."""
    printed = CliRunner().invoke(application(), ["schema"]).stdout
    schema = json.loads(printed)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.mark.parametrize("which", ["", "_aside"])
def test_a_result_is_of_the_schema(validator, request, which):
    """The reference validator finds nothing to complain of, and reading changes nothing."""
    document = request.getfixturevalue(f"document{which}")
    assert list(validator.iter_errors(document)) == []
    assert json.loads(json_text(record(document))) == document
    assert list(record(document).table()) == list(document)


@pytest.mark.parametrize("change", [
    lambda d: d.pop("fit"), lambda d: d["shots"][0].pop("miss"),
    lambda d: d["parameters"][0].__setitem__("unit", "mm"),
    lambda d: d["parameters"][0].__setitem__("value", "5.7"),
    lambda d: d["parameters"][0].__setitem__("sd", -1.0),
    lambda d: d["taped"]["rows"][0].__setitem__("solved_sd", -1.0),
    lambda d: d["verdict"].__setitem__("passed", 1),
    lambda d: d["shots"][0]["miss"].__setitem__("east", []),
])
def test_what_is_no_result_is_not_of_the_schema(validator, document, change):
    """Keys that are missing, other units, text for a number, a negative sd."""
    changed = copy.deepcopy(document)
    change(changed)
    assert not validator.is_valid(changed)


def test_every_key_is_in_the_contract_and_the_other_way_round(validator):
    """The keys that DEVELOPERS.md promises are those of the schema, in their order."""
    text = " ".join(DEVELOPERS.read_text("utf-8").split())
    promised = re.search(r"what does not exist is null: `([^`]*)`", text)[1].split()
    assert promised == list(validator.schema["properties"])


@pytest.mark.parametrize("which", ["result", "plan", "next"])
def test_every_record_says_what_it_is(which):
    """Every table of a schema has a description; each is a schema of draft 2020-12."""
    schema = json.loads(CliRunner().invoke(application(), ["schema", which]).stdout)
    Draft202012Validator.check_schema(schema)
    assert [n for n, table in schema["$defs"].items() if not table.get("description")] == []


def test_every_key_of_a_result_says_what_it_means(validator):
    """By itself, or by the table that stands there."""
    tables = {"result": validator.schema, **validator.schema["$defs"]}
    assert [(table, name) for table, shape in tables.items()
            for name, key in shape.get("properties", {}).items()
            if "description" not in key and "#/$defs/" not in json.dumps(key)] == []
