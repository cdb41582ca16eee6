"""The contents of the report, section by section, from the document of result.json alone.

The decision first, then what to enter and the pictures; tables are folded, or last on paper.
"""

from collections.abc import Sequence

from calib.document.record import ResultRecord
from calib.report.blocks import (
    COLUMN,
    Items,
    Name,
    Picture,
    Section,
    Table,
    Text,
    fixed,
    mm,
    words,
)
from calib.report.figures import statistics
from calib.report.pages.decision import cautions, decision, sign_off
from calib.report.pages.misses import check_shots, misfits, plots
from calib.report.pages.set_ups import set_ups
from calib.report.pages.values import NamedPosture, edge_now, entering, taped
from calib.report.words.glossary import words as explained_words


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


def provenance(document: ResultRecord) -> Section:
    """The last section of the report."""
    check, files = document.check, document.run.files
    versions = ", ".join(f"{name} {version}" for name, version in
                         {"calib": document.calib, **document.computed_with}.items())
    tolerance = () if check is None else (" Tolerance of check shots: ", mm(check.tolerance, 0),
                                          " mm.")
    read = (Table("Files of the run as they were read", ("file", "SHA-256"),
                  [[name, digest] for name, digest in files.items()], wide=(1,), folded=True),
            ) if files else ()
    notices = tuple(("notice", words(str(n))) for n in document.run.notices)
    return Section("provenance", "Provenance", (
        Text(words(f"Command: calib solve, with --set-aside {document.set_aside.choice}.",
                   *tolerance)),
        Text(words(f"Computed with {versions}; "
                   f"{'converged' if document.converged else 'not converged'} after ",
                   fixed(document.iterations, 0), " iterations.")),
        Text(words(f"Rig: {document.rig.title} ({document.rig.name}).")), *read,
        *((Items(notices),) if notices else ()), *_stated_sds(document), _stands(document)))


def _stated_sds(document):
    definition = document.rig.definition
    if shots := (definition.get("shots") or {}).get("sd"):
        yield Table("Stated sds of shots (mm)", ("axis", "sd"),
                    [[axis, mm(sd)] for axis, sd in shots.items()], folded=True)
    if readings := definition.get("readings", {}).get("sd"):
        yield Table("Stated sds of readings (deg)", ("reading", "sd"),
                    [[Name(name), fixed(sd, 3)] for name, sd in readings.items()], folded=True)


def _stands(document):
    rows = [[s.name, *(fixed(at, 3) for at in (s.east, s.north, s.up)),
             *(mm(sd) for sd in (s.sd.east, s.sd.north, s.sd.up)),
             fixed(s.heading, 3), fixed(s.sd.heading, 3)] for s in document.stands]
    sensors = document.rig.definition.get("sensors", {}).values()
    swung = any(sensor.get("kind") == "slew" for sensor in sensors)
    where, when = ("swing axis", " at slew 0") if swung else ("boom foot", "")
    return Table(f"Stands: the {where} (m, sds in mm) and the heading{when} (deg)",
                 ("stand", "east", "north", "up", "sd east", "sd north", "sd up", "heading",
                  "sd heading"), rows, folded=True)


def glossary() -> Section:
    """What the words mean."""
    return Section("words", "Words", (
        Table("As this report uses them; calib help WORD says more", ("word", "means"),
              [[w.name, w.means] for w in explained_words() if w.report], wide=(1,), folded=True),
    ))
