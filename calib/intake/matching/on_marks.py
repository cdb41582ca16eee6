"""Set-ups on known points: the name of a set-up that is also a known point's says where it stands.
"""

import numpy as np

from calib.intake.files.pointings import Pointings
from calib.intake.geometry.free_station import Given
from calib.intake.geometry.polar import InstrumentSds
from calib.intake.matching.backsights import from_sights_alone
from calib.intake.matching.known_points import USUAL_MARK, KnownPoints
from calib.run.complaints import Findings, quote

_SAME = 0.5e-3
"""Heights of one set-up are the same to this, m; else it was set up anew."""

USUAL_STATION = USUAL_MARK.partition(",")[0]
"""How well an instrument stands over a mark, its height measured: common practice, no source."""


def on_marks(
    found: Pointings, known: KnownPoints | None, given: dict[str, Given],
    sds: tuple[float, float] | None, findings: Findings,
) -> dict[str, Given]:
    """`given`, and where each other set-up stands that is called like a known point.

    Parameters
    ----------
    found : Pointings
        Of all files.
    sds : (float, float) or None
        What is declared of set-ups, m and rad: the first is how well they stand over their marks.
        None: nothing is, and no mark is used; NaN: they are to be solved.
    """
    heights = _heights(found, findings)
    marks = {} if known is None else dict(zip(known.ids, range(len(known.ids)), strict=True))
    here = [name for name in heights if name in marks and name not in given]
    if sds is None:
        for name in here:
            findings.note(f"set-up {name}", f"called like a known point, which is not used: "
                          f'--setup-sd "{USUAL_STATION}" takes it to stand there')
    out = dict(given)
    usable = known is not None and sds is not None and np.isfinite(sds[0])
    unused = [name for name in heights if np.isfinite(heights[name]) and name not in given
              and not (usable and name in here)]
    if unused:
        findings.note(f"set-up {', '.join(unused)}", "the instrument height is not used: the "
                      "height of the tilting axis, which is above its mark by it, is solved")
    if known is None or sds is None or not usable:
        return out
    for name in here:
        value = np.append(known.position[marks[name]], np.nan)
        value[2] += heights[name]
        sd = np.append(np.hypot(known.sd[marks[name]], sds[0]), np.nan)
        out[name] = Given(value, np.where(np.isfinite(value), sd, np.nan))
        findings.note(f"set-up {name}", f"stands on known point {quote(name)} of {known.file}, "
                      + ("no instrument height given: its own is solved"
                         if np.isnan(heights[name])
                         else f"the instrument {heights[name]:.3f} m above the mark")
                      + f"; taken to {sds[0] * 1000:g} mm")
    return out


def beside_marks(
    found: Pointings, known: KnownPoints | None, stands_on: dict[str, Given], sds: InstrumentSds
) -> list[str]:
    """A sentence for each set-up: where its sights alone put it, beside its mark."""
    says = []
    for name, prior in stands_on.items():
        alone = None if known is None else from_sights_alone(found, name, known, sds)
        if alone is not None and prior.known[:3].any():
            apart = (alone - prior.value[:3]) * 1000
            axes = " ".join("-" if np.isnan(mm) else f"{mm:+.1f}" for mm in apart)
            says.append(f"set-up {name}: its sights alone put it {axes} mm (east, north, up) from "
                        "where it is known to stand")
    return says


def _heights(found, findings):
    """The instrument height of each set-up, m; NaN where none is given."""
    heights: dict[str, float] = {}
    for row, (name, height) in enumerate(zip(found.setup, found.instrument_height, strict=True)):
        before = heights.setdefault(name, height)
        if abs(height - before) > _SAME:
            findings.complain(
                found.file, found.lines[row][0], "instrument_height",
                f"{height:.3f} m in set-up {quote(name)}, before it was {before:.3f} m",
                "one height for a set-up; where the instrument was set up anew, a name of its own")
            heights[name] = height
    return heights
