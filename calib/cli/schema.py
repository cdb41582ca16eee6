"""``calib schema``: what result.json and the other documents hold, as JSON schemas."""

from typing import Annotated, Literal

import typer

from calib.cli import talk


def schema(
    document: Annotated[
        Literal["result", "plan", "next"],
        typer.Argument(help="result.json, plan.json, or what calib next --json prints.")
    ] = "result",
) -> None:
    """Print the JSON schema of result.json or another: every key, its type, unit and meaning."""
    talk.follow("--help")
    talk.result(talk.json_text({"$schema": "https://json-schema.org/draft/2020-12/schema",
                                **_record(document).model_json_schema()}))


def _record(document):
    """The model of a document."""
    if document == "plan":
        from calib.document.planned import PlanRecord

        return PlanRecord
    if document == "next":
        from calib.document.further import NextRecord

        return NextRecord
    from calib.document.record import ResultRecord

    return ResultRecord
