"""Every word that stands out on a page is explained by calib help, or is plain English."""

import html
import re
from pathlib import Path

import pytest

from calib.report.pages.comparison import Side, comparison, comparison_sections
from calib.report.pages.report import report_page
from calib.report.pages.sheet import sheet_files
from calib.report.press.html import page
from calib.report.words.glossary import explained, nearest_words
from calib.results import Result
from tests.report.conftest import record

#: What everybody knows; nothing of the trade, of statistics or of this tool.
PLAIN = frozenset("""
adds after against all an and anyone are arrows as at band bar bars be before behind belong below
between beyond blank booked by can circle compensate costs cutting dashed deviation did do dotted
drawn each entered every far fifths find for found from fully give goes good granted
half hand has help how in included invented it its larger largest least leaving less line list long
many mean measured middle more most must near next no not note now of off one order
others out outside over own part perhaps plots point points print read remarks rounded says
scatters small solid square standard stated strong system takes tell tenths the their them these
they this times to too trusted trusting twice two typing use uses way were what which whole will
with within working would yes
""".split())

#: Of the tool: its name, and of files.
_OURS = {"calib", "csv"}

_HEADING = re.compile(r"<(h1|h2|caption|th|summary|figcaption|label|b)\b[^>]*>(.*?)</\1>", re.S)
_IN_FIGURE = re.compile(r"<text[^>]*>(.*?)</text>", re.S)


def standing_out(text):
    """Headings, heads of tables, marks, and all writing of the figures."""
    parts = [inner for _, inner in _HEADING.findall(text)] + _IN_FIGURE.findall(text)
    for part in parts:
        yield " ".join(html.unescape(re.sub(r"<[^>]+>", " ", part)).split())


@pytest.fixture(scope="module")
def pages(document, document_aside):
    """The pages of a result with suspects, and a comparison."""
    one, other = record(document), record(document_aside)
    told = comparison(*(Side(name, survey=Result(of, Path(name), "").survey)
                        for name, of in (("one", one), ("other", other))))
    return [report_page(one), sheet_files(one)["sheet.html"].decode(),
            page("report.html.j2", told, "Comparison", "", comparison_sections(told))]


def test_every_word_that_stands_out(pages, document):
    """As a phrase, or word by word; ids of the run are no words."""
    ids = {s["shot"] for s in document["shots"]} | {s["shot"] for s in document["check"]["shots"]}
    unknown = set()
    for phrase in {phrase for text in pages for phrase in standing_out(text)}:
        if explained(phrase) or any(i[:12] in phrase for i in ids):
            continue
        unknown |= {word for word in re.findall(r"[A-Za-z][A-Za-z-]{2,}", phrase)
                    if word.casefold() not in PLAIN | _OURS and not explained(word)}
    assert not unknown


def test_nothing_plain_is_explained_too():
    """The list of plain words holds no word that has an explanation of its own."""
    assert not {word for word in PLAIN if (told := explained(word)) and told.name == word}


@pytest.mark.parametrize(("asked", "near"), [
    ("redundansy", "redundancy"), ("taped edge error", "edge"), ("couppler", "coupler"),
    ("quick hitch", "coupler"), ("pole height", "mistake")])
def test_what_is_near(asked, near):
    """Written alike, part of it, or spoken of."""
    assert explained(asked) is None and near in nearest_words(asked)


@pytest.mark.parametrize("asked", [
    "coupler", "boom_zero", "rotate zero", "edge_left", "pin_to_edge", "house_pitch", "outlier",
    "accuracy", "Tiltrotator", "sags"])
def test_names_of_the_machine_and_synonyms(asked):
    """Parameters, readings, targets and derived quantities of the shipped rigs; usual words."""
    assert explained(asked)
