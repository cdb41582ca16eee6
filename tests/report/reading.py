"""Reading a page as a test does: its words, its numbers, its pictures."""

import io
import re
from html.parser import HTMLParser

from pypdf import PdfReader


class Page(HTMLParser):
    """A page taken apart.

    Attributes
    ----------
    numbers : list of (raw text, factor, shown text)
        Every data element; factor None for counts.
    words : str
        All text outside data elements, figures, styles and scripts.
    figures : dict of str to list of str
        The texts drawn in each figure, by the figure's id.
    labels : dict of str to str
        The alternative text of each figure.
    """

    def __init__(self, html: str):
        super().__init__(convert_charrefs=True)
        self.numbers, self.figures, self.labels, self.tags = [], {}, {}, []
        self._words, self._skip, self._figure, self._data, self._text = [], 0, None, None, None
        # What only says where a line may break is no word of its own.
        self.feed(re.sub(r'<wbr>|<span class="one">([^<]*)</span>', r"\1", html))
        self.words = " ".join(" ".join(self._words).split())

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        self.tags.append((tag, attributes))
        if tag in ("style", "script"):
            self._skip += 1
        if tag == "figure":
            self._figure = attributes["id"]
            self.figures[self._figure] = []
        if tag == "svg":
            self.labels[self._figure] = attributes.get("aria-label", "")
        if tag == "text":
            self._text = []
        if tag == "data":
            factor = attributes.get("data-factor")
            self._data = [attributes["value"], None if factor is None else float(factor), ""]

    def handle_endtag(self, tag):
        if tag in ("style", "script"):
            self._skip -= 1
        if tag == "figure":
            self._figure = None
        if tag == "text":
            self.figures[self._figure].append("".join(self._text).strip())
            self._text = None
        if tag == "data":
            self.numbers.append(tuple(self._data))
            self._data = None

    def handle_data(self, data):
        if self._text is not None:
            self._text.append(data)
        elif self._data is not None:
            self._data[2] += data
        elif not self._skip:
            self._words.append(data)


def paper(pdf: bytes) -> list[str]:
    """The words of every page of a PDF, in one line each."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages]


def leaves(value):
    """All numbers and all strings of a document, as two sets."""
    numbers, strings = set(), set()

    def walk(value):
        if isinstance(value, bool) or value is None:
            return
        if isinstance(value, dict):
            for key, item in value.items():
                strings.add(str(key))
                walk(item)
        elif isinstance(value, list):
            for item in value:
                walk(item)
        elif isinstance(value, str):
            strings.add(value)
        else:
            numbers.add(float(value))

    walk(value)
    return numbers, strings


def stray_numbers(words: str, strings) -> list[str]:
    """Numbers in running text that come from no string of the document."""
    for text in sorted(strings, key=len, reverse=True):
        if re.search(r"\d", text):
            words = words.replace(" ".join(text.split()), " ")
    return re.findall(r"\d[\d.,]*", words)
