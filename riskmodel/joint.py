"""How prior quantities go together: a Gaussian copula over marginals that stay as they are stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

__all__ = ["Joint"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Joint:
    """A Gaussian copula of prior quantities.

    Parameters
    ----------
    quantities : tuple of str
        Keys in the prior files (see `places.Place`).
    correlation : ndarray (quantity, quantity)
        Of the normal scores z = Phi^-1(F(x)), F the marginal; positive definite.
    marginals : tuple of str
        The marginals that it goes with, in words.
    left_out : tuple of str
        Quantities that a study states anew, which are taken alone.

    Notes
    -----
    The density is the product of the marginals times N(z; 0, R) / prod N(z). (R. B. Nelsen, An Introduction to
    Copulas, Springer 2006, section 3.1; page not seen.)
    """

    quantities: tuple[str, ...]
    correlation: Floats
    marginals: tuple[str, ...]
    left_out: tuple[str, ...] = ()

    def among(self, wanted: Sequence[str]) -> Joint:
        """The copula of some of the quantities, in their order here: its margin."""
        keep = [i for i, name in enumerate(self.quantities) if name in set(wanted)]
        names, words = (tuple(texts[i] for i in keep) for texts in (self.quantities, self.marginals))
        return Joint(names, self.correlation[np.ix_(keep, keep)], words, self.left_out)

    def keeping(self, marginals: Mapping[str, str]) -> Joint:
        """Without the quantities that `marginals` state otherwise, or not at all."""
        same = [q for q, words in zip(self.quantities, self.marginals, strict=True) if marginals.get(q) == words]
        changed = tuple(q for q in self.quantities if q not in same)
        kept = self.among(same)
        return Joint(kept.quantities, kept.correlation, kept.marginals, (*self.left_out, *changed))

    @cached_property
    def excess_precision(self) -> Floats:
        """R^-1 - I, (quantity, quantity)."""
        return np.linalg.inv(self.correlation) - np.eye(len(self.quantities))

    @cached_property
    def log_determinant(self) -> float:
        """ln |R|."""
        return float(np.linalg.slogdet(self.correlation)[1])

    def log_ratio(self, scores: Floats) -> Floats:
        """Log of the joint density over the product of the marginals, at normal scores (sample, quantity)."""
        square = np.einsum("si,ij,sj->s", scores, self.excess_precision, scores)
        return -0.5 * (square + self.log_determinant)

    def scores(self, rng: np.random.Generator, count: int) -> Floats:
        """Normal scores drawn from the copula, (count, quantity)."""
        return rng.standard_normal((count, len(self.quantities))) @ np.linalg.cholesky(self.correlation).T
