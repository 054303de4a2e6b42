"""Log-likelihood of new sections' records at every draw at once: the NumPy twin of `likelihood`.

The same sum over age cells as the sampler's graph, for sections that are surveyed once a year and
differ from each other only by profile, readings and removal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from .cells import AgeGrid
from .condition import Condition
from .lives import Draws
from .newsections import NewLives
from .trial import FAR_BELOW, NOT_RECORDED, READ, READ_AT_CAP, Outcomes, early_kappa, rater_of, start_of

__all__ = ["DrawLikelihood", "trial_log_likelihood"]

Progress = Callable[[int, int, str], None]
TINY = 1e-30
ROOT_TWO_PI = float(np.sqrt(2.0 * np.pi))


@dataclass(frozen=True)
class _Facts:
    """What is known of one section besides its readings' values."""

    profile: int
    removed: float
    years: int
    last_used: float


class DrawLikelihood:
    """Likelihood of yearly records of new sections under every draw.

    Parameters
    ----------
    draws : Draws
    lives : NewLives
        Of the table of profiles.
    condition : Condition
    years : int
        Longest series of yearly readings.
    grid : AgeGrid
    """

    def __init__(self, draws: Draws, lives: NewLives, condition: Condition, *, years: int, grid: AgeGrid | None = None):
        self.draws, self.lives, self.condition = draws, lives, condition
        self.grid = grid or AgeGrid()
        self.times = np.arange(1.0, years + 1)
        self.start, self.noise, self.rater = start_of(draws, condition), draws["noise"], rater_of(draws)
        self.end = float(condition.to_z(condition.threshold))
        self.lag = draws["removal_lag"] / 2.0
        self.log_wear = lives.log_wear_survival(self.grid.edges)
        self.early = lives.early_survival(self.grid.edges)
        self.kappas = (draws["kappa"], early_kappa(draws))
        # powers of the readings' ages and of the cells' ages, about ten years
        self.power = [np.exp(np.outer(k, np.log(self.times / 10.0))) for k in self.kappas]
        self.slope = [np.exp(np.outer(-k, np.log(self.grid.ages / 10.0))) for k in self.kappas]
        self._cache: dict[_Facts, tuple[slice, np.ndarray, np.ndarray]] = {}

    @cached_property
    def lagged(self) -> bool:
        """Whether removal comes some years after the threshold."""
        return bool((self.lag > 0).any())

    def section(
        self, profile: int, z: np.ndarray, status: np.ndarray, removed: float, cause: int = NOT_RECORDED
    ) -> np.ndarray:
        """Log-likelihood of one section's records, (sample,).

        Parameters
        ----------
        profile : int
            Row of the table of profiles.
        z, status : ndarray (year,)
            Readings one, two, ... years after opening.
        removed : float
            Age at removal because of condition; infinite if in service at the last survey.
        cause : int
            Recorded cause of the removal, mechanisms then wear-out.
        """
        used, capped = np.flatnonzero(status == READ), np.flatnonzero(status == READ_AT_CAP)
        below = np.flatnonzero(status == FAR_BELOW)[:1]
        last = self.times[max(used.max(initial=-1), capped.max(initial=-1))] if len(used) + len(capped) else 0.0
        cells, worn, early = self._masses(_Facts(profile, removed, len(z), float(last)))
        if cause != NOT_RECORDED:
            worn_label, early_label = self._label(profile, cause, cells)
            worn, early = worn * worn_label, early * early_label
        if not len(used) + len(capped) + len(below):
            return np.log((worn + early).sum(axis=1) + TINY)
        density, level = self._density(cells, used, z[used], self._one_sided(capped, below))
        total = (worn * density[0] + early * density[1]).sum(axis=1)
        return np.log(total + 1e-300) + level - len(used) * np.log(ROOT_TWO_PI * self.noise)

    # ------------------------------------------------------------------------- life and exit

    def _masses(self, facts: _Facts) -> tuple[slice, np.ndarray, np.ndarray]:
        """Cells that count, and their wear-out and early probability with the exit, each (sample, cell)."""
        found = self._cache.get(facts)
        if found is None:
            found = self._new_masses(facts)
            if not np.isfinite(facts.removed):  # ages at removal do not come twice
                self._cache[facts] = found
        return found

    def _new_masses(self, facts: _Facts) -> tuple[slice, np.ndarray, np.ndarray]:
        lower, upper = 0.0, AgeGrid.FOREVER
        stays = not np.isfinite(facts.removed)
        if not self.lagged:
            lower, upper = (float(facts.years), upper) if stays else (0.0, facts.removed)
        cells = self._cells(facts, lower, upper)
        edges = self.grid.edges[cells.start : cells.stop + 1]
        log_wear = self.log_wear[:, facts.profile, cells.start : cells.stop + 1]
        early = self.early[:, facts.profile, cells.start : cells.stop + 1]
        for bound, outside in ((lower, edges < lower), (upper, edges > upper)):
            if outside.any():
                own_wear, own_early = self._at(facts.profile, bound)
                log_wear, early = np.where(outside, own_wear, log_wear), np.where(outside, own_early, early)
        fall = np.minimum(log_wear[:, 1:] - log_wear[:, :-1], -TINY)
        worn = np.exp(log_wear[:, :-1]) * -np.expm1(fall) * (0.5 * (early[:, :-1] + early[:, 1:]) + TINY)
        failed = np.maximum(early[:, :-1] - early[:, 1:], 0.0) + TINY
        failed = failed * np.exp(log_wear[:, :-1]) * (0.5 + 0.5 * np.exp(fall))
        if self.lagged:
            cut = np.minimum(np.clip(edges, lower, upper), self.grid.open_age)
            exits = self._exit(facts, cut)
            worn, failed = worn * exits, failed * exits
        return cells, worn, failed

    def _at(self, profile: int, age: float) -> tuple[np.ndarray, np.ndarray]:
        """ln wear-out survival and early survival at one age, each (sample, 1)."""
        at = np.array([age])
        return self.lives.log_wear_survival(at)[:, profile], self.lives.early_survival(at)[:, profile]

    def _cells(self, facts: _Facts, lower: float, upper: float) -> slice:
        """Cells within the bounds, before the removal, and not far younger than the last used reading."""
        edges, ages = self.grid.edges, self.grid.ages
        overlaps = (edges[1:] > lower) & (edges[:-1] < upper) & (edges[:-1] < facts.removed)
        both = overlaps & (ages >= 0.5 * facts.last_used)
        kept = np.flatnonzero(both if both.any() else overlaps)
        return slice(int(kept[0]), int(kept[-1]) + 1)

    def _exit(self, facts: _Facts, cut: np.ndarray) -> np.ndarray:
        """P(removed at its age) or P(still in service) averaged over each cell, (sample, cell)."""
        widths = np.maximum(np.diff(cut), 1e-9)
        scale = self.lag[:, None]
        if np.isfinite(facts.removed):
            years = np.maximum(facts.removed - cut, 0.0) / scale
            later = (1.0 + years) * np.exp(-years)
            return np.maximum(later[:, 1:] - later[:, :-1], 0.0) / widths + TINY
        after = facts.years - cut
        years, beyond = np.maximum(after, 0.0), np.maximum(-after, 0.0)
        tail = (2.0 * scale + years) * np.exp(-years / scale)
        return (tail[:, 1:] - tail[:, :-1] + np.diff(beyond)) / widths + TINY

    @cached_property
    def shares(self) -> np.ndarray:
        """Share of each mechanism in each cell's early failures, (sample, section, mechanism, cell)."""
        return self.lives.cause_shares(self.grid.edges, self.grid.ages)

    def _label(self, profile: int, cause: int, cells: slice) -> tuple[np.ndarray, np.ndarray]:
        """P(this cause is recorded) given wear-out (sample, 1) and given an early failure (sample, cell)."""
        error = self.draws["label_error"][:, None]
        applies = self.lives.applies[profile]
        chance = error / (applies.sum() + 1.0)
        if cause == len(applies):
            return 1.0 - error + chance, np.broadcast_to(chance, (len(error), cells.stop - cells.start))
        return chance, (1.0 - error) * self.shares[:, profile, cause, cells] + chance

    # ------------------------------------------------------------------------------ readings

    def _density(
        self, cells: slice, used: np.ndarray, z: np.ndarray, sided: list[tuple[float, float, float]]
    ) -> tuple[list[np.ndarray], np.ndarray]:
        """Density of the readings under wear-out and under early failure, over exp(level), (sample, cell)."""
        ratio = (self.draws["start_spread"] / self.noise) ** 2
        sums = [self._sums(kind, cells, used, z) for kind in (0, 1)]
        spread = [1.0 + ratio[:, None] * hh for _, _, hh in sums]
        scale = (-0.5 / self.noise**2)[:, None]
        power = [scale * (rr - ratio[:, None] * hr**2 / gain) for (rr, hr, _), gain in zip(sums, spread, strict=True)]
        level = np.maximum(power[0].max(axis=1), power[1].max(axis=1))
        density = [np.exp(p - level[:, None]) / np.sqrt(gain) for p, gain in zip(power, spread, strict=True)]
        for kind in (0, 1) if sided else ():
            known = ratio[:, None] * sums[kind][1] / spread[kind]
            variance = self.draws["start_spread"][:, None] ** 2 / spread[kind]
            density[kind] *= self._tails(kind, cells, sided, known, variance)
        return density, level

    def _one_sided(self, capped: np.ndarray, below: np.ndarray) -> list[tuple[float, float, float]]:
        """(age, limit, side) of the readings at the cap and of the first one far below, in order of age."""
        condition = self.condition
        top = float(condition.to_z(condition.highest))
        low = float(condition.to_z(max(condition.threshold - condition.far_below, condition.lowest)))
        return [*((self.times[j], top, 1.0) for j in capped), *((self.times[j], low, -1.0) for j in below)]

    def _tails(
        self,
        kind: int,
        cells: slice,
        sided: list[tuple[float, float, float]],
        known: np.ndarray,
        variance: np.ndarray,
    ) -> np.ndarray:
        """P(one-sided readings on their sides), one after the other, (sample, cell); see `likelihood`."""
        total = np.ones_like(known)
        for turn, (time, limit, side) in enumerate(sided):
            mean, loading = self._path(kind, cells, time)
            s2 = self.noise[:, None] ** 2 + loading**2 * variance
            s = np.sqrt(s2)
            t = np.maximum(side * (mean + loading * known - (limit - self.rater[:, None])) / s, -35.0)
            tail = ndtr(t)
            total *= tail
            if turn + 1 < len(sided):
                mills = np.exp(-0.5 * t**2) / (ROOT_TWO_PI * tail)
                known = known + side * variance * loading * mills / s
                variance = variance - (variance * loading) ** 2 * mills * (mills + t) / s2
        return total

    def _sums(
        self, kind: int, cells: slice, used: np.ndarray, z: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sums of r^2, h r and h^2 over the used readings, each (sample, cell)."""
        if self.condition.path != "power_z":
            return self._sums_by_reading(kind, cells, used, z)
        drop, n, start = self.end - self.start, float(len(used)), self.start + self.rater
        power, slope = self.power[kind][:, used], self.slope[kind][:, cells]
        t1, t2, tz = power.sum(axis=1), (power**2).sum(axis=1), power @ z
        w1 = z.sum() - n * start
        w2 = (z**2).sum() - 2.0 * start * z.sum() + n * start**2
        w = tz - start * t1

        def quadratic(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> np.ndarray:
            return a[:, None] + slope * (b[:, None] + slope * c[:, None])

        rr = quadratic(w2, -2.0 * drop * w, drop**2 * t2)
        hr = quadratic(w1, -drop * t1 - w, drop * t2)
        hh = quadratic(np.full_like(t1, n), -2.0 * t1, t2)
        return rr, hr, hh

    def _sums_by_reading(
        self, kind: int, cells: slice, used: np.ndarray, z: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        zero = np.zeros((self.draws.count, cells.stop - cells.start))
        rr, hr, hh = zero, zero, zero
        for time, reading in zip(self.times[used], z, strict=True):
            mean, loading = self._path(kind, cells, time)
            residual = reading - self.rater[:, None] - mean
            rr, hr, hh = rr + residual**2, hr + loading * residual, hh + loading**2
        return rr, hr, hh

    def _path(self, kind: int, cells: slice, time: float) -> tuple[np.ndarray, np.ndarray]:
        """Mean reading and its derivative to the built-in condition, (sample, cell)."""
        log_ratio = np.minimum(np.log(time) - np.log(self.grid.ages[cells]), 3.0)
        x = np.exp(np.outer(self.kappas[kind], log_ratio))
        start, condition = self.start[:, None], self.condition
        if condition.path != "power_y":
            bent = x if condition.path == "power_z" else 2.0 * x / (1.0 + x)
            return start * (1.0 - bent) + self.end * bent, 1.0 - bent
        s = condition.stretch
        gap_at_start = np.expm1(-s * start) / s if s else -start
        gap = gap_at_start * (1.0 - x) + (condition.highest - condition.threshold) * x
        if not s:
            return -gap, 1.0 - x
        return -np.log1p(s * gap) / s, (1.0 - x) * (1.0 + s * gap_at_start) / (1.0 + s * gap)


def trial_log_likelihood(
    fit: DrawLikelihood,
    outcomes: Outcomes,
    sizes: Sequence[int],
    *,
    calm: DrawLikelihood | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> np.ndarray:
    """Log-likelihood of simulated trials of several sizes at every draw.

    Parameters
    ----------
    fit : DrawLikelihood
    outcomes : Outcomes
        Sections in pairs, treated before control; a smaller trial is the first pairs.
    sizes : sequence of int
        Pairs, ascending.
    calm : DrawLikelihood, optional
        Serves sections to which nothing happens (`Outcomes.calm`): what they say is smooth in the age at
        failure, so that a coarser grid does.
    workers : int
        Threads; the numbers do not depend on them.
    progress : callable (done, total, text), optional

    Returns
    -------
    ndarray (size, trial, sample)
    """
    trials = len(outcomes.origin)
    out = np.zeros((len(sizes), trials, fit.draws.count))
    smooth = outcomes.calm

    def section(trial: int, i: int) -> np.ndarray:
        chosen = calm if calm is not None and smooth[trial, i] else fit
        z, status = outcomes.z[trial, i], outcomes.status[trial, i]
        removed, cause = float(outcomes.age_removed[trial, i]), int(outcomes.cause[trial, i])
        return chosen.section(int(outcomes.profile[i]), z, status, removed, cause)

    def work(trial: int) -> None:
        total, built = np.zeros(fit.draws.count), 0
        for number, size in enumerate(sizes):
            for i in range(built, 2 * size):
                total = total + section(trial, i)
            built = 2 * size
            out[number, trial] = total

    with ThreadPoolExecutor(workers) as pool:
        for done, _ in enumerate(pool.map(work, range(trials)), 1):
            if progress is not None:
                progress(done, trials, f"trials of {outcomes.years} years")
    return out
