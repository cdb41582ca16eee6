"""``calib schema``: what result.json and the other documents hold, as JSON schemas."""

from calib.console import talk
from calib.document.fields import Record
from calib.document.further import NextRecord
from calib.document.planned import PlanRecord
from calib.document.record import ResultRecord

_RECORDS: dict[str, type[Record]] = {"result": ResultRecord, "plan": PlanRecord, "next": NextRecord}


def schema(document: str) -> None:
    """Print the schema of a document."""
    talk.follow("--help")
    talk.result(talk.json_text({"$schema": "https://json-schema.org/draft/2020-12/schema",
                                **_RECORDS[document].model_json_schema()}))
