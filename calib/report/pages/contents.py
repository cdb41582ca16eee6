"""The contents of the report, section by section, from the document of result.json alone.

The decision first, then what to enter and the pictures; tables are folded, or last on paper.
"""

from collections.abc import Sequence

from calib.document.record import ResultRecord
from calib.report.blocks import COLUMN, Items, Name, Picture, Section, Table, Text, fixed, words
from calib.report.figures import statistics
from calib.report.pages.decision import cautions, decision, sign_off
from calib.report.pages.glossary import glossary
from calib.report.pages.misses import check_shots, misfits, plots
from calib.report.pages.provenance import provenance
from calib.report.pages.set_ups import set_ups
from calib.report.pages.values import NamedPosture, edge_now, entering, taped


def contents(document: ResultRecord, named: Sequence[NamedPosture] = ()) -> list[Section]:
    """All sections of the report, in order; `named` are postures that were asked for."""
    sections = [decision(document), entering(document)]
    if document.taped is not None:
        sections.append(taped(document, document.taped))
    return [*sections, check_shots(document), plots(document), misfits(document),
            *set_ups(document), edge_now(document, named), identifiability(document), cautions(),
            sign_off(document), provenance(document), glossary()]


def identifiability(document: ResultRecord) -> Section:
    """What the shots can tell and what they cannot."""
    weak = tuple(("weak", words(w.says)) for w in document.weak)
    said = Items(weak) if weak else Text(words(
        "The shots determine every free quantity by themselves."))
    condition = document.fit.condition
    parts = () if condition is None else (Text(words(
        "Condition number of the scaled design without the tape: ", fixed(condition, 0),
        " (1 is ideal; thousands mean that some quantities can hardly be told apart).")),)
    rows = [[Name(c.first), Name(c.second), fixed(c.correlation, 2, 1.0, True)]
            for c in document.correlations]
    pairs = Table("Strong correlations between quantities", ("first", "second", "correlation"),
                  rows, folded=True) if rows else Text(words(
                      "No two quantities are strongly correlated."))
    related, _, _ = statistics.correlated(document)
    matrix = () if not related else (Picture(
        "correlation", "Correlation of the quantities",
        "Lower half of the matrix of the correlations of the estimated quantities that go along "
        "with another; strong ones are written in tenths, the number of each quantity stands on "
        "the diagonal.", statistics.correlation, (COLUMN, 0.5 + 0.19 * len(related))),)
    return Section("identifiability", "What the shots can tell", (
        said, *parts, *matrix,
        Picture("influence", "Influence of the shots on the edge",
                "Bars: how far the least detectable error of a shot would move the edge in mm, "
                "the largest first.", statistics.influence, (COLUMN, 3.4)),
        pairs,
    ))
