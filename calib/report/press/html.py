"""Reports as one HTML page: no network, no browser library, figures as inline SVG."""

import json
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, StrictUndefined
from jinja2 import FunctionLoader as Loader
from markupsafe import Markup, escape

from calib.report.blocks import Items, Link, Name, Number, Picture, Section, Signature, Table, Text
from calib.report.figures.style import drawings, for_screen
from calib.report.press.lines import lines


def page(template: str, document: Any, title: str, subtitle: str,
         sections: Sequence[Section], contents: bool = True, cls: str = "",
         warning: str = "", foot: str = "", pictures: Mapping[str, str] | None = None,
         points: Mapping[str, Mapping] | None = None, job: Sequence[tuple[str, str]] = (),
         **more: Any) -> str:
    """Fill a template of this package; with a table of contents, or without; with `more` values.

    A `warning` stands in a box above everything, a `foot` on every sheet of paper. `pictures` are
    the drawings of the sections where they are made already. `points` is what the page's script
    says of what the points of the drawings refer to, `job` label and text of what stands below the
    title.

    Everything from the document is escaped: ids come from files and may hold markup.
    """
    images = drawings(document, sections) if pictures is None else pictures

    def drawn(picture: Picture) -> Markup:
        image = for_screen(images[picture.name])
        label = escape(f"{picture.title}. {picture.alternative}")
        return Markup(image.replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1))

    return _environment().get_template(template).render(
        title=title, subtitle=subtitle, sections=sections, drawn=drawn,
        css=Markup(_text("page.css")), contents=contents, cls=cls,
        script=Markup(_text("sort.js") + (_text("points.js") if points else "")),
        points=Markup(_data(points)) if points else "",
        warning=warning, foot=foot, job=job, **more,
    )


@cache
def _environment():
    environment = Environment(
        loader=Loader(_text), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
    )
    environment.filters["lines"] = lines
    environment.tests |= {
        "number_part": lambda x: isinstance(x, Number),
        "name_part": lambda x: isinstance(x, Name),
        "link_part": lambda x: isinstance(x, Link),
        "text_block": lambda x: isinstance(x, Text),
        "items_block": lambda x: isinstance(x, Items),
        "signature_block": lambda x: isinstance(x, Signature),
        "table_block": lambda x: isinstance(x, Table),
    }
    return environment


def _data(points) -> str:
    """JSON that no parser of pages takes for markup."""
    return json.dumps(points, ensure_ascii=False).replace("<", "\\u003c").replace("&", "\\u0026")


def _text(name: str) -> str:
    return (resources.files("calib.report") / "templates" / name).read_text("utf-8")
