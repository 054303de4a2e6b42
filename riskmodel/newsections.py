"""Lives of sections not yet built, in closed form over all draws at once.

The model of `lives` with the sample as a dimension of every array. Terms of a contract, contractor or
district that the draws do not know are averaged together with the quality score, as `model` averages
the terms that a section's records do not name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import xarray as xr

from .hazard import LN2, Root, expit, gauss_hermite, subset_products, subset_signs
from .inputs import Inputs
from .lives import Draws, delta_members
from .measures import Mixture
from .priors import PriorSet

__all__ = ["NewLives", "RootMoments", "cause_shares", "lives_of", "new_lives"]

TINY = 1e-30


@dataclass(frozen=True)
class RootMoments:
    """One root cause of every section at every draw.

    Parameters
    ----------
    moments : ndarray (sample, section, pattern * subset)
        Signed subset moments of the susceptibilities.
    median, shape : ndarray (sample, mechanism of the root)
    speed : ndarray (sample, pattern, mechanism of the root)
    """

    moments: np.ndarray
    median: np.ndarray
    shape: np.ndarray
    speed: np.ndarray

    def failed(self, ages: np.ndarray) -> np.ndarray:
        """F of each mechanism, (sample, pattern, mechanism, age), at ages (age,), years."""
        log_ages = np.log(np.maximum(ages, 1e-9))
        exponent = self.shape[:, :, None] * (log_ages - np.log(self.median)[:, :, None])
        hazard = LN2 * np.exp(np.minimum(exponent, 30.0))
        return -np.expm1(-self.speed[:, :, :, None] * hazard[:, None])

    def survival(self, ages: np.ndarray) -> np.ndarray:
        """Survival of the root's mechanisms, (sample, section, age), at ages (age,), years."""
        failed = self.failed(ages)
        return self.moments @ _products([failed[:, :, m] for m in range(failed.shape[2])], failed[:, :, 0])

    def increments(self, edges: np.ndarray, middle: np.ndarray) -> np.ndarray:
        """P(mechanism strikes in each cell, others of the root not before), (sample, section, mechanism, cell).

        Parameters
        ----------
        edges : ndarray (cell + 1,), years
        middle : ndarray (cell,), years
            Where the other mechanisms of the root are taken.
        """
        step, at_middle = np.diff(self.failed(edges), axis=3), self.failed(middle)
        count = step.shape[2]
        numbers, out = np.arange(1 << count), []
        for m in range(count):
            factors = [step[:, :, j] if j == m else at_middle[:, :, j] for j in range(count)]
            # only subsets that hold the mechanism change with its F
            signed = self.moments * np.tile((numbers >> m) & 1, self.moments.shape[2] >> count)
            out.append(np.maximum(-(signed @ _products(factors, step[:, :, 0])), 0.0))
        return np.stack(out, axis=2)


def _products(factors: Sequence[np.ndarray], like: np.ndarray) -> np.ndarray:
    """Products of every subset of `factors` (sample, pattern, age), shape (sample, pattern * subset, age)."""
    products = np.stack(subset_products(factors, np.ones_like(like)), axis=2)
    return products.reshape(len(products), -1, products.shape[-1])


@dataclass(frozen=True)
class NewLives:
    """Survival of new sections at every draw, wear-out and early failure apart.

    Parameters
    ----------
    roots : tuple of RootMoments
    wear : Mixture
        States that change the wear-out age.
    wear_log_median : ndarray (sample, row)
        ln of the median age at wear-out of each row of `wear`.
    wear_weight : ndarray (sample, row)
    wear_shape : ndarray (sample,)
    applies : ndarray of bool (section, mechanism)
    members : tuple of tuple of int
        Mechanisms of each root.
    """

    roots: tuple[RootMoments, ...]
    wear: Mixture
    wear_log_median: np.ndarray
    wear_weight: np.ndarray
    wear_shape: np.ndarray
    applies: np.ndarray
    members: tuple[tuple[int, ...], ...]

    @property
    def sections(self) -> int:
        """Number of sections."""
        return len(self.applies)

    def of_draw(self, sample: int) -> NewLives:
        """The lives at one draw alone."""
        at = slice(sample, sample + 1)
        roots = tuple(RootMoments(r.moments[at], r.median[at], r.shape[at], r.speed[at]) for r in self.roots)
        rows = self.wear_log_median[at], self.wear_weight[at], self.wear_shape[at]
        return NewLives(roots, self.wear, *rows, self.applies, self.members)

    def early_survival(self, ages: np.ndarray) -> np.ndarray:
        """P(no early mechanism has struck), (sample, section, age), at ages (age,), years."""
        if not self.roots:
            return np.ones((len(self.wear_shape), self.sections, len(ages)))
        return np.multiply.reduce([root.survival(ages) for root in self.roots])

    def log_wear_survival(self, ages: np.ndarray) -> np.ndarray:
        """ln P(not worn out), (sample, section, age), at ages (age,), years."""
        log_ages = np.log(np.maximum(ages, 1e-9))
        exponent = self.wear_shape[:, None, None] * (log_ages - self.wear_log_median[:, :, None])
        hazard = LN2 * np.exp(np.clip(exponent, -500.0, 30.0))
        if self._plain:
            return -hazard
        alive = self.wear_weight[:, :, None] * np.exp(-np.minimum(hazard, 600.0))
        out = np.zeros((len(alive), self.sections, len(ages)))
        for row, section in enumerate(self.wear.section):
            out[:, section] += alive[:, row]
        return np.log(out)

    def cause_shares(self, edges: np.ndarray, middle: np.ndarray) -> np.ndarray:
        """Share of each cell's early failures by mechanism, (sample, section, mechanism, cell); see the function."""
        return cause_shares(self.roots, self.members, self.applies.shape, edges, middle)

    @cached_property
    def _plain(self) -> bool:
        """Whether each section has one row, certain."""
        return not self.wear.stretch.any()


def cause_shares(
    roots: Sequence[RootMoments],
    members: Sequence[Sequence[int]],
    shape: tuple[int, ...],
    edges: np.ndarray,
    middle: np.ndarray,
) -> np.ndarray:
    """Share of each cell's early failures that each mechanism causes, (sample, section, mechanism, cell).

    Between roots a cell's failures are shared out by the fall of log survival, within a root by the
    mechanisms' increments, as `likelihood` does.

    Parameters
    ----------
    roots : sequence of RootMoments
    members : sequence of sequence of int
        Mechanisms of each root.
    shape : tuple of int
        Sections, mechanisms.
    edges : ndarray (cell + 1,), years
    middle : ndarray (cell,), years
    """
    out = np.zeros((len(roots[0].moments) if roots else 1, *shape, len(middle)))
    total = np.full((len(out), shape[0], len(middle)), TINY)
    for root, mine in zip(roots, members, strict=True):
        survival = np.maximum(root.survival(edges), TINY)
        fall = np.maximum(-np.diff(np.log(survival), axis=2), 0.0)
        parts = root.increments(edges, middle)
        out[:, :, list(mine)] = fall[:, :, None] * parts / (parts.sum(axis=2, keepdims=True) + TINY)
        total += fall
    return out / total[:, :, None]


def new_lives(draws: Draws, sections: xr.Dataset, priors: PriorSet, *, nodes: int = 7) -> NewLives:
    """Closed-form lives of a table of new sections at every draw.

    Parameters
    ----------
    draws : Draws
    sections : Dataset of kind `sections`
        Their contract, contractor and district are not read: all are new.
    priors : PriorSet
    nodes : int
        Gauss-Hermite nodes over score and group terms together.
    """
    return lives_of(draws, Inputs.of(sections, priors, {}), priors, nodes=nodes)


def lives_of(draws: Draws, inputs: Inputs, priors: PriorSet, *, nodes: int = 7) -> NewLives:
    """The same for inputs already taken from a table; groups whose level they name keep that level's term."""
    roots = tuple(_root(draws, priors, inputs, r, nodes) for r in range(len(inputs.roots)))
    members = tuple(root.mechanisms for root in inputs.roots)
    mixture = inputs.wear
    log_median = np.log(draws["wear_out_median"])[:, inputs.types]
    for d, driver in enumerate(priors.drivers):
        if driver.acts_on == ("wear_out",):
            log_median = log_median + np.outer(draws["driver_coefficient"][:, d], inputs.drivers[:, d])
    if not mixture.stretch.any():
        weight = np.ones((draws.count, inputs.sections))
        return NewLives(roots, mixture, log_median, weight, draws["wear_out_shape"], inputs.applies, members)
    rows = log_median[:, mixture.section] + np.log(draws["time_ratio"]) @ mixture.stretch.T
    weight = _row_probability(draws, mixture)
    return NewLives(roots, mixture, rows, weight, draws["wear_out_shape"], inputs.applies, members)


def _root(draws: Draws, priors: PriorSet, inputs: Inputs, r: int, nodes: int) -> RootMoments:
    root, mixture = inputs.roots[r], inputs.mixtures[r]
    members = list(root.mechanisms)
    slow = np.ones((draws.count, len(mixture.patterns), len(members)))
    if mixture.slows.any():
        slowed = mixture.patterns[:, :, None] * delta_members(priors, members)
        slow = np.exp(-np.einsum("sd,pdm->spm", draws["delta"], slowed))
    moments = _moments(draws, priors, inputs, root, mixture, nodes)
    return RootMoments(moments, draws["age_median"][:, members], draws["age_shape"][:, members], slow)


def _moments(draws: Draws, priors: PriorSet, inputs: Inputs, root: Root, mixture: Mixture, nodes: int) -> np.ndarray:
    """(-1)^|A| E[prod over A of susceptibility], summed over rows, (sample, section, pattern * subset)."""
    members = list(root.mechanisms)
    beta = draws["score_effect"][:, members]
    mean, sd = inputs.score_of(root)
    level = np.broadcast_to(mean[mixture.section], (draws.count, len(mixture.section)))
    if mixture.shift.any():
        level = level + draws["score_shift_size"] @ mixture.shift.T
    centre = _log_odds(draws, priors, inputs, root, mixture) - level[:, :, None] * beta[:, None, :]
    unknown = _new_variance(draws, priors, inputs, root)[:, mixture.section, None]
    spread = np.sqrt((sd[mixture.section][:, None] * beta[:, None, :]) ** 2 + unknown)
    x, w = gauss_hermite(nodes)
    applies = inputs.applies[mixture.section][:, members]
    patterns, subsets = len(mixture.patterns), 1 << len(members)
    rows = np.zeros((draws.count, len(mixture.section), subsets))
    for node, part in zip(x, w, strict=True):
        pi = expit(centre - spread * node) * applies
        products = subset_products([pi[:, :, m] for m in range(len(members))], np.ones(pi.shape[:2]))
        rows += part * np.stack(products, axis=-1)
    rows *= subset_signs(len(members)) * _row_probability(draws, mixture)[:, :, None]
    out = np.zeros((draws.count, inputs.sections, patterns, subsets))
    for row, (section, pattern) in enumerate(zip(mixture.section, mixture.pattern, strict=True)):
        out[:, section, pattern] += rows[:, row]
    return out.reshape(draws.count, inputs.sections, patterns * subsets)


def _log_odds(draws: Draws, priors: PriorSet, inputs: Inputs, root: Root, mixture: Mixture) -> np.ndarray:
    """Log-odds at score 0, (sample, row, mechanism of the root)."""
    members = list(root.mechanisms)
    eta = draws["intercept"][:, :, members][:, inputs.types]
    eta = eta + np.outer(draws["year_slope"], inputs.decades)[:, :, None]
    for group in priors.groups:
        position = inputs.group.get(group.column)
        if root.name in group.roots and position is not None and (position >= 0).any():
            term = draws[f"{group.column}_effect"][:, np.maximum(position, 0)]
            eta = eta + np.where(position >= 0, term, 0.0)[:, :, None]
    names = [priors.mechanisms[m].name for m in members]
    for d, driver in enumerate(priors.drivers):
        acts = np.isin(names, list(driver.acts_on))
        if acts.any():
            eta = eta + np.outer(draws["driver_coefficient"][:, d], inputs.drivers[:, d])[:, :, None] * acts
    eta = eta[:, mixture.section]
    if mixture.chosen.any():
        eta = eta + (draws["selection"] @ mixture.chosen.T)[:, :, None]
    if mixture.acts.any():
        onto = mixture.acts[:, :, None] * delta_members(priors, members)
        eta = eta - np.einsum("sd,rdm->srm", draws["delta"], onto)
    return eta


def _new_variance(draws: Draws, priors: PriorSet, inputs: Inputs, root: Root) -> np.ndarray:
    """Variance of the terms of new contracts, contractors and districts on this root, (sample, section)."""
    out = np.zeros((draws.count, inputs.sections))
    for group in priors.groups:
        if root.name in group.roots and f"{group.column}_sd" in draws:
            new = inputs.group.get(group.column, np.full(inputs.sections, -1)) < 0
            out += draws[f"{group.column}_sd"][:, None] ** 2 * new
    return out


def _row_probability(draws: Draws, mixture: Mixture) -> np.ndarray:
    """Probability of each state, (sample, row)."""
    if not (mixture.comply.any() or mixture.lapse.any()):
        return np.broadcast_to(mixture.weight, (draws.count, len(mixture.weight)))
    c = draws["compliance"]
    log_c, log_not = np.log(np.maximum(c, 1e-12)), np.log1p(-np.minimum(c, 1.0 - 1e-12))
    return mixture.weight * np.exp(log_c @ mixture.comply.T + log_not @ mixture.lapse.T)
