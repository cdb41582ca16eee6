"""The set-up sheet: one page of values to enter, in the reader's units, to be signed."""

from calib.document.record import ResultRecord
from calib.report.blocks import Items, Number, Picture, Section, Signature, Table, Text, words
from calib.report.figures import views
from calib.report.figures.drawings import drawings
from calib.report.pages.contents import answers
from calib.report.pages.entries import entries_section
from calib.report.pages.report import foot
from calib.report.pages.sheet_units import ANGLES, LENGTHS
from calib.report.press.html import page
from calib.report.press.pdf import report_pdf
from calib.report.words.cautions import CAUTIONS
from calib.report.words.job import job_line
from calib.report.words.status import left_out, not_to_enter


def sheet_files(document: ResultRecord, lengths: str = "mm", angles: str = "deg",
                length_decimals: int | None = None, angle_decimals: int | None = None
                ) -> dict[str, bytes]:
    """Name to content of the sheet as a page and as PDF.

    Parameters
    ----------
    document : dict
        Of result.json.
    lengths, angles : str
        A key of `calib.report.pages.sheet_units.LENGTHS` and `ANGLES`.
    length_decimals, angle_decimals : int, optional
    """
    write = _writer(lengths, angles, length_decimals, angle_decimals)
    sections = sheet_sections(document, write)
    title = "Job sheet: " + document.rig.title
    subtitle = " ".join(filter(None, (job_line(document), left_out(document))))
    warning, pictures = not_to_enter(document), drawings(document, sections)
    return {
        "sheet.html": page(
            "report.html.j2", document, title, subtitle, sections, pictures=pictures,
            contents=False, cls="sheet", warning=warning, foot=foot(document)).encode("utf-8"),
        "sheet.pdf": report_pdf(title, subtitle, sections, pictures, tight=True,
                                warning=warning, foot=foot(document)),
    }


def _writer(lengths, angles, length_decimals, angle_decimals):
    """``write(value, unit) -> (value text, unit label, sd function)``."""
    notations = {"m": (LENGTHS[lengths], length_decimals), "deg": (ANGLES[angles], angle_decimals)}

    def write(value, sd, unit):
        notation, wanted = notations[unit]
        decimals = notation.decimals if wanted is None else wanted
        factor = 1 / notation.size
        shown = Number(value, notation.write(value, decimals), factor)
        if not sd:
            return shown, None, notation.label
        spread = f"{sd * factor:.{max(decimals, 1)}f}"
        return shown, Number(sd, spread, factor), notation.label

    return write


def sheet_sections(document: ResultRecord, write) -> list[Section]:
    """Values, drawings, lengths to check by hand, cautions, signature."""
    to_enter = [p for p in document.parameters if p.name in views.shown_names(document)]
    rows = []
    for p in to_enter:
        value, sd, label = write(p.value, p.sd, p.unit)
        rows.append([p.name, value, sd, label, p.means + _note(p)])
    rig, _ = views.rig_and_parameters(document)
    of_marks = {name for names in rig.marks.values() for name in names}

    def lines(records):
        return [[q.name, *write(q.value, q.sd, q.unit), q.means] for q in records]

    checks = lines(d for d in document.derived if d.unit == "m")
    marks = lines([*(p for p in document.parameters
                     if p.name in of_marks and p.status != "held"),
                   *(d for d in document.derived if d.unit == "deg")])
    files = document.run.files
    source = ", ".join(f"{name} {digest[:12]}" for name, digest in files.items())
    sections = [
        Section("decision", "Decision", (answers(document),)),
        Section("values", "Values to enter", (
            Table("Positive as described and as drawn below; sd is one standard deviation",
                  ("quantity", "value", "sd", "unit", "positive means"), rows, wide=(4,)),
            Picture("signs", "Which way is positive (dashed: as solved; solid: value larger)",
                    "For every quantity a small drawing: dashed the rig as solved, solid the same "
                    "readings with that quantity larger, an arrow at the edge.",
                    views.signs_small, (7.1, 2.5)),
        )),
        Section("marks", "Marks and antennas, for what places the machine by them", (
            Table("Where they are in the frame of their member, and bearings at joints zero",
                  ("quantity", "value", "sd", "unit", "means"), marks, wide=(4,)),
        )),
        Section("by-hand", "Check by hand before trusting them", (
            Table("A tape on the machine must find these within twice the sd and its own error",
                  ("length", "value", "sd", "unit", "means"), checks, wide=(4,)),
        )),
        Section("before", "Before anyone goes to the machine", (
            Items(tuple(("", words(c)) for c in CAUTIONS)),
            Text(words(f"From {source}." if source else "From a run in memory."), "note"),
            Signature(("machine", "entered by", "date")),
        )),
    ]
    to_type = entries_section(document)
    if to_type is not None:
        sections.insert(1, to_type)
    empty = {name for name, rows in (("by-hand", checks), ("marks", marks)) if not rows}
    return [s for s in sections if s.name not in empty]


def _note(parameter):
    return {"held": " (not solved: held)", "tape only": " (from the tape alone)"}.get(
        parameter.status, "")
