"""tape.csv: taped parameters and derived quantities."""

import numpy as np

from calib.chain.rig import Rig
from calib.run.complaints import Findings, quote
from calib.run.records import Tape
from calib.run.rig_file import expected_range
from calib.run.table import (
    ID,
    MEASURED,
    SD,
    UNIT,
    Column,
    complain_of_repeats,
    nearest,
    read_table,
)
from calib.run.units import LIMITS, SI_UNITS, UNITS, to_si


def read_tape(text: str, file: str, rig: Rig | None, findings: Findings) -> Tape:
    """Read tape.csv; after a complaint what is sound, never as a result."""
    columns = [Column("quantity", ID), Column("value", MEASURED), Column("sd", SD),
               Column("unit", UNIT)]
    table = read_table(text, file, columns, findings)
    if table is None or len(table) == 0 or len(table.texts) + len(table.numbers) < len(columns):
        return Tape.none()
    complain_of_repeats(table, "quantity", findings,
                        "each quantity once (of several tapings: the mean, with its sd)")
    quantities, units = table.texts["quantity"], table.texts["unit"]
    value, sd = np.full((2, len(table)), np.nan)
    known = {} if rig is None else {**{p.name: p.unit for p in rig.parameters},
                                    **{d.name: d.unit for d in rig.derived}}
    ranges = {} if rig is None else {p.name: p for p in rig.parameters}
    for i, (quantity, unit) in enumerate(zip(quantities, units, strict=True)):
        line = int(table.lines[i])
        fits = rig is None or _fits(quantity, unit, known, file, line, findings)
        if unit and fits:
            value[i] = to_si(table.numbers["value"][i], unit.casefold())
            sd[i] = to_si(table.numbers["sd"][i], unit.casefold())
            limit, expected = LIMITS[SI_UNITS[unit.casefold()]]
            if abs(value[i]) > limit:
                findings.complain(file, line, "value", f"{table.numbers['value'][i]:g} {unit}",
                                  expected)
            elif sd[i] > limit / 2:
                findings.complain(file, line, "sd", f"{table.numbers['sd'][i]:g} {unit}",
                                  "a standard deviation of something known, at most "
                                  + ("180 deg" if unit.casefold() == "deg" else "500 m")
                                  + " (no row for what was not taped)")
            elif quantity in ranges and not ranges[quantity].allows(value[i]):
                findings.complain(file, line, "value", f"{table.numbers['value'][i]:g} {unit}",
                                  expected_range(ranges[quantity]))
    if rig is not None:
        _note_held(quantities, table.lines, rig, file, findings)
    return Tape(quantities, value, sd, units, tuple(table.lines.tolist()))


def with_known_places(tape: Tape, rig: Rig) -> Tape:
    """The tape, and what rig.toml itself says of where marks are, unless they were taped."""
    near = [p for p in rig.parameters if p.near and p.name not in (*rig.untold, *tape.quantities)]
    return tape.joined(Tape(
        tuple(p.name for p in near), np.array([p.start for p in near]),
        np.array([p.tape_sd for p in near], float), ("m",) * len(near), (0,) * len(near)))


def _fits(quantity, unit, known, file, line, findings):
    """Whether the quantity exists and can be had in this unit."""
    if not quantity:
        return False
    if quantity not in known:
        hint = nearest(quantity, known) or ": one of " + ", ".join(known)
        findings.complain(file, line, "quantity", quote(quantity),
                          "a parameter or derived quantity of the rig" + hint)
        return False
    if unit and SI_UNITS[unit.casefold()] != known[quantity]:
        allowed = [u for u in UNITS if SI_UNITS[u] == known[quantity]]
        what = "an angle" if known[quantity] == "deg" else "a length"
        findings.complain(file, line, "unit", quote(unit),
                          f"the unit of {what} for {quantity}: {', '.join(allowed)}")
        return False
    return True


def _note_held(quantities, lines, rig, file, findings):
    held = {p.name for p in rig.parameters if p.held and not p.until_shot}
    for quantity, line in zip(quantities, lines.tolist(), strict=True):
        if quantity in rig.untold - held:
            findings.note(file, f"{quantity}: no shot depends on it, so its taped value says "
                                "nothing here", line)
        elif quantity in held:
            findings.note(file, f"{quantity} is held: its taped value is taken as exact and its sd "
                                "is not used (to estimate it, name it under free in rig.toml)",
                          line)
