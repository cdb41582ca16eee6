"""``calib schema``: what result.json holds, as a JSON schema."""

from calib.cli import talk


def schema() -> None:
    """Print the JSON schema of result.json: every key, its type, unit and meaning."""
    from calib.document.record import ResultRecord

    talk.follow("help")
    talk.result_json({"$schema": "https://json-schema.org/draft/2020-12/schema",
                      **ResultRecord.model_json_schema()})
