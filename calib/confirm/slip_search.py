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
from itertools import combinations

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
    base, dof = compared.misfits(compared.base[None])[0], compared.dof
    if np.isnan(base).any():
        raise ValueError("the machine as solved has no place for the shown targets")
    chi2 = float(base @ base)
    as_it_is = Tried((), chi2, dof, chi2 - 2 * np.log(RIGHT), compared.base)
    singles, misfits = singles_of(compared, sheet)
    # Each value wrong by whatever the display says.
    others = [*_fitted(compared, sheet, [((), (i,), base) for i in range(len(sheet.right))], dof),
              *_miscopied(compared, dof)]
    found = _chosen(as_it_is, [*_settled(compared, [*singles, *others])])
    looked_at = len(singles) + len(others)
    if found is None and not as_it_is.passes:
        pairs, more = _pairs(compared, sheet, singles, misfits, base, dof)
        looked_at += more
        found = _chosen(as_it_is, _settled(compared, pairs))
    claimed, rivals = found or (None, ())
    return Found(as_it_is, claimed, rivals, looked_at, tuple(singles), base - misfits)


def singles_of(compared: Comparison, sheet: Sheet) -> tuple[list[Tried], np.ndarray]:
    """Every single slip, and the misfit with it, (n_singles, m)."""
    return _tried(compared, [(slip,) for slip in slips(sheet, ONE)], compared.dof)


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
        (misfit,) = compared.misfits(t.parameters[None], whitening)
        chi2 = float(misfit @ misfit)
        if np.isfinite(chi2):
            settled.append(replace(t, chi2=chi2, score=t.score - t.chi2 + chi2 + whitening.size
                                   - compared.whitening.size))
    return settled


def _key(tried):
    return tuple(sorted((i, round(v, 6)) for i, v in tried.typed.items())), tried.pose


def _is_amount_of(other: Tried, best: Tried) -> bool:
    """The same value wrong by about as much: not another explanation."""
    return other.fields == best.fields and len(other.fields) > 0 and any(
        s.family == Family.BY_AMOUNT for t in (other, best) for s in t.slips)


def _tried(compared: Comparison, made: Sequence[tuple[Slip, ...]], dof: int
           ) -> tuple[list[Tried], np.ndarray]:
    """Slips, or pairs of them, as machines, and their misfits; not those of which there is none."""
    if not made:
        return [], np.empty((0, int(compared.mask.sum())))
    machines, misfits = compared.of_typed(_typed(compared, made))
    sound = np.flatnonzero(np.isfinite(misfits).all(axis=1)).tolist()
    chi2 = np.sum(misfits**2, axis=1)
    return [Tried(made[k], float(chi2[k]), dof,
                  float(chi2[k]) - 2 * sum(np.log(s.odds) for s in made[k]), machines[k])
            for k in sound], misfits[sound]


def _fitted(compared: Comparison, sheet: Sheet,
            made: Sequence[tuple[tuple[Slip, ...], tuple[int, ...], np.ndarray]], dof: int
            ) -> list[Tried]:
    """Slips, if any, and besides them fields wrong by what the display says.

    Each of `made` has slips, as many fields as the others, and the misfit of its slips.
    """
    if not made:
        return []
    typed = _typed(compared, [slips_ for slips_, _, _ in made])
    fields = np.array([places for _, places, _ in made])
    misfits = np.array([misfit for _, _, misfit in made])
    machines = np.full((len(made), len(compared.base)), np.nan)
    slopes = np.full((*misfits.shape, fields.shape[1]), np.nan)
    going = np.arange(len(made))
    for _ in range(_STEPS):
        slopes[going] = _slopes(compared, typed[going], fields[going], misfits[going])
        going = going[np.isfinite(slopes[going]).all(axis=(1, 2))]
        going = going[np.linalg.matrix_rank(slopes[going], tol=1e-9) == fields.shape[1]]
        if not going.size:
            break
        typed[going[:, None], fields[going]] -= (
            np.linalg.pinv(slopes[going]) @ misfits[going][..., None])[..., 0]
        moved, new = compared.of_typed(typed[going])
        placed = np.isfinite(new).all(axis=1)
        going = going[placed]
        machines[going], misfits[going] = moved[placed], new[placed]
    entries, found = sheet.entries.entries, []
    done = np.isfinite(machines).all(axis=1) & np.isfinite(slopes).all(axis=(1, 2))
    for k in np.flatnonzero(done).tolist():
        chi2, at = float(misfits[k] @ misfits[k]), fields[k].tolist()
        spread = np.sqrt(np.diag(np.linalg.pinv(slopes[k].T @ slopes[k])))
        occam = sum(min(0.0, np.log(sd * np.sqrt(2 * np.pi) * entries[i].size
                                    / _RANGE[entries[i].kind]))
                    for i, sd in zip(at, spread, strict=True) if sd > 0)
        both = (*made[k][0], *(Slip(Family.BY_AMOUNT, {i: float(typed[k, i])},
                                    odds=AMOUNT / len(entries)) for i in at))
        prior = sum(np.log(s.odds) for s in both)
        found.append(Tried(both, chi2, dof - len(at), chi2 - 2 * prior - 2 * occam, machines[k]))
    return found


def _typed(compared, made):
    """What is in the fields, a row with each of some lists of slips made."""
    typed = np.tile(compared.right, (len(made), 1))
    for row, slips_ in zip(typed, made, strict=True):
        for slip in slips_:
            row[list(slip.typed)] = list(slip.typed.values())
    return typed


def _slopes(compared, typed, fields, misfits):
    """Change of misfits, (n, m), per unit of some entries of each row, (n, f): (n, m, f)."""
    n, f = fields.shape
    steps = compared.entries.steps[fields]
    there = np.repeat(typed, f, axis=0)
    there[np.arange(n * f), fields.ravel()] += steps.ravel()
    moved = compared.of_typed(there)[1].reshape(n, f, -1)
    return ((moved - misfits[:, None]) / steps[..., None]).transpose(0, 2, 1)


def _miscopied(compared: Comparison, dof) -> list[Tried]:
    """Each pose left out: its display, or its readings, copied wrongly."""
    poses = np.unique(compared.shown.pose)
    if len(poses) < 3:
        return []
    found = []
    sd = np.sqrt(np.median(np.diag(compared.covariance(compared.base))))
    for p in poses.tolist():
        rest = left_out(compared, p)
        (misfit,) = rest.misfits(rest.base[None])
        lost = dof - rest.dof
        if np.isnan(misfit).any() or lost < 1 or rest.dof < 1:
            continue
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
    found, _ = _tried(compared, [(*singles[i].slips, *singles[j].slips)
                                 for i, j in _best_of_two(singles, misfits, base)], dof)
    (slopes,) = _slopes(compared, compared.right[None], np.arange(len(sheet.right))[None],
                        base[None])
    if np.isnan(slopes).any():
        return found, len(found)
    sizes = np.linalg.norm(slopes, axis=0)
    unit = slopes / np.where(sizes > 0, sizes, 1.0)
    left = np.einsum("im,im->i", misfits, misfits)[:, None] - (misfits @ unit) ** 2
    left += np.array([t.score - t.chi2 for t in singles])[:, None]
    for k, t in enumerate(singles):
        left[k, list(t.fields)] = np.inf
    found += _fitted(compared, sheet, [(singles[k].slips, (i,), misfits[k])
                                       for k, i in _smallest(left, _WITH_AMOUNT)], dof)
    both = np.full((len(sizes), len(sizes)), np.inf)
    for pair in combinations(range(len(sizes)), 2):
        two = slopes[:, pair]
        both[pair] = np.sum((base - two @ np.linalg.lstsq(two, base, rcond=None)[0]) ** 2)
    found += _fitted(compared, sheet, [((), pair, base)
                                       for pair in _smallest(both, _WITH_AMOUNT // 2)], dof)
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
