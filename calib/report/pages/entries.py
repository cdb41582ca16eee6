"""What to type, as a part of a page: the yard's own names, order, signs, units and rounding."""

from calib.chain.rig import Rig
from calib.document.record import ResultRecord
from calib.entries.determined import Determined
from calib.entries.listed import EntryList
from calib.report.blocks import Cell, Items, Name, Number, Section, Table, Text, mm, words
from calib.report.words.entries import determined_says, entry_means


def entries_section(document: ResultRecord) -> Section | None:
    """The list of entries of a result; None if it has none."""
    entered = document.entries
    if entered is None:
        return None
    rows: list[list[Cell]] = []
    for row in entered.rows:
        decimals = len(row.typed.partition(".")[2])
        old = None if row.old is None else Number(row.old, f"{row.old:.{decimals}f}")
        rows.append([Name(row.name, row.means), old, Number(row.value, row.typed),
                     Number(row.sd, f"{row.sd:#.2g}".rstrip(".")), row.unit, mm(row.rounding)])
    costs = words("Typed as rounded here, the edge is off by ", mm(entered.rounding),
                  " mm at worst over the envelope.")
    title = entered.title or "entries.toml"
    heading = "What to type" if document.verdict.passed else "The fields as solved, not to be typed"
    return Section("entries", heading, (
        Table(f"{title}: in its own order, names, signs and units; old is what the tape says, sd "
              "one standard deviation, rounding what half a step costs at the edge at most",
              ("field, and what it is", "old", "new", "sd", "unit", "rounding mm"), rows,
              wide=(0,)),
        Text(costs if entered.rounding is not None else
             words("No machine has these values as they are rounded."), "plain"),
        *(Text(words(says), "note") for says in entered.says),
    ))


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
