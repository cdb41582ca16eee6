"""What to type, as a part of a page: the yard's own names, order, signs, units and rounding."""

from calib.chain.rig import Rig
from calib.document.record import ResultRecord
from calib.entries.determined import Determined
from calib.entries.listed import EntryList
from calib.report.blocks import Cell, Items, Name, Number, Section, Table, Text, mm, words
from calib.report.words.entries import determined_says, entry_means
from calib.report.words.requirement import held
from calib.report.words.status import not_to_enter


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
    costs = words("Rounding alone, as typed here, moves the edge by ", mm(entered.rounding),
                  " mm at worst over the envelope.")
    title = entered.title or "entries.toml"
    heading = ("The fields as solved, not to be typed as they are" if not_to_enter(document)
               else "What to type")
    return Section("entries", heading, (
        Table(f"{title}: in its own order, names, signs and units; old is what the tape says, sd "
              "one standard deviation, rounding what half a step costs at the edge at most",
              ("field, and what it is", "old", "new", "sd", "unit", "rounding mm"), rows,
              wide=(0,)),
        Text(costs if entered.rounding is not None else
             words("No machine has these values as they are rounded."), "plain"),
        *_beside_the_list(entered),
        *(Text(words(says), "note") for says in entered.says),
    ))


def _beside_the_list(entered):
    """What the system holds of its own, and what the list leaves out, as solved."""
    for own in entered.own:
        yield Text(words(f"The system is said to hold {own.name} at {held(own)}; solved is "
                         f"{held(own, True)}. That alone moves the edge by ", mm(own.moves),
                         " mm at worst."), "plain")
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
