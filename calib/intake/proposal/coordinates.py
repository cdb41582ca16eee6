"""What coordinates mean, proposed: their order, unit, frame, and whether the pole is off."""

import re

import numpy as np

from calib.chain.rig import Rig
from calib.intake.choices import Alternative, Choice, stated
from calib.intake.declaration import Declaration
from calib.intake.files.columns import KIND, SKIP
from calib.intake.files.dialect import content_lines, detect
from calib.intake.files.field_units import NAMES, plain, to_metres
from calib.intake.files.landxml import is_landxml
from calib.intake.proposal.field_rows import FieldRows, is_geographic
from calib.intake.proposal.looks import Look
from calib.intake.proposal.naming import columns_named, namings
from calib.run.complaints import Findings, quote
from calib.run.numerals import is_number
from calib.run.text import decode, split_cells

_OF_A_POLE = re.compile(
    r"\b(pole|rod|antenna|prism|reflector|antenne|antenn|antena|canne|prisme|prisma|jalon|baston|"
    r"palina|stok|lotstab|tahys)\b|antennen|prismen|reflektor|stabhoh|(hoogte|stang|sauva)\b")
"""In a heading that nobody knows: it may say how high the pole or prism was."""

_LOCAL = 100_000.0
"""Coordinates of a local system of a site are smaller, those of a map grid larger, m: common
practice, no source."""

_SAME_FOOT = 1e-4
"""Where the two feet differ by less over the whole site (m), either will do."""

_UNLIKE = 3.0
"""The edge of no machine is so many times as wide as in its rig: the unit is another."""

_LIKE_TAPED = 1.25
"""A width may be off its tape by this factor; the units are a factor of 3 apart."""


def order_choice(by_role: dict[str, list[Look]], declared: Declaration) -> list[Choice]:
    """What the columns are, where no header names them."""
    if declared.order is not None:
        return []
    for look in by_role["points"]:
        if is_landxml(look.data):
            continue
        if {"x", "y"} <= set(look.meant):
            return [_crossed(look)]
        if not look.meant:
            return _by_cells(look, declared)
    return []


def _crossed(look):
    """x and y: which of them is east differs from country to country."""
    found = []
    for x, y in (("east", "north"), ("north", "east")):
        means = {"x": x, "y": y, None: "-"}
        names = [means.get(name, name) for name in look.meant]
        found.append(_ordered(",".join(names), look.rows[0] if look.rows else (), names))
    return Choice(f"whether x is east in {look.path.name}", tuple(found), False,
                  "x is east in some countries and north in others")


def _ordered(order, row, names):
    at = {name: row[i] for i, name in enumerate(names) if i < len(row)}
    return Alternative(f"{order}: east {at.get('east', '?')}, north {at.get('north', '?')}, "
                       f"up {at.get('up', '?')} in the first row", {"order": order},
                       f"--order {order}")


def _by_cells(look, declared):
    """An id, three numbers, a word: the usual orders of lists without a header."""
    text, findings = decode(look.data, look.path.name, Findings()) or "", Findings()
    rows = content_lines(text)
    order = ("point", "north", "east", "up")
    dialect = declared.dialect() or detect(text, look.path.name, order, order[1:], findings)
    findings.stop_if_at_fault()
    assert dialect is not None  # what is not found is complained of
    cells = [split_cells(line, dialect.delimiter) or () for _, line in rows]
    row = next(c for c in cells if len(c) >= 4
               and all(is_number(n, dialect.decimal) for n in c[1:4]))
    wide = len(row) > 4
    found = []
    for letters, names in (("PNEZ", order), ("PENZ", ("point", "east", "north", "up"))):
        found.append(_ordered(letters + "D" * wide, row, names))
    return [Choice(f"what the columns of {look.path.name} are", tuple(found), False,
                   "there is no header; east and north exchanged give a mirrored machine")]


def coordinate_choices(
    rows: FieldRows, by_role: dict[str, list[Look]], rig: Rig, declared: Declaration,
    taped_width: float | None,
) -> list[Choice]:
    """Unit, frame and pole."""
    choices = []
    if declared.unit is None:
        choices.append(_unit(rows, rig, declared, taped_width))
    else:
        choices += _other_unit(rows, rig, declared, taped_width)
    if declared.frame is None:
        choices.append(_frame(rows, by_role, declared))
    if declared.frame == "grid" and declared.factor is None:
        choices.append(Choice("the combined scale factor of the grid", why="grid distance over "
                              "ground distance, such as 0.99962", typed="factor",
                              option="--factor"))
    if declared.pole is None:
        choices.append(_pole(by_role))
    return choices


def _unit(rows, rig, declared, taped_width):
    about = "the unit of lengths"
    feet = [_in_unit(unit) for unit in ("ft-int", "ft-us")]
    if len(rows.said) == 1 and rows.said[0] in NAMES:
        says = NAMES[rows.said[0]]
        return stated(about, f"the file says {rows.said[0]}", says,
                      f"--unit {rows.said[0]}", unit=rows.said[0])
    if rows.said == ("ft",):
        extent = float(np.ptp(rows.position, axis=0).max())
        return Choice(about, tuple(feet), extent * 2e-6 < _SAME_FOOT,
                      "the file says feet; international and US survey feet differ by "
                      f"{extent * 2e-3:.2f} mm over these points")
    units = ["m", "ft-int", "ft-us", "mm"]
    width, taped = _width(rows, rig, declared), taped_width
    if rows.said or width is None:
        return Choice(about, tuple(map(_in_unit, units)), False,
                      f"the file says {', '.join(rows.said)}" if rows.said
                      else "the file does not say")
    expected = _expected(rig, taped)
    units.sort(key=lambda unit: abs(np.log(to_metres(width, unit) / expected)))
    off = to_metres(width, units[0]) / expected
    sure = taped is not None and 1 / _LIKE_TAPED < off < _LIKE_TAPED
    sure = sure and not units[0].startswith("ft")
    return Choice(about, tuple(map(_in_unit, units)), sure,
                  f"the file does not say; left and right lie {width:.3f} apart, the edge is "
                  + (f"taped {taped:.3f} m" if taped else f"about {expected:.1f} m in the rig "
                     "(a taped edge_width in tape.csv would tell it)"))


def _expected(rig, taped):
    """The width as taped, in the rig, or a usual one (common practice, no source), m."""
    return taped or next((p.start for p in rig.parameters if p.name == "edge_width"), 1.5)


def _other_unit(rows, rig, declared, taped):
    """Doubt of a declared unit in which the edge is as wide as no machine's, if another fits."""
    width, expected = _width(rows, rig, declared), _expected(rig, taped)
    if width is None or 1 / _UNLIKE < to_metres(width, declared.unit) / expected < _UNLIKE:
        return []
    units = sorted({"m": 0, "ft-int": 0, "ft-us": 0, "mm": 0, declared.unit: 0},
                   key=lambda unit: abs(np.log(to_metres(width, unit) / expected)))
    if units[0] == declared.unit:
        return []
    told = "by tape" if taped else "in the rig (a taped edge_width in tape.csv would tell it)"
    return [Choice("the unit of lengths", tuple(map(_in_unit, units)), False,
                   f"in {NAMES[declared.unit]} as declared left and right lie "
                   f"{to_metres(width, declared.unit):.3f} m apart, the edge is about "
                   f"{expected:.1f} m {told}", unseen=False)]


def _in_unit(unit):
    return Alternative(NAMES[unit], {"unit": unit}, f"--unit {unit}")


def _width(rows, rig, declared):
    """Left to right as the file has it, in its unit; None if it cannot be told."""
    ways = [columns_named(rows.booked, rig.target_names, rows.position, declared.targets)] \
        if rows.booked else namings(rows.ids, rows.descriptions, rig.target_names, rows.position)
    width = ways[0].width if ways else np.nan
    return width / to_metres(1.0, rows.unit) if np.isfinite(width) else None


def _frame(rows, by_role, declared):
    about = "whether coordinates are on the ground"
    ground = Alternative("on the ground", {"frame": "ground"}, "--frame ground")
    grid = Alternative("on a map grid, with a combined scale factor", {"frame": "grid"},
                       "--frame grid --factor FACTOR")
    if declared.factor is not None or declared.about is not None:
        return stated(about, "a scale factor is declared", grid.says, frame="grid")
    if is_geographic(by_role):
        return stated(about, "there are columns of latitude and longitude",
                      "latitude and longitude (WGS 84)", "--frame geographic", frame="geographic")
    if by_role["pointings"]:
        known = [float(cell.replace(",", ".")) for look in by_role["known"]
                 for name in ("east", "north") for cell in look.column(name)
                 if is_number(cell, ".") or is_number(cell, ",")]
        farthest = max(map(abs, known), default=0.0)
    else:
        farthest = float(np.abs(rows.position[:, :2]).max())
    if farthest < _LOCAL:
        return Choice(about, (ground, grid), True, "coordinates as small as in a local system")
    return Choice(about, (ground, grid), False, "coordinates as large as on a map grid, whose "
                  "scale may be off by 400 mm in a kilometre: 4.8 mm in 12 m")


def _pole(by_role):
    about = "whether the pole or prism height is off the heights"
    applied = Alternative("it is off", {"pole": "applied"}, "--pole applied")
    column = Alternative("take off what the column says", {"pole": "column"}, "--pole column")
    looks = by_role["points"] + by_role["pointings"]
    there = [look for look in looks if "target_height" in look.meant]
    if by_role["pointings"]:
        return Choice(about, (column if there else applied,), True,
                      "the file has a column of it" if there else
                      "no column of it: one height for all shots moves none against another")
    if there and any(float(cell.replace(",", ".") or 0) for look in there
                     for cell in look.column("target_height")
                     if is_number(cell, ".") or is_number(cell, ",")):
        return Choice(about, (applied, column), False, "there is a column of it: exports have it "
                      "taken off as a rule, raw lists do not")
    for look in looks:
        for at, cell in enumerate(look.header):
            if look.meant[at] is None and _OF_A_POLE.search(plain(cell)):
                names = [name if name in KIND else SKIP for name in look.meant]
                names[at] = "target_height"
                order = ",".join(map(str, names))
                taken = Alternative(f"take off what {quote(cell)} says",
                                    {"pole": "column", "order": order},
                                    f'--pole column --order "{order}"')
                known = len(looks) == 1 and not {"x", "y"} & set(look.meant)
                return Choice(about, (applied, taken)[:1 + known], False,
                              f"column {quote(cell)} may be it")
    return Choice(about, (applied,), True, "no column of it, and one height for all shots moves "
                  "none against another")
