"""What to enter, as a part of a page; or the yard's own list: names, order, signs, rounding."""

from collections.abc import Callable

from calib.chain.rig import Rig
from calib.document.record import Decision, ResultRecord
from calib.entries.determined import Determined
from calib.entries.listed import EntryList
from calib.report.blocks import Cell, Items, Name, Number, Section, Table, Text, mm, words
from calib.report.figures.views import shown_names
from calib.report.pages.sheet_units import ANGLES, LENGTHS
from calib.report.words.entries import determined_says, entry_means
from calib.report.words.requirement import held
from calib.solved_machine import rig_and_parameters

#: ``write(value, sd, unit) -> (value, sd, label)``; of a value in m or deg.
Write = Callable[[float, float | None, str], tuple[Cell, Cell, str]]

#: What a status other than estimated means for who enters the value.
STATUS = {"held": "not solved: held", "tape only": "from the tape alone"}


def writer(lengths: str = "mm", angles: str = "deg", length_decimals: int | None = None,
           angle_decimals: int | None = None) -> Write:
    """How values to enter are written: rounded to what is worth typing, the sd one digit finer."""
    notations = {"m": (LENGTHS[lengths], length_decimals), "deg": (ANGLES[angles], angle_decimals)}

    def write(value, sd, unit):
        notation, wanted = notations[unit]
        decimals = notation.decimals if wanted is None else wanted
        factor = 1 / notation.size
        spread = Number(sd, f"{sd * factor:.{decimals + 1}f}", factor) if sd else None
        return Number(value, notation.write(value, decimals), factor), spread, notation.label

    return write


def to_enter(document: ResultRecord, write: Write) -> Section:
    """The list of what to enter, the same on report and sheet; the yard's own if there is one.

    Everything that moves the edge and every sensor's zero, solved or held.
    """
    heading = {Decision.ENTER: "What to enter",
               Decision.NOT_YET: "As solved, not to be entered yet",
               Decision.DO_NOT: "As solved, not to be entered"}[document.decision]
    return Section("enter", heading, (_values(document, write),) if document.entries is None
                   else tuple(_fields(document.entries)))


def _values(document, write):
    zeros = {sensor.zero for sensor in rig_and_parameters(document)[0].chain.sensors}
    wanted = zeros.union(shown_names(document))
    listed = [p for p in document.parameters if p.name in wanted]
    rows: list[list[Cell]] = []
    for p in listed:
        value, sd, label = write(p.value, p.sd, p.unit)
        old = None if p.tape is None else write(p.tape, None, p.unit)[0]
        status = f" ({STATUS[p.status]})" if p.status in STATUS else ""
        rows.append([Name(p.name, p.means + status), old, value, sd, label])
    return Table(
        "Old is the tape, new is solved, rounded for typing; sd is one standard deviation",
        ("quantity, and what positive means", "old", "new", "sd", "unit"), rows,
        [p.status == "tape only" for p in listed], wide=(0,))


def _fields(entered):
    rows: list[list[Cell]] = []
    for row in entered.rows:
        decimals = len(row.typed.partition(".")[2])
        old = None if row.old is None else Number(row.old, f"{row.old:.{decimals}f}")
        rows.append([Name(row.name, row.means), old, Number(row.value, row.typed),
                     Number(row.sd, f"{row.sd:#.2g}".rstrip(".")), row.unit, mm(row.rounding)])
    yield Table(f"{entered.title or 'entries.toml'}: in its own order, names, signs and units; old "
                "is what the tape says, sd one standard deviation, rounding what half a step costs "
                "at the edge at most",
                ("field, and what it is", "old", "new", "sd", "unit", "rounding mm"), rows,
                wide=(0,))
    yield Text(words("No machine has these values as they are rounded.")
               if entered.rounding is None else
               words("Rounding alone, as typed here, moves the edge by ", mm(entered.rounding),
                     " mm at worst over the envelope."))
    yield from _beside_the_list(entered)
    for says in entered.says:
        yield Text(words(says), "note")


def _beside_the_list(entered):
    """What the system holds of its own, and what the list leaves out, as solved."""
    if entered.own:
        yield Table("What the system is said to hold of its own ([known] of the list), and by how "
                    "much that alone moves the edge at worst",
                    ("quantity", "held", "solved", "edge mm"),
                    [[Name(own.name), held(own), held(own, True), mm(own.moves)]
                     for own in entered.own], wide=(0,))
    if not entered.left_out:
        return
    rows: list[list[Cell]] = [
        [Name(row.name, row.means), *(None if v is None else _shown(v, row.unit)
                                      for v in (row.old, row.solved)),
         "deg" if row.unit == "deg" else "mm"] for row in entered.left_out]
    yield Table("Left out of the list, and moving the edge: enter these in the system too (a field "
                "more in entries.toml), or state in its [known] what the system holds in their "
                "place; old is what the tape says",
                ("quantity", "old", "solved", "unit"), rows, wide=(0,))


def _shown(value, unit):
    return Number(value, f"{value:.3f}") if unit == "deg" else mm(value, 1)


def determined_sections(rig: Rig, entries: EntryList, found: Determined) -> list[Section]:
    """A list of entries, and what it determines of a rig."""
    rows: list[list[Cell]] = [
        [e.name, e.unit, Number(e.step, f"{e.step:g}"), mm(moves, 2), entry_means(e, rig)]
        for e, moves in zip(entries.entries, found.rounding, strict=True)]
    said = determined_says(found, rig)
    return [Section("entries", entries.title, (
        Table(entries.title or "Entries", ("entry", "unit", "step", "rounding mm", "is"), rows,
              wide=(0, 4)),
        Items(tuple(("", words(line)) for line in said)),
    ))]
