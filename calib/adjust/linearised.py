"""A least-squares problem linearised at its solution."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from calib.adjust.aside import Eliminated
from calib.adjust.bordered import Bordered, Compressed
from calib.adjust.observations import BlockGroup
from calib.adjust.spectrum import Spectrum
from calib.adjust.tall import MANY, Tall


@dataclass(frozen=True)
class Linearised:
    """The problem linearised at the solution: all that reliability and covariance need."""

    #: The groups of the observations' blocks, then the prior as one block of the rows n to n + q,
    #: without readings.
    groups: tuple[BlockGroup, ...]
    #: whiteners, whole: Per group, shape (g, m, m). G with ``G M G' = I``, less what is set aside,
    #: and as it is with that.
    whiteners: tuple[np.ndarray, ...]
    whole: tuple[np.ndarray, ...]
    eliminated: tuple[Eliminated, ...]  #: Per group, what is set aside.
    a: np.ndarray | Bordered  #: Shape (n, p_free). A, free parameters only.
    by_readings: np.ndarray  #: Shape (n, k). B.
    raw: np.ndarray  #: Shape (n + q,). w over t - h, not whitened.
    whitened: np.ndarray | Bordered  #: Shape (n, p_free). A whitened.
    #: Shape (n + q,). Whitened w over whitened t - h: the residuals of the whitened problem.
    misclosure: np.ndarray
    prior_by_parameters: np.ndarray  #: Shape (q, p_free). H.

    @cached_property
    def by_parameters(self) -> np.ndarray:
        """A with all its columns over H, shape (n + q, p_free)."""
        return np.vstack([np.asarray(self.a), self.prior_by_parameters])

    def change(self, step: np.ndarray) -> np.ndarray:
        """A times a change of the free parameters, shape (n,)."""
        return self.a.times(step) if isinstance(self.a, Bordered) else self.a @ step

    @cached_property
    def design(self) -> np.ndarray:
        """Whitened A over whitened H, shape (n + q, p_free)."""
        return np.vstack([np.asarray(self.whitened), self.below])

    @cached_property
    def spectrum(self) -> Spectrum:
        return Spectrum.of(self.design if self._reduced is None else self._reduced)

    def spectrum_without(self, priors: int) -> Spectrum:
        """The spectrum of the design without the first of the whitened prior values."""
        below = self.below[priors:]
        return Spectrum.of(np.vstack([self.whitened, below]) if self._reduced is None
                           else reduced(self.whitened, below))

    def step(self) -> tuple[np.ndarray, float]:
        """The Gauss-Newton step, shape (p_free,), and its length: no parameter moves by more sds.

        From the normal equations: good enough for a step that others follow.

        Raises
        ------
        numpy.linalg.LinAlgError
            If they are singular.
        """
        small = self._reduced
        design = self.design if small is None else small.triangle
        misclosure = self.misclosure if small is None else small.lower(self.misclosure)
        norms = np.sqrt(np.einsum("ij,ij->j", design, design))
        scale = 1.0 / np.where(norms > 0, norms, 1.0)
        design = design * scale
        step = np.linalg.solve(design.T @ design, design.T @ misclosure)
        return scale * step, float(np.linalg.norm(design @ step))

    @cached_property
    def below(self) -> np.ndarray:
        """Whitened H."""
        below: np.ndarray = self.whiteners[-1][0] @ self.prior_by_parameters
        return below

    @cached_property
    def _reduced(self) -> Compressed | Tall | None:
        """The design with no more rows than columns; None of one that is small as it is."""
        if isinstance(self.whitened, Bordered) or len(self.whitened) >= MANY:
            return reduced(self.whitened, self.below)
        return None

    @property
    def unknown_errors(self) -> int:
        """How many unknowns were eliminated with what is set aside."""
        return sum(e.rank for e in self.eliminated)


def residual(reduced: Compressed | Tall, vector: np.ndarray) -> np.ndarray:
    """Q' of a vector, and the length of what Q does not reach; shape (t + 1,)."""
    lower = reduced.lower(vector)
    return np.append(lower, np.linalg.norm(vector - reduced.lift(lower)))


def reduced(matrix: np.ndarray | Bordered, below: np.ndarray) -> Compressed | Tall:
    """A whitened design over further rows, with no more rows than columns."""
    if isinstance(matrix, Bordered):
        return Compressed.of(matrix, below)
    return Tall.of(matrix, below)
