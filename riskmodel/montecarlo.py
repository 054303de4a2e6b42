"""Simulated lives: one fate for every posterior draw, portfolio and section.

The uniforms for score, susceptibility, compliance and ages are drawn once for each draw and section;
every portfolio transforms the same ones, so that a measure that helps never shortens a life.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import xarray as xr
from scipy.special import ndtri

from .hazard import LN2, expit
from .inputs import Inputs, Levels
from .lives import Draws, group_terms
from .measures import CURRENT_PRACTICE, NO_MEASURES, Delta, Portfolio, Requirements, deltas_of, selections_of, shifts_of
from .priors import PriorSet
from .quality import SCORED_ROOTS
from .streams import uniforms

__all__ = ["draw_fates", "draw_lives"]

Progress = Callable[[int, int, str], None]


def draw_lives(
    draws: Draws,
    programme: xr.Dataset,
    priors: PriorSet,
    portfolios: Sequence[Portfolio],
    *,
    seed: int,
    levels: Levels | None = None,
    score_shift: Mapping[str, float] | None = None,
    chunk: int = 64,
    workers: int = 1,
    renewal: int = 0,
    progress: Progress | None = None,
) -> np.ndarray:
    """Ages at failure.

    Parameters
    ----------
    draws : Draws
    programme : Dataset of kind `sections`
    priors : PriorSet
    portfolios : sequence of Portfolio
    seed : int
        The numbers depend on seed and section name alone, never on `chunk` or `workers`.
    chunk : int
        Sections worked at a time (memory).
    workers : int
        Threads.
    renewal : int
        Number of the overlay on the same road, 0 for the first. A later one has its own
        susceptibilities, ages and compliance and keeps the road's scores, group terms and requirements.

    Returns
    -------
    ndarray of float32 (sample, portfolio, section), years
    """
    count = programme.sizes["section"]
    out = np.empty((draws.count, len(portfolios), count), np.float32)
    pieces = [slice(start, min(start + chunk, count)) for start in range(0, count, chunk)]

    def work(piece: slice) -> None:
        part = programme.isel(section=piece)
        fates = _Fates.of(draws, part, priors, seed, levels or {}, score_shift, renewal)
        for j, portfolio in enumerate(portfolios):
            out[:, j, piece] = fates.ages(portfolio).T

    with ThreadPoolExecutor(workers) as pool:
        for done, _ in enumerate(pool.map(work, pieces), 1):
            if progress is not None:
                progress(done, len(pieces), "lives")
    return out


def draw_fates(
    draws: Draws, programme: xr.Dataset, priors: PriorSet, *, seed: int, chunk: int = 64
) -> tuple[np.ndarray, np.ndarray]:
    """Ages at failure and at wear-out of the same lives as `draw_lives` under current practice.

    A section fails early where its age at failure lies below that of its wear-out.

    Parameters
    ----------
    draws, programme, priors, seed, chunk
        As in `draw_lives`.

    Returns
    -------
    tuple of ndarray (sample, section), years
    """
    count, current = programme.sizes["section"], Portfolio(CURRENT_PRACTICE, reference=True)
    failed, worn = np.empty((draws.count, count)), np.empty((draws.count, count))
    for start in range(0, count, chunk):
        piece = slice(start, min(start + chunk, count))
        fates = _Fates.of(draws, programme.isel(section=piece), priors, seed, {}, None, 0)
        failed[:, piece], worn[:, piece] = fates.ages(current).T, fates.wear_ages(current).T
    return failed, worn


class _Fates:
    """Uniforms and portfolio-free quantities of a chunk of sections, arrays (section, sample, ...)."""

    def __init__(
        self,
        draws: Draws,
        part: xr.Dataset,
        priors: PriorSet,
        inputs: Inputs,
        asked: Requirements,
        seed: int,
        renewal: int = 0,
    ):
        self.draws, self.part, self.priors, self.inputs, self.asked = draws, part, priors, inputs, asked
        names, n = part["section"].values.astype(str), draws.count
        mechanisms, measures = len(priors.mechanisms), len(priors.measures)
        self.deltas: tuple[Delta, ...] = deltas_of(priors)
        u = uniforms(seed, "score", names, n, len(SCORED_ROOTS)).reshape(len(names), n, -1)
        self.scores = inputs.score_mean[:, None, :] + np.sqrt(inputs.score_variance)[:, None, :] * ndtri(u)
        again = f", renewal {renewal}" if renewal else ""
        self.wear_u = uniforms(seed, f"wear-out{again}", names, n)
        if mechanisms:
            self.susceptible_u = _mechanism_uniforms(seed, f"susceptible{again}", names, n, priors)
            self.age_u = _mechanism_uniforms(seed, f"age{again}", names, n, priors)
            self.terms = group_terms(draws, part, priors, seed)
        if measures:
            self.chosen = self._chosen(seed, names, n)
            self.comply_u = np.stack(
                [uniforms(seed, f"compliance {m.name}{again}", names, n) for m in priors.measures], axis=-1
            )

    @classmethod
    def of(
        cls,
        draws: Draws,
        part: xr.Dataset,
        priors: PriorSet,
        seed: int,
        levels: Levels,
        score_shift: Mapping[str, float] | None,
        renewal: int,
    ) -> _Fates:
        inputs = Inputs.of(part, priors, levels, score_shift=score_shift)
        return cls(draws, part, priors, inputs, Requirements.of(part, priors), seed, renewal)

    def _chosen(self, seed: int, names: np.ndarray, n: int) -> np.ndarray:
        """Whether the road was one for which the measure was chosen, bool (section, sample, measure)."""
        u = np.stack([uniforms(seed, f"required {m.name}", names, n) for m in self.priors.measures], axis=-1)
        recorded = self.asked.required[:, None, :]
        return np.where(np.isnan(recorded), u < self.asked.rate, recorded == 1.0)

    def _done(self, portfolio: Portfolio) -> np.ndarray:
        """Whether each measure was really done, bool (section, sample, measure)."""
        if portfolio.name == NO_MEASURES:
            return np.zeros_like(self.chosen)
        forced = Requirements.of(self.part, self.priors, portfolio).forced[:, None, :]
        verified = self.asked.verified[:, None, :] & self.chosen
        complied = self.comply_u < self.draws["compliance"][None, :, :]
        return verified | ((self.chosen | forced) & complied)

    def ages(self, portfolio: Portfolio) -> np.ndarray:
        """Age at failure under a portfolio, shape (section, sample), years."""
        done = self._done(portfolio) if self.priors.measures else None
        life = self._wear_ages(done)
        for r, root in enumerate(self.inputs.roots):
            for m in root.mechanisms:
                np.minimum(life, self._mechanism_ages(r, m, done), out=life)
        return life

    def wear_ages(self, portfolio: Portfolio) -> np.ndarray:
        """Age at wear-out under a portfolio, shape (section, sample), years."""
        return self._wear_ages(self._done(portfolio) if self.priors.measures else None)

    def _wear_ages(self, done: np.ndarray | None) -> np.ndarray:
        draws, inputs = self.draws, self.inputs
        log_median = np.log(draws["wear_out_median"])[:, inputs.types].T
        for d, driver in enumerate(self.priors.drivers):
            if driver.acts_on == ("wear_out",):
                log_median = log_median + inputs.drivers[:, d][:, None] * draws["driver_coefficient"][:, d]
        for k, measure in enumerate(self.priors.measures):
            if measure.time_ratio is not None and done is not None:
                where = done[:, :, k] & self._applicable(measure.applies_to)[:, None]
                log_median = log_median + where * np.log(draws["time_ratio"][:, k])
        shape = draws["wear_out_shape"][None, :]
        return np.exp(log_median) * (-np.log(self.wear_u) / LN2) ** (1.0 / shape)

    def _applicable(self, types: Sequence[str]) -> np.ndarray:
        names = np.array([t.name for t in self.priors.types])
        return np.isin(names, list(types))[self.inputs.types]

    def _mechanism_ages(self, r: int, m: int, done: np.ndarray | None) -> np.ndarray:
        """Age at failure by mechanism m, infinite where not susceptible, (section, sample)."""
        susceptible = (self.susceptible_u[:, :, m] < expit(self._log_odds(r, m, done))) & self.inputs.applies[
            :, m, None
        ]
        age = np.full(susceptible.shape, np.inf)
        i, s = np.nonzero(susceptible)
        if len(i):
            hazard = -np.log(self.age_u[i, s, m]) * np.exp(self._slowing(m, done, i, s))
            median, shape = self.draws["age_median"][s, m], self.draws["age_shape"][s, m]
            age[i, s] = median * (hazard / LN2) ** (1.0 / shape)
        return age

    def _log_odds(self, r: int, m: int, done: np.ndarray | None) -> np.ndarray:
        draws, inputs, root = self.draws, self.inputs, self.inputs.roots[r]
        eta = draws["intercept"][:, :, m][:, inputs.types].T + np.outer(inputs.decades, draws["year_slope"])
        for group in self.priors.groups:
            if root.name in group.roots and group.column in self.terms:
                eta = eta + self.terms[group.column].T
        for d, driver in enumerate(self.priors.drivers):
            if self.priors.mechanisms[m].name in driver.acts_on:
                eta = eta + np.outer(inputs.drivers[:, d], draws["driver_coefficient"][:, d])
        if root.name in SCORED_ROOTS:
            score = self.scores[:, :, SCORED_ROOTS.index(root.name)]
            for i, (k, name) in enumerate(shifts_of(self.priors)):
                if name == root.name and done is not None:
                    where = done[:, :, k] & self._applicable(self.priors.measures[k].applies_to)[:, None]
                    score = score + where * draws["score_shift_size"][:, i]
            eta = eta - draws["score_effect"][:, m] * score
        if done is None:
            return eta
        for i, (k, name) in enumerate(selections_of(self.priors)):
            if name == root.name:
                free = self.chosen[:, :, k] & ~self.asked.randomised[:, k][:, None]
                eta = eta + free * draws["selection"][:, i]
        for i, delta in enumerate(self.deltas):
            if delta.mechanism == m and delta.scale != "hazard_ratio":
                eta = eta - self._acting(delta, done) * draws["delta"][:, i]
        return eta

    def _acting(self, delta: Delta, done: np.ndarray) -> np.ndarray:
        return done[:, :, delta.measure] & delta.types[self.inputs.types][:, None]

    def _slowing(self, m: int, done: np.ndarray | None, i: np.ndarray, s: np.ndarray) -> np.ndarray:
        """Sum of the hazard-ratio effects that act, as a lowering of ln hazard, for the pairs (i, s)."""
        total = np.zeros(len(i))
        for number, delta in enumerate(self.deltas):
            if delta.mechanism == m and delta.scale == "hazard_ratio" and done is not None:
                total += self._acting(delta, done)[i, s] * self.draws["delta"][s, number]
        return total


def _mechanism_uniforms(seed: int, purpose: str, names: np.ndarray, n: int, priors: PriorSet) -> np.ndarray:
    """One stream a mechanism, so that adding one leaves the others' numbers unchanged."""
    return np.stack([uniforms(seed, f"{purpose} {m.name}", names, n) for m in priors.mechanisms], axis=-1)
