"""A solved run with everything a report can meet: hostile ids, gross errors, check shots, times."""

import json
import tomllib
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from calib.document.record import ResultRecord
from calib.entries.listed import entry_list
from calib.judge.choice import solve_as_chosen
from calib.judge.judgement import judge
from calib.report.entered import with_entries
from calib.report.pages.report import report_files
from calib.report.record import result_document
from calib.simulate import simulate
from calib.solved_machine import rig_and_parameters
from tests.report.reading import Page

#: Ids that a file may hold: markup, mathematics, other alphabets, a very long one.
HOSTILE = ("<script>alert(1)</script>", "a&b\"c'd", "$x^2$", "Ж-7", "long_" * 12, "{{ 7 * 7 }}")


def document_of(run, set_aside="none") -> dict:
    """The document of result.json, as it is when read back."""
    chosen = solve_as_chosen(run, set_aside)
    return json.loads(json.dumps(result_document(chosen, judge(chosen.solution)).table()))


def record(document: dict) -> ResultRecord:
    """The document as every reader gets it."""
    return ResultRecord.model_validate(document)


def with_example(document: ResultRecord) -> ResultRecord:
    """The result with the shipped example of a yard's own list."""
    example = (resources.files("calib.entries") / "example.toml").read_text("utf-8")
    rig = rig_and_parameters(document)[0]
    return with_entries(document, entry_list(tomllib.loads(example), rig))


@pytest.fixture(scope="session")
def run(rig):
    """30 poses in two stands, two gross errors, three check poses, hostile shot ids."""
    run, _ = simulate(rig, np.random.default_rng(1), poses=30, stands=2, check_poses=3,
                      gross_errors=2)
    ids = HOSTILE + run.shots.ids[len(HOSTILE):]
    poses = replace(run.poses, time=tuple(f"2026-05-01T08:{i:02d}:00" for i in range(33)))
    return replace(run, shots=replace(run.shots, ids=ids), poses=poses,
                   files={"shots.csv": "ab" * 32, "rig.toml": "cd" * 32})


@pytest.fixture(scope="session")
def document(run):
    """With the suspects taking part."""
    return document_of(run)


@pytest.fixture(scope="session")
def document_aside(run):
    """With the suspects set aside."""
    return document_of(run, "suspects")


@pytest.fixture(scope="session")
def report(document):
    """Page and paper of the result with the suspects, drawn once."""
    return report_files(record(document))


@pytest.fixture(scope="session")
def html(report):
    """The page alone."""
    return report["report.html"].decode()


@pytest.fixture(scope="session")
def read(html):
    """The page taken apart."""
    return Page(html)


@pytest.fixture
def shown(browser, tmp_path):
    """Opens a page; what it complains of, or asks the network for, fails the test."""
    wrong = []

    def show(html, width=390, **options):
        (tmp_path / "page.html").write_text(html, "utf-8")
        page = browser.new_page(viewport={"width": width, "height": 860}, **options)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda m: wrong.append(m.text) if m.type == "error" else None)
        page.goto((tmp_path / "page.html").as_uri())
        page.on("request", lambda asked: wrong.append(asked.url))
        return page

    yield show
    for context in browser.contexts:
        context.close()
    assert wrong == []
