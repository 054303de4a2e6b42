"""Intercepts of one draw and their derivatives, compiled: `Baseline.intercepts` is the definition."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from scipy.special import expit

from .baseline import FLOOR, Baseline, early_part
from .hazard import failure_share, gauss_hermite
from .rowkernel import compiled_rows

__all__ = ["Intercepts", "Solved"]


@dataclass(frozen=True)
class Intercepts:
    """Solver of the intercepts of a prior set."""

    baseline: Baseline

    @cached_property
    def _given(self) -> tuple[Any, ...]:
        """Constants of the compiled solver, after the target."""
        life = self.baseline.life
        edge = failure_share(life.edges, life.median[:, None], life.shape[:, None])
        home = np.zeros(len(life.median), np.int64)
        for r, root in enumerate(life.roots):
            home[list(root.mechanisms)] = r
        return (
            life.applies, failure_share(life.early_age, life.median, life.shape),
            np.sqrt(1.0 + 0.346 * life.spread**2), self.baseline.anchor, life.spread, home, len(life.roots),
            np.ascontiguousarray(np.diff(edge, axis=1)), 0.5 * (edge[:, 1:] + edge[:, :-1]), life.wear_survival,
            *gauss_hermite(life.nodes),
        )  # fmt: skip

    @cached_property
    def _log_share(self) -> np.ndarray:
        return np.where(self.baseline.life.applies, self.baseline.log_share, -1e3)

    def solve(self, early: float, odds: np.ndarray, offset: np.ndarray | float) -> Solved:
        """Intercepts of one draw.

        Parameters
        ----------
        early : float
            Probability of failing early where the odds multiplier is 1.
        odds : ndarray (type,)
        offset : ndarray (mechanism,)
            ln shares relative to the table, before they are normalised.
        """
        below = 1.0 - early + early * odds
        total = early * odds / below
        weight = np.exp(self._log_share + offset)
        share = weight / weight.sum(axis=1)[:, None]
        part = early_part(total, self.baseline.life.wear_failures)
        target = part[:, None] * share
        out, slopes = np.empty(target.shape), np.empty((*target.shape, target.shape[1]))
        compiled_rows()[2](target, self._given, out, slopes)
        soft = expit((total - self.baseline.life.wear_failures) / FLOOR)
        return Solved(out, slopes, share, part, soft * odds / below**2, soft * early * (1.0 - early) / below**2)


@dataclass(frozen=True)
class Solved:
    """Intercepts (type, mechanism) and what their derivatives need."""

    intercept: np.ndarray
    slopes: np.ndarray
    share: np.ndarray
    part: np.ndarray
    per_early: np.ndarray
    per_odds: np.ndarray

    def back(self, bar: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Derivatives to early failures, odds multipliers (type,) and offsets (mechanism,) from that to the
        intercepts."""
        target = np.einsum("tm,tmk->tk", bar, self.slopes)
        part = (target * self.share).sum(axis=1)
        offset = (self.share * (target * self.part[:, None] - (part * self.part)[:, None])).sum(axis=0)
        return float(part @ self.per_early), part * self.per_odds, offset
