"""How good the set-ups of the instrument are: what each leaves over of its known points."""

from calib.document.record import ResultRecord
from calib.document.solved import SetUp
from calib.report.blocks import Cell, Items, Section, Table, fixed, mm, words
from calib.stations import CHANCE

#: An adjusted component further from what was stated of it is said to be off, in its sds: 0.1 %.
_FAR = 3.29


def set_ups(document: ResultRecord) -> list[Section]:
    """A section where the run has set-ups, else none."""
    if not document.set_ups:
        return []
    rows: list[list[Cell]] = []
    marked = []
    for one in document.set_ups:
        for sight in one.alone.sights if one.alone else ():
            w = max((x for x in sight.w.numbers if x is not None), key=abs, default=None)
            marked.append(w is not None and abs(w) > _FAR)
            rows.append([one.name, sight.point, *(mm(x, sign=True) for x in sight.residual.numbers),
                         fixed(w, 1, 1.0, True), "OUT" if marked[-1] else ""])
    table = (Table("Residuals at the known points: sighted less known after each set-up's own "
                   "adjustment, shots left out; w is the largest of the three in its own sd",
                   ("set-up", "known point", "east mm", "north mm", "up mm", "w", ""), rows,
                   marked),) if rows else ()
    stated = [row for one in document.set_ups for row in _stated(one)]
    before = (Table("What was stated of the set-ups beforehand, less what its sights say as well "
                    "(mm, deg)", ("set-up", "quantity", "stated sd", "off by", "in sds"), stated),
              ) if stated else ()
    return [Section("set-ups", "Set-ups of the instrument", (
        Items(tuple(_says(one) for one in document.set_ups)), *table, *before))]


def _says(one: SetUp):
    """Whether what was stated of a set-up and of its sights agrees, and how well it is known."""
    name, own = f"Set-up {one.name}", one.alone
    if own is None:
        return "not checked", words(f"{name}: its own sights do not determine it; it is known "
                                    "through what was shot from it and from others.")
    known = words(". By itself its height is known to ", mm(own.sd.up),
                  " mm, its orientation to ", fixed(own.sd.orientation, 4),
                  " deg; in the whole run to ", mm(one.sd.up), " mm and ",
                  fixed(one.sd.orientation, 4), " deg (1 sd).")
    if own.limit is None:
        return "not checked", words(f"{name}: nothing is left over to check it with", *known)
    off = [f"{kind} as stated beforehand is off by {w:+.1f} of its sds" for kind, w in
           zip(type(own.off_w).model_fields, own.off_w.numbers, strict=True)
           if w is not None and abs(w) > _FAR]
    good = own.chi2 <= own.limit and not off
    return "passed" if good else "FAILED", words(
        f"{name}: {len(own.sights)} {'sight' if len(own.sights) == 1 else 'sights'} to known "
        f"points {'agree' if good else 'do not agree'} as the stated sds "
        f"{'say' if good else 'ask'}: chi-square ", fixed(own.chi2, 1), ", limit ",
        fixed(own.limit, 1), f" ({100 * CHANCE:.1f} % of sound set-ups go beyond) with ",
        fixed(own.dof, 0), " degrees of freedom", *(f"; {each}" for each in off), *known)


def _stated(one: SetUp):
    """A row for each component that was known beforehand."""
    own = one.alone
    if own is None:
        return
    for kind, sd in own.stated:
        if sd is not None:
            off, w = getattr(own.off, kind), getattr(own.off_w, kind)
            shown = (fixed(sd, 4), fixed(off, 4, 1.0, True)) if kind == "orientation" else (
                mm(sd), mm(off, sign=True))
            yield [one.name, "height" if kind == "up" else kind, *shown, fixed(w, 1, 1.0, True)]
