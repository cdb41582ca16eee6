"""How commands that hold two things against each other end: in words, as JSON, as files."""

from collections.abc import Sequence
from pathlib import Path

from calib.console import talk
from calib.document.fields import Record
from calib.report.blocks import Section
from calib.report.press.html import page
from calib.report.press.terminal import plain
from calib.run.write import write_whole


def tell_found(name: str, document: Record, sections: list[Section], title: str,
               subtitle: str, out: Path | None, as_json: bool, contents: bool = False,
               foot: str = "", job: Sequence[tuple[str, str]] = ()) -> None:
    """Print what was found; where `out` is given also write NAME.html and NAME.json there."""
    if out is not None:
        html = page("report.html.j2", document, title, subtitle, sections, contents=contents,
                    foot=foot, job=job)
        write_whole(out, {f"{name}.html": html, f"{name}.json": talk.json_text(document)})
        talk.tell(f"Written to {out}")
    talk.answer(document, plain(sections), as_json)
