"""Raw observations, proposed: the unit of their angles, and how good the instrument is."""

import re
from dataclasses import replace

import numpy as np

from calib.intake.choices import Alternative, Choice, stated
from calib.intake.declaration import PERSON, SOLVED, Declaration
from calib.intake.files.field_units import known_unit, unit_stated
from calib.intake.matching.known_points import USUAL_MARK
from calib.intake.matching.on_marks import USUAL_STATION
from calib.intake.proposal.looks import Look
from calib.run.numerals import is_number

USUAL = {"angles": "5 arcsec", "distance": "2 mm + 2 ppm", "pointing": PERSON}
"""Of a total station in good order: common practice, no source."""

_WORDS = {"deg": "decimal degrees", "gon": "gon (400 to the circle)",
          "dms": "degrees, minutes and seconds with marks", "packed-dms":
          "degrees, minutes and seconds in one number (DDD.MMSS)"}
_CHECKED = 2
"""So many other known points sighted tell whether the instrument stands where it is said to."""

_STEEP = 30.0
"""Sights of a yard are flatter than this, degrees."""


def observed_choices(by_role: dict[str, list[Look]], declared: Declaration) -> list[Choice]:
    """Angles and instrument; nothing where there are only points."""
    if not by_role["pointings"]:
        return []
    choices = []
    if declared.angles is None:
        choices.append(_angles(by_role["pointings"][0]))
    if declared.instrument is None:
        says = ", ".join(f"{what} {sd}" for what, sd in USUAL.items())
        option = (f'--instrument "{USUAL["angles"]}, {USUAL["distance"]}" '
                  f'--instrument "pointing={USUAL["pointing"]}"')
        choices.append(Choice(
            "standard deviations of the instrument",
            (Alternative(f"{says} (a usual one)", {"instrument": USUAL}, option),), False,
            "no file tells them"))
    if declared.setup_sd is None:
        choices += [_known_how_well(look) for look in by_role["setups"] if any(
            name in look.meant and f"sd_{name}" not in look.meant
            for name in ("east", "north", "up", "orientation"))]
        choices += _on_known_points(by_role) if not by_role.get("setups") else []
    return choices


def _on_known_points(by_role):
    """Whether set-ups that are called like known points stand on them."""
    known = {cell for look in by_role.get("known", ()) for cell in look.column("point") if cell}
    sighted: dict[str, set[str]] = {}
    heights: dict[str, str] = {}
    for look in by_role["pointings"]:
        ids, setups = look.column("point"), look.column("setup")
        over = look.column("instrument_height") or [""] * len(ids)
        for point, name, height in zip(ids, setups, over, strict=False):
            if name in known:
                sighted.setdefault(name, set()).update({point} & known - {name})
                heights[name] = height
    if not sighted:
        return []
    named = "; ".join(
        f"set-up {name} on known point {name}, "
        + (f"instrument {heights[name]} above it" if heights[name] else "no instrument height")
        + f", turned by sights to {', '.join(sorted(points)) or 'none'}"
        for name, points in sighted.items())
    return [Choice(
        "where the set-ups stand", (
            Alternative(f"{named}; known to {USUAL_STATION} (usual over a mark; common practice, "
                        "no source)", {"setup_sd": USUAL_STATION},
                        f'--setup-sd "{USUAL_STATION}"'),
            Alternative("not as known: solved from sights to known points alone",
                        {"setup_sd": SOLVED}, f"--setup-sd {SOLVED}")),
        all(len(points) >= _CHECKED for points in sighted.values()),
        "the names are those of known points")]


def _known_how_well(look):
    return Choice(
        f"how well the set-ups of {look.path.name} are known", tuple(
            Alternative(says, {"setup_sd": sd}, f'--setup-sd "{sd}"') for sd, says in (
                (USUAL_MARK, f"{USUAL_MARK} for coordinates and orientation (usual for marks of a "
                 "site; common practice, no source)"),
                (SOLVED, "not at all: solved from sights to known points"))), False,
        "the file has values without standard deviations (columns sd_east ... would tell)")


def _angles(look):
    about = f"the unit of angles in {look.path.name}"
    heads = [look.header[look.meant.index(name)] for name in ("direction", "zenith")]
    whole = replace(look, rows=tuple(
        row for row in look.rows if len(row) == len(look.header) and all(
            re.search(r"\d", row[look.meant.index(n)]) for n in ("direction", "zenith"))))
    return _by_cells(whole, about, heads) if whole.rows else Choice(
        about, tuple(_answer(unit) for unit in _WORDS), False, "no row has both angles")


def _answer(unit):
    return Alternative(_WORDS[unit], {"angles": unit}, f"--angles {unit}")


def _by_cells(look, about, heads):
    """The unit by the headers, the marks, the faces, or by what makes sense."""
    zenith, direction = look.column("zenith"), look.column("direction")
    # In German degrees are called Grad: the word alone does not tell gon.
    said = known_unit(unit_stated(heads[1]) or "")
    told = said if said in _WORDS and "grad" not in heads[1].casefold() else None
    if told == "deg" and any(re.search(r"\d\D+\d+\D+\d", c) for c in zenith):
        told = "dms"
    if told is not None:
        return stated(about, f"its header says {heads[1]}", _WORDS[told],
                      f"--angles {told}", angles=told)
    plain = [i for i, pair in enumerate(zip(direction, zenith, strict=True))
             if all(is_number(c, ".") or is_number(c, ",") for c in pair)]
    if len(plain) < len(zenith) / 2:
        return stated(about, f"{zenith[0]} has marks between its parts", _WORDS["dms"],
                      "--angles dms", angles="dms")
    look = replace(look, rows=tuple(look.rows[i] for i in plain))
    zenith, direction = look.column("zenith"), look.column("direction")
    number = np.array([[float(c.replace(",", ".")) for c in column]
                       for column in (direction, zenith)])
    fits = [unit for unit in ("gon", "deg", "packed-dms") if _fits(unit, number, look)]
    pairs = _face_sums(look, number[1])
    units = sorted(_WORDS, key=lambda unit: (unit not in fits, unit == "packed-dms"))
    full = {"gon": 400.0, "deg": 360.0}
    by_faces = [unit for unit in fits if pairs is not None and full.get(unit) == pairs]
    if by_faces:
        return stated(about, f"face 1 and face 2 of a point add up to {pairs:.0f}",
                      _WORDS[by_faces[0]], f"--angles {by_faces[0]}", angles=by_faces[0])
    sure = len(fits) == 1
    return Choice(about, tuple(_answer(u) for u in units if u != "dms"), sure,
                  "the only unit in which all angles make sense and sights are near the "
                  "horizon" if sure else "the angles make sense in more than one")


def _fits(unit, number, look):
    """Whether directions are within a circle and most sights near the horizon."""
    full = 400.0 if unit == "gon" else 360.0
    folded = np.minimum(number[1], full - number[1])
    if number.max() >= full or abs(np.median(folded) - full / 4) * 360 / full > _STEEP:
        return False
    if unit == "packed-dms":
        digits = [re.split("[.,]", cell)[-1].ljust(4, "0") for name in ("direction", "zenith")
                  for cell in look.column(name)]
        return all(int(d[:2]) < 60 and int(d[2:4]) < 60 for d in digits)
    if unit == "deg":
        return True
    return bool(number[0].max() > 360.0 or abs(np.median(folded) - 100) < 8)


def _face_sums(look, zenith):
    """What the zenith angles of a point in both faces add up to; None if they do not agree."""
    points, setups = look.column("point"), look.column("setup") or [""] * len(zenith)
    first: dict[tuple[str, str], float] = {}
    sums = []
    for key, angle in zip(zip(setups, points, strict=True), zenith, strict=True):
        if key in first and abs(first[key] - angle) > 50:
            sums.append(first.pop(key) + angle)
        else:
            first[key] = angle
    if len(sums) < 3:
        return None
    middle = float(np.median(sums))
    return next((full for full in (400.0, 360.0) if abs(middle - full) < 0.1), None)
