"""Parameters that a solved problem lacks, tested before any of them is estimated.

With r the whitened misclosures at the solution, D the whitened design and z the whitened
derivatives of the predictions by the added parameters, z' what D leaves of z,

    statistic = r'z' (z''z')^-1 z''r

is a chi-square with as many degrees of freedom as parameters where the stated sds are true: the
score test (C. R. Rao, Proc. Cambridge Philosophical Society 44 (1948) 50-57). Where the sds are
only true in proportion, the statistic per degree of freedom over what is left of chi2 per degree
of freedom is F, the ratio of nested linear models. What solving with the parameters takes off chi2,
the likelihood ratio, has the same limit (S. S. Wilks, Annals of Mathematical Statistics 9 (1938)
60-62), and is judged by the same chances.

Of many tests the smallest chance is held against how small the smallest is without any effect, the
tests hanging together as they do: single-step minP of P. H. Westfall and S. S. Young,
*Resampling-Based Multiple Testing*, Wiley 1993, section 2.3. Without an effect the scores are
normal with the covariance z''z', so the distribution is drawn, not resampled; never more than
Bonferroni's inequality gives. (All from memory; numbers in ``tests/published``.)
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.adjustment import Adjustment
from calib.adjust.distributions import Numbers, chi2_sf, f_sf
from calib.adjust.reliability import whiten
from calib.adjust.whitening import whiteners_of

#: What the design must leave of a column, as a share of its square, for it to be told at all.
LEAST_LEFT = 1e-6

#: Draws of the scores without an effect: a chance of 0.05 comes out to 0.0015.
DRAWS = 20_000

_SEED = 20_000


@dataclass(frozen=True)
class Score:
    """A test of some added parameters."""

    statistic: float  #: Chi-square of `dof` if all are zero.
    dof: int  #: 0 if the design leaves nothing of some combination of them.
    values: np.ndarray  #: Shape (d,). What they would be, to first order.
    covariance: np.ndarray  #: Shape (d, d).


@dataclass(frozen=True)
class Scores:
    """The scores of k added parameters; make them with `Scores.of`."""

    pulled: np.ndarray  #: Shape (k,), z''r.
    normal: np.ndarray  #: Shape (k, k), z''z', the information that the design leaves.
    left: np.ndarray  #: Shape (k,). Its diagonal as a share of z'z.
    #: Shape (p, k). How the parameters that are there move per unit of each added one; 0 where
    #: held.
    taken_up: np.ndarray
    #: chi2, dof: Of the problem without them.
    chi2: float
    dof: int

    @classmethod
    def of(cls, adjustment: Adjustment, columns: np.ndarray) -> "Scores":
        """Prepare the tests of added parameters.

        Parameters
        ----------
        columns : ndarray, shape (n + q, k)
            Derivatives of the predictions by them, those of the prior's function below.
        """
        linearised = adjustment.linearised
        spectrum = linearised.spectrum
        z = whiten(adjustment, columns)
        along = spectrum.left.T @ z
        rest = z - spectrum.left @ along
        total = np.einsum("ij,ij->j", z, z)
        normal = rest.T @ rest
        taken_up = np.zeros((len(adjustment.free), columns.shape[1]))
        taken_up[adjustment.free] = -(spectrum.scale[:, None] * spectrum.right
                                      / spectrum.singular) @ along
        left = np.diag(normal) / np.where(total > 0, total, 1.0)
        return cls(rest.T @ linearised.misclosure, normal, left, taken_up, adjustment.chi2,
                   adjustment.dof)

    @property
    def told(self) -> np.ndarray:
        """Mask, shape (k,): the design leaves enough of each by itself."""
        return self.left > LEAST_LEFT

    def test(self, members: Sequence[int]) -> Score:
        """Test some of the added parameters together, the others zero."""
        members = list(members)
        d, normal = len(members), self.normal[np.ix_(members, members)]
        size = np.sqrt(np.diag(normal))
        none = Score(0.0, 0, np.full(d, np.nan), np.full((d, d), np.nan))
        if not self.told[members].all():
            return none
        scaled = normal / np.outer(size, size)
        if np.linalg.eigvalsh(scaled)[0] < LEAST_LEFT:
            return none
        covariance = np.linalg.inv(scaled) / np.outer(size, size)
        values = covariance @ self.pulled[members]
        return Score(float(values @ self.pulled[members]), d, values, covariance)

    def taken_off(self, taken: float, added: int, stated: bool = True) -> float:
        """Chance of taking so much off chi2 by so many parameters if they are zero.

        Parameters
        ----------
        stated : bool
            Whether the stated sds are true; else in proportion only.
        """
        if stated:
            return float(chi2_sf(taken, added))
        rest = (self.chi2 - taken) / (self.dof - added) if self.dof > added else np.nan
        return float(f_sf(taken / added / rest, added, self.dof - added)) if rest > 0 else np.nan


@dataclass(frozen=True)
class Family:
    """Tests that are made together; each a tuple of numbers of added parameters.

    Only those of which something is told take part.
    """

    scores: Scores
    hypotheses: tuple[tuple[int, ...], ...]
    stated: bool = True
    draws: int = DRAWS

    def chance(self, single: float) -> float:
        """That the smallest chance of a family without any effect is as small as `single`."""
        drawn = (1 + int(np.sum(self._smallest <= single))) / (1 + self.draws)
        return float(min(1.0, drawn, single * len(self.hypotheses)))

    def single(self, run_level: float) -> float:
        """Chance below which a single test counts so that the family errs at `run_level`."""
        return max(float(np.quantile(self._smallest, run_level)),
                   run_level / max(1, len(self.hypotheses)))

    @cached_property
    def _smallest(self) -> np.ndarray:
        """The smallest chance of each draw, shape (draws,)."""
        members = sorted({i for h in self.hypotheses for i in h})
        if not members:
            return np.ones(self.draws)
        normal = self.scores.normal[np.ix_(members, members)]
        size = np.sqrt(np.diag(normal))
        normal = normal / np.outer(size, size)
        values, vectors = np.linalg.eigh(normal)
        told = values > LEAST_LEFT
        rng = np.random.default_rng(_SEED)
        normals = rng.standard_normal((self.draws, int(told.sum())))
        pulled = (vectors[:, told] * np.sqrt(values[told])) @ normals.T
        total = np.sum(normals**2, axis=1)
        if (spare := self.scores.dof - int(told.sum())) > 0:
            total = total + rng.chisquare(spare, self.draws)
        largest = {}  # of the tests of equal degrees of freedom
        for d in {len(h) for h in self.hypotheses}:
            at = np.searchsorted(members, [h for h in self.hypotheses if len(h) == d])  # (t, d)
            whitener = whiteners_of(normal[at[:, :, None], at[:, None, :]])
            largest[d] = np.sum((whitener @ pulled[at]) ** 2, axis=1).max(0)
        smallest: np.ndarray = np.min(
            [self._chances(most, d, total) for d, most in largest.items()], axis=0)
        return smallest

    def _chances(self, statistic: np.ndarray, d: int, total: np.ndarray) -> Numbers:
        if self.stated:
            return chi2_sf(statistic, d)
        below = self.scores.dof - d
        return f_sf(statistic / d * below / (total - statistic), d, below)
