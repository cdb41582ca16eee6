"""Which typing slip explains what a machine's display shows, if any.

Every slip is a machine, and every machine says what the display would show at its readings. Slips
are ranked by

    score = chi2 + ln det V - 2 ln(odds)

with chi2 the squared misfit in sds of reading noise and rounding, V their covariance, and the
prior odds of `calib.confirm.slips`: nothing wrong one half. A value that is wrong by an amount that
no slip gives takes a number from the data, and pays for it with the share that the data leave of
the range in which it might lie (D. J. C. MacKay, "Bayesian interpolation", Neural Computation 4
(1992) 415-447, who calls it the Occam factor; from memory). As in `calib.judge.explain`, nothing is
claimed that does not explain all that is shown, and what comes within a score of 6 of it is its
rival.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.adjust.distributions import chi2_isf
from calib.confirm.displayed import Comparison
from calib.confirm.slips import Family, Sheet, Slip, slips

#: Score differences: claimed above the first, not told apart below the second.
CLAIMED, ALIKE = 10.0, 6.0

#: A display that is right shows a larger chi-square than the limit so often.
LEVEL = 0.001

#: Prior odds: that everything was typed right; of one slip, of a row of the display copied wrongly,
#: of one value that is wrong by any amount.
RIGHT, ONE, COPIED, AMOUNT = 0.5, 0.4, 0.02, 0.08

#: The range in which a wrong value may lie, m and rad, and a displayed coordinate, m.
_RANGE = {"m": 2.0, "deg": np.pi}
_COPIED_RANGE = 2.0

#: Pairs that are computed as they are, of those that come out best by adding up what each does.
_PAIRS = 150

#: The same of a slip with a wrong value; half as many of two wrong values.
_WITH_AMOUNT = 40

#: So many of the best are looked at with the noise of their own machine.
_SETTLED = 60

#: Steps of the fit of a wrong value.
_STEPS = 4


@dataclass(frozen=True)
class Tried:
    """A slip, or none, and how well it explains the display."""

    slips: tuple[Slip, ...]  #: None: everything typed right; two of a pair.
    chi2: float
    dof: int
    score: float
    parameters: np.ndarray  #: Shape (p,). The machine that it makes, m or rad.
    pose: int | None = None  #: A pose whose display was copied wrongly.

    @property
    def passes(self) -> bool:
        """It explains all that is shown."""
        return self.dof > 0 and bool(self.chi2 <= chi2_isf(LEVEL, self.dof))

    @property
    def fields(self) -> frozenset[int]:
        """The entries that it is about."""
        return frozenset().union(*(s.fields for s in self.slips))

    @property
    def typed(self) -> dict[int, float]:
        """What is in those fields."""
        return {i: v for s in self.slips for i, v in s.typed.items()}


@dataclass(frozen=True)
class Found:
    """What a display says of what was typed."""

    as_it_is: Tried  #: Everything typed right.
    claimed: Tried | None  #: The slip, or the two, that explain the display.
    #: Others that explain it as well and are about other fields, or other values in them.
    rivals: tuple[Tried, ...]
    looked_at: int
    singles: tuple[Tried, ...]  #: Every single slip.
    #: Shape (n_singles, m). What each of them would change in the display, in sds.
    moved: np.ndarray


def search(compared: Comparison, sheet: Sheet) -> Found:
    """Look for the slip, or the two, that explain a display."""
    base, dof = compared.misfit(compared.base), compared.dof
    if base is None:
        raise ValueError("the machine as solved has no place for the shown targets")
    chi2 = float(base @ base)
    as_it_is = Tried((), chi2, dof, chi2 - 2 * np.log(RIGHT), compared.base)
    singles, misfits = _singles(compared, sheet, base, dof)
    # Each value wrong by whatever the display says.
    amounts = (_fitted(compared, sheet, (), (i,), base, dof) for i in range(len(sheet.right)))
    others = [*filter(None, amounts), *_miscopied(compared, base, dof)]
    found = _chosen(as_it_is, [*_settled(compared, [*singles, *others])])
    looked_at = len(singles) + len(others)
    if found is None and not as_it_is.passes:
        pairs, more = _pairs(compared, sheet, singles, misfits, base, dof)
        looked_at += more
        found = _chosen(as_it_is, _settled(compared, pairs))
    claimed, rivals = found or (None, ())
    return Found(as_it_is, claimed, rivals, looked_at, tuple(singles), base - misfits)


def _chosen(as_it_is: Tried, tried: Sequence[Tried]) -> tuple[Tried, tuple[Tried, ...]] | None:
    """The best that explains everything, if it is clearly better than nothing, and its rivals."""
    passing = sorted((t for t in tried if t.passes), key=lambda t: t.score)
    if not passing or as_it_is.score - passing[0].score < CLAIMED:
        return None
    best, rivals, seen = passing[0], [], {_key(passing[0])}
    for other in passing[1:]:
        if other.score - best.score > ALIKE:
            break
        if _key(other) not in seen and not _is_amount_of(other, best):
            seen.add(_key(other))
            rivals.append(other)
    return best, tuple(rivals)


def _settled(compared: Comparison, tried: Sequence[Tried]) -> list[Tried]:
    """The best of them, each with the noise that its own machine makes of that of the readings."""
    settled = []
    for t in sorted(tried, key=lambda t: t.score)[:_SETTLED]:
        if not t.slips:
            settled.append(t)
            continue
        try:
            whitening = compared.whitening_at(t.parameters)
        except np.linalg.LinAlgError:  # far from any machine
            continue
        misfit = compared.misfit(t.parameters, whitening)
        if misfit is not None:
            chi2 = float(misfit @ misfit)
            settled.append(replace(t, chi2=chi2, score=t.score - t.chi2 + chi2 + whitening.size
                                   - compared.whitening.size))
    return settled


def _key(tried):
    return tuple(sorted((i, round(v, 6)) for i, v in tried.typed.items())), tried.pose


def _is_amount_of(other: Tried, best: Tried) -> bool:
    """The same value wrong by about as much: not another explanation."""
    return other.fields == best.fields and len(other.fields) > 0 and any(
        s.family == Family.BY_AMOUNT for t in (other, best) for s in t.slips)


def _singles(compared: Comparison, sheet: Sheet, base, dof):
    tried, misfits = [], []
    for slip in slips(sheet, ONE):
        result = _tried(compared, (slip,), dof)
        if result is not None:
            tried.append(result[0])
            misfits.append(result[1])
    return tried, np.array(misfits).reshape(len(tried), len(base))


def _tried(compared: Comparison, made: tuple[Slip, ...], dof: int):
    """A slip or two as a machine, and the misfit of that; None if there is no such machine."""
    machine = compared.machine(_typed(compared, made))
    misfit = None if machine is None else compared.misfit(machine)
    if misfit is None or machine is None:
        return None
    chi2 = float(misfit @ misfit)
    odds = sum(np.log(s.odds) for s in made)
    return Tried(made, chi2, dof, chi2 - 2 * odds, machine), misfit


def _fitted(compared: Comparison, sheet: Sheet, slip: tuple[Slip, ...], fields: tuple[int, ...],
            misfit, dof) -> Tried | None:
    """A slip, if any, and besides it these fields wrong by what the display says.

    `misfit` is that of the slip.
    """
    at = list(fields)
    typed = _typed(compared, slip)
    machine, slopes = None, None
    for _ in range(_STEPS):
        slopes = _slopes(compared, typed, fields, misfit)
        if slopes is None or np.linalg.matrix_rank(slopes, tol=1e-9) < len(at):
            break
        typed[at] -= np.linalg.lstsq(slopes, misfit, rcond=None)[0]
        moved = compared.machine(typed)
        new = None if moved is None else compared.misfit(moved)
        if new is None:
            break
        machine, misfit = moved, new
    if machine is None or slopes is None:
        return None
    entries, chi2 = sheet.entries.entries, float(misfit @ misfit)
    spread = np.sqrt(np.diag(np.linalg.pinv(slopes.T @ slopes)))
    occam = sum(min(0.0, np.log(sd * np.sqrt(2 * np.pi) * entries[i].size
                                / _RANGE[entries[i].kind]))
                for i, sd in zip(fields, spread, strict=True) if sd > 0)
    odds = AMOUNT / len(entries)
    made = (*slip, *(Slip(Family.BY_AMOUNT, {i: float(typed[i])}, odds=odds) for i in fields))
    prior = sum(np.log(s.odds) for s in made)
    return Tried(made, chi2, dof - len(at), chi2 - 2 * prior - 2 * occam, machine)


def _typed(compared, made):
    """What is in the fields with some slips made."""
    typed = compared.right.copy()
    for slip in made:
        for i, value in slip.typed.items():
            typed[i] = value
    return typed


def _slopes(compared, typed, fields, misfit):
    """Change of the misfit per unit of some entries, shape (m, n_fields)."""
    columns = []
    for i in fields:
        there, step = typed.copy(), compared.entries.steps[i]
        there[i] += step
        machine = compared.machine(there)
        other = None if machine is None else compared.misfit(machine)
        if other is None:
            return None
        columns.append((other - misfit) / step)
    return np.array(columns).T


def _miscopied(compared: Comparison, base, dof) -> list[Tried]:
    """Each pose left out: its display, or its readings, copied wrongly."""
    poses = np.unique(compared.shown.pose)
    if len(poses) < 3:
        return []
    found = []
    for p in poses.tolist():
        rest = left_out(compared, p)
        misfit = rest.misfit(rest.base)
        lost = dof - rest.dof
        if misfit is None or lost < 1 or rest.dof < 1:
            continue
        sd = np.sqrt(np.median(np.diag(compared.covariance(compared.base))))
        occam = lost * np.log(sd * np.sqrt(2 * np.pi) / _COPIED_RANGE)
        odds = COPIED / len(poses)
        chi2 = float(misfit @ misfit)
        found.append(Tried((), chi2, rest.dof, chi2 - 2 * np.log(odds) - 2 * occam, compared.base,
                           p))
    return found


def left_out(compared: Comparison, pose: int) -> Comparison:
    """The comparison without a pose."""
    return replace(compared, shown=compared.shown.select(compared.shown.pose != pose))


def _pairs(compared: Comparison, sheet: Sheet, singles, misfits, base, dof):
    """Two slips of different fields, or a slip and a wrong value, or two wrong values.

    By adding up what each does, and the best of those as they are.
    """
    found = [t for i, j in _best_of_two(singles, misfits, base)
             if (t := _tried(compared, (*singles[i].slips, *singles[j].slips), dof)) is not None]
    found = [t for t, _ in found]
    slopes = _slopes(compared, compared.right.copy(), tuple(range(len(sheet.right))), base)
    if slopes is None:
        return found, len(found)
    sizes = np.linalg.norm(slopes, axis=0)
    unit = slopes / np.where(sizes > 0, sizes, 1.0)
    left = np.einsum("im,im->i", misfits, misfits)[:, None] - (misfits @ unit) ** 2
    left += np.array([t.score - t.chi2 for t in singles])[:, None]
    for k, t in enumerate(singles):
        left[k, list(t.fields)] = np.inf
    more = []
    for k, i in _smallest(left, _WITH_AMOUNT):
        more.append(_fitted(compared, sheet, singles[k].slips, (i,), misfits[k], dof))
    both = np.full((len(sizes), len(sizes)), np.inf)
    for i in range(len(sizes)):
        for k in range(i + 1, len(sizes)):
            two = slopes[:, [i, k]]
            both[i, k] = np.sum((base - two @ np.linalg.lstsq(two, base, rcond=None)[0]) ** 2)
    more += [_fitted(compared, sheet, (), (i, k), base, dof) for i, k in
             _smallest(both, _WITH_AMOUNT // 2)]
    found += [t for t in more if t is not None]
    return found, len(found)


def _best_of_two(singles, misfits, base):
    """Numbers of the slips of which two together leave least by adding up what each does."""
    moved = misfits - base
    own = np.array([t.score - t.chi2 for t in singles])
    # |base + a + b|^2 of all pairs at once.
    chi2 = (np.einsum("im,im->i", misfits, misfits)[:, None]
            + np.einsum("im,im->i", moved, moved) + 2 * misfits @ moved.T)
    score = chi2 + own[:, None] + own
    score[np.tril_indices(len(singles))] = np.inf
    last = max(max(t.fields) for t in singles)
    fields = np.array([[i in t.fields for i in range(last + 1)] for t in singles], int)
    score[(fields @ fields.T) > 0] = np.inf
    return _smallest(score, _PAIRS)


def _smallest(values, count):
    """Places of the smallest finite values of a matrix."""
    order = np.argsort(values, axis=None)[:count]
    return [(int(i), int(j)) for i, j in zip(*np.unravel_index(order, values.shape), strict=True)
            if np.isfinite(values[i, j])]
