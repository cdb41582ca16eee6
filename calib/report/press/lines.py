"""Where a line of text may break: not within a number and its unit, an id or a date."""

import re

from markupsafe import Markup

#: Blanks between a number, perhaps a part of its own before, and its unit; behind a plus-minus.
_HELD = re.compile(r"(?:(?<=\d)|^) (?=(?:mm|cm|m|deg|gon|ft|in|sds?|s|kB|MB|minutes)\b|%)|(?<=±) ")

#: Words of more characters may break after a hyphen or an underscore.
_LONG = 22

#: Words with such a place.
_PARTED = re.compile(rf"\S*\w-\w\S*|\S{{{_LONG},}}")


def held(text: str) -> str:
    """A text whose numbers keep their units beside them."""
    return _HELD.sub("\N{NO-BREAK SPACE}", text)


def lines(text: str) -> Markup:
    """A text as markup: a short word with hyphens stays whole, a long one parts at underscores."""
    text, made, end = held(text), Markup(), 0
    for word in _PARTED.finditer(text):
        made += text[end:word.start()]
        made += (Markup("_<wbr>").join(word[0].split("_")) if len(word[0]) > _LONG
                 else Markup('<span class="one">{}</span>').format(word[0]))
        end = word.end()
    return made + text[end:]
