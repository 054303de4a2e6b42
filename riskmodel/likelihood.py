"""Log-likelihood of every section: the sum over the cells of its latent age at failure.

Symbolic (PyTensor). The module takes susceptibility moments, ages and path parameters as given and
does the sum over cells; how parameters lead to them is `model`'s business. All in log space.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytensor.tensor as pt

from .agelaws import cumulative_hazard, log_normal_cdf
from .cells import LARGEST_POWER, CellData
from .hazard import WEIBULL, subset_products

__all__ = [
    "CellWeights",
    "EarlyTerms",
    "LabelTerms",
    "PathTerms",
    "WearTerms",
    "cell_weights",
    "section_log_likelihood",
]

Tensor = Any
TINY = 1e-30


@dataclass(frozen=True)
class EarlyTerms:
    """Early mechanisms, root by root; roots with fewer mechanisms are padded to the same `slots`.

    Parameters
    ----------
    moments : tensor (root, section, pattern * subset)
        (-1)^|A| E[prod over m in A of susceptibility; pattern], subsets in `subset_products` order.
    median, shape : tensor (root, slot)
        Years, dimensionless.
    speed : tensor (root, pattern, slot)
        Multiplier of the cumulative hazard (hazard-ratio effects), 1 where none acts.
    roots, slots : int
    in_use : ndarray of int (root, 2), optional
        Slots and patterns of each root that are no padding.
    law : {"weibull", "lognormal"}
        Of the ages (see `cumulative_hazard`).
    """

    moments: Tensor
    median: Tensor
    shape: Tensor
    speed: Tensor
    roots: int
    slots: int
    in_use: np.ndarray | None = None
    law: str = WEIBULL

    def failed(self, ages: np.ndarray) -> Tensor:
        """F of every mechanism at `ages` (age,), tensor (root, pattern, slot, age)."""
        log_ages = np.log(np.maximum(ages, 1e-9))
        exponent = self.shape[:, :, None] * (log_ages - pt.log(self.median)[:, :, None])
        hazard = cumulative_hazard(exponent, self.law)
        return 1.0 - pt.exp(-self.speed[:, :, :, None] * hazard[:, None])

    def products(self, failed: Tensor, leave_out: int | None = None) -> Tensor:
        """Subset products of F, tensor (root, pattern * subset, age).

        With `leave_out` they are the derivatives to that slot's F.
        """
        one = pt.ones_like(failed[:, :, 0])
        factors = [one if m == leave_out else failed[:, :, m] for m in range(self.slots)]
        rows = subset_products(factors, one)
        if leave_out is not None:
            rows = [row if number >> leave_out & 1 else pt.zeros_like(one) for number, row in enumerate(rows)]
        stacked = pt.stack(rows, axis=2)
        return stacked.reshape((self.roots, stacked.shape[1] * (1 << self.slots), stacked.shape[3]))

    def survival_by_root(self, ages: np.ndarray) -> Tensor:
        """E over each root's score of the survival of its mechanisms, tensor (root, section, age)."""
        return pt.matmul(self.moments, self.products(self.failed(ages)))

    def survival_at_own(self, ages: np.ndarray) -> Tensor:
        """Survival of all mechanisms at ages (bound, section), tensor (bound, section)."""
        products = self.products(self.failed(ages.ravel()))
        products = products.reshape((self.roots, products.shape[1], *ages.shape))
        by_root = (self.moments[:, None] * products.dimshuffle(0, 2, 3, 1)).sum(axis=3)
        return by_root.prod(axis=0)


@dataclass(frozen=True)
class WearTerms:
    """Wear-out.

    Parameters
    ----------
    log_median : tensor (row,)
        ln of the median age, one row for each state of each section.
    weight : tensor (row,) or None
        Probability of the row; None where each section has one row.
    section : ndarray of int (row,)
    shape : tensor scalar
    law : {"weibull", "lognormal"}
    """

    log_median: Tensor
    weight: Tensor | None
    section: np.ndarray
    shape: Tensor
    law: str = WEIBULL

    def log_survival(self, log_ages: Tensor, sections: int) -> Tensor:
        """ln of the wear-out survival at exp(log_ages) (row or 1, age), shape (section, age)."""
        exponent = pt.maximum(self.shape * (log_ages - self.log_median[:, None]), -500.0)
        hazard = cumulative_hazard(exponent, self.law)
        if self.weight is None:
            return -hazard
        alive = self.weight[:, None] * pt.exp(-pt.minimum(hazard, 600.0))
        total = pt.inc_subtensor(pt.zeros((sections, alive.shape[1]))[self.section], alive)
        return pt.log(total)


@dataclass(frozen=True)
class PathTerms:
    """Condition path: built-in condition, its spread and the readings' scatter on the z scale, exponents; what each of
    `CellData.raters` reads too high (rater,), None without raters."""  # fmt: skip

    start: Tensor
    spread: Tensor
    noise: Tensor
    kappa_wear: Tensor
    kappa_early: Tensor
    offset: Tensor | None = None


@dataclass(frozen=True)
class LabelTerms:
    """Cause labels: share of wrong ones, mechanisms that apply, and where each mechanism stands.

    Parameters
    ----------
    error : tensor scalar
    applies : ndarray of bool (section, mechanism)
    place : ndarray of int (mechanism, 2)
        Root and slot of each mechanism in `EarlyTerms`.
    """

    error: Tensor
    applies: np.ndarray
    place: np.ndarray


@dataclass(frozen=True)
class CellWeights:
    """What a section's records say of each cell of its age at failure.

    Parameters
    ----------
    log_wear, log_early : tensor (section, cell)
        ln of the joint probability of the records and of wearing out, or failing early, in the cell.
    scatter : tuple of tensor (section, cell), or None
        Squared residuals of the used readings in standard deviations if the section wears out, and if it fails
        early, in the cell: chi-square with as many degrees of freedom as readings where the model is right. None
        without readings.
    life : _Life
    """

    log_wear: Tensor
    log_early: Tensor
    scatter: tuple[Tensor, Tensor] | None
    life: _Life


def cell_weights(
    data: CellData,
    early: EarlyTerms | None,
    wear: WearTerms,
    *,
    path: PathTerms | None,
    lag: Tensor | None,
    labels: LabelTerms | None,
) -> CellWeights:
    """Weights of all cells; arguments as in `section_log_likelihood`."""
    life = _Life.on(data, early, wear)
    log_wear, log_early = life.masses()
    scatter = None
    if path is not None and (data.used.any() or len(data.sided.section)):
        worn, failed = (_PathFit.of(data, path, kappa) for kappa in (path.kappa_wear, path.kappa_early))
        log_wear, log_early = log_wear + worn.log_density(), log_early + failed.log_density()
        scatter = worn.scatter, failed.scatter
    exits = data.mask if lag is None else data.mask + _log_exit(data, lag)
    log_wear, log_early = log_wear + exits, log_early + exits
    if labels is not None and early is not None and data.named.any():
        log_wear, log_early = _with_labels(data, early, labels, life, log_wear, log_early)
    return CellWeights(log_wear, log_early, scatter, life)


def section_log_likelihood(
    data: CellData,
    early: EarlyTerms | None,
    wear: WearTerms,
    *,
    path: PathTerms | None,
    lag: Tensor | None,
    labels: LabelTerms | None,
) -> Tensor:
    """Log-likelihood of each section's records, tensor (section,).

    Parameters
    ----------
    data : CellData
    early : EarlyTerms or None
        None where the prior set has no early mechanisms.
    wear : WearTerms
    path : PathTerms or None
        None where no section has readings.
    lag : tensor scalar or None
        Mean removal lag, years; None if removal is at the threshold.
    labels : LabelTerms or None
        None where no cause is recorded.
    """
    weights = cell_weights(data, early, wear, path=path, lag=lag, labels=labels)
    total = pt.logsumexp(pt.concatenate([weights.log_wear, weights.log_early], axis=1), axis=1)
    return _given_entry(data, weights.life, lag, total)


# ------------------------------------------------------------------------------------- life


@dataclass(frozen=True)
class _Life:
    """Log wear-out survival and early survival at the cell edges, uncut and cut at the hard bounds."""

    data: CellData
    terms: EarlyTerms | None
    wear: WearTerms
    log_wear: Tensor
    early: Tensor
    by_root: Tensor | None
    log_wear_uncut: Tensor
    early_uncut: Tensor

    @classmethod
    def on(cls, data: CellData, terms: EarlyTerms | None, wear: WearTerms) -> _Life:
        edges = data.grid.edges
        log_wear = wear.log_survival(pt.as_tensor(np.log(np.maximum(edges, 1e-9))[None, :]), data.sections)
        by_root = terms.survival_by_root(edges) if terms is not None else None
        early = by_root.prod(axis=0) if by_root is not None else pt.ones((data.sections, len(edges)))
        cut_wear, cut_early = log_wear, early
        if data.bounded:
            own_wear, own_early = cls.at_own(data, terms, wear, np.stack([data.lower, data.upper]))
            for n, mask in enumerate((data.below, data.above)):
                cut_wear = pt.switch(mask, own_wear[n][:, None], cut_wear)
                cut_early = pt.switch(mask, own_early[n][:, None], cut_early)
        return cls(data, terms, wear, cut_wear, cut_early, by_root, log_wear, early)

    @staticmethod
    def at_own(data: CellData, terms: EarlyTerms | None, wear: WearTerms, ages: np.ndarray) -> tuple[Tensor, Tensor]:
        """ln wear-out survival and early survival at ages (bound, section), each of that shape."""
        own = np.maximum(ages, 1e-9)
        log_wear = wear.log_survival(pt.as_tensor(np.log(own).T[wear.section]), data.sections).T
        return log_wear, (terms.survival_at_own(own) if terms is not None else pt.ones(ages.shape))

    def masses(self) -> tuple[Tensor, Tensor]:
        """ln of the wear-out and the early part of each cell's probability, (section, cell).

        s a - t b = (s - t)(a + b)/2 + (a - b)(s + t)/2 shares out the cell exactly.
        """
        return _masses(self.log_wear, self.early)


def _masses(log_wear: Tensor, early: Tensor) -> tuple[Tensor, Tensor]:
    fall = pt.minimum(log_wear[:, 1:] - log_wear[:, :-1], -TINY)
    young, old = early[:, :-1], early[:, 1:]
    worn = log_wear[:, :-1] + pt.log(-pt.expm1(fall)) + pt.log(0.5 * (young + old) + TINY)
    failed = pt.log(pt.maximum(young - old, 0.0) + TINY) + log_wear[:, :-1] + pt.log(0.5 + 0.5 * pt.exp(fall))
    return worn, failed


# ------------------------------------------------------------------------- condition readings


@dataclass(frozen=True)
class _PathFit:
    """A section's readings beside the path of each cell, tensors (section, cell).

    The built-in condition is normal between sections and is integrated out: with residuals r_j and
    loadings h_j the readings are normal with covariance sigma^2 I + omega^2 h h'.

    Parameters
    ----------
    gain : tensor
        Determinant of the covariance over that of the scatter alone.
    known : tensor
        Mean of the built-in condition about its mean, given the used readings.
    scatter : tensor
        Residuals' squared Mahalanobis distance.
    """

    data: CellData
    path: PathTerms
    kappa: Tensor
    gain: Tensor
    known: Tensor
    scatter: Tensor

    @classmethod
    def of(cls, data: CellData, path: PathTerms, kappa: Tensor) -> _PathFit:
        ratio = (path.spread / path.noise) ** 2
        rr, hr, hh = _path_sums(data, path, kappa)
        gain = 1.0 + ratio * hh
        scatter = (rr - ratio * hr**2 / gain) / path.noise**2
        return cls(data, path, kappa, gain, ratio * hr / gain, scatter)

    def log_density(self) -> Tensor:
        """ln density of all readings of a section if it fails in each cell."""
        data, path = self.data, self.path
        count = data.used.sum(axis=1)[:, None]
        density = -count * (0.5 * np.log(2 * np.pi) + pt.log(path.noise)) - 0.5 * (pt.log(self.gain) + self.scatter)
        if not len(data.sided.section):
            return density
        return density + _log_one_sided(data, path, self.kappa, self.known, path.spread**2 / self.gain)


def _log_one_sided(data: CellData, path: PathTerms, kappa: Tensor, known: Tensor, variance: Tensor) -> Tensor:
    """ln P(one-sided readings on their sides), (section, cell), from what the others say.

    `known` and `variance` (section, cell) are mean and variance of the built-in condition about its
    mean, given the other readings. Each one-sided reading in turn adds its normal tail and moves
    both: the truncated normal is matched by its first two moments. (Taken as independent, the capped
    readings of a section bias the spread of the built-in condition low.)
    """
    sided = data.sided
    total = pt.zeros((data.sections, data.grid.cells))
    for turn in sided.in_turn:
        rows, side = sided.section[turn], sided.side[turn][:, None]
        mean, loading = (a[:, 0, :] for a in _path_at(data, path, kappa, sided.time[turn][:, None]))
        m, v = known[rows], variance[rows]
        s2 = path.noise**2 + loading**2 * v
        s = pt.sqrt(s2)
        limit = _less_offset(sided.limit[turn], sided.rater[turn], path)[:, None]
        t = side * (mean + loading * m - limit) / s
        tail = log_normal_cdf(t)
        mills = pt.exp(-0.5 * t**2 - tail - 0.5 * float(np.log(2.0 * np.pi)))
        total = pt.inc_subtensor(total[rows], tail)
        known = pt.inc_subtensor(known[rows], side * v * loading * mills / s)
        variance = pt.inc_subtensor(variance[rows], -((v * loading) ** 2) * mills * (mills + t) / s2)
    return total


def _path_sums(data: CellData, path: PathTerms, kappa: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Sums of r^2, h r and h^2 over a section's used readings in each cell."""
    if data.condition.path == "power_z":
        return _power_z_sums(data, path, kappa)
    return path_sums_by_reading(data, path, kappa)


def _power_z_sums(data: CellData, path: PathTerms, kappa: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """The same for the power path on z, from six sums a section, whatever the number of readings."""
    drop = float(data.condition.to_z(data.condition.threshold)) - path.start
    power = data.used * pt.exp(kappa * np.log(data.time / 10.0))
    t1, t2 = power.sum(axis=1)[:, None], (power**2).sum(axis=1)[:, None]
    z = _less_offset(data.z, data.rater, path)
    tz = (power * z).sum(axis=1)[:, None]
    n, z1, z2 = (a.sum(axis=1)[:, None] for a in (data.used, data.used * z, data.used * z**2))
    last = np.log(np.maximum((data.time * data.used).max(axis=1), 1e-3) / 10.0)[:, None]
    s = pt.exp(pt.minimum(-kappa * np.log(data.grid.ages / 10.0)[None, :], np.log(LARGEST_POWER) - kappa * last))
    x1, x2 = s * t1, s**2 * t2
    w1, w2 = z1 - n * path.start, z2 - 2.0 * path.start * z1 + n * path.start**2
    wx = s * (tz - path.start * t1)
    rr = w2 - 2.0 * drop * wx + drop**2 * x2
    hr = w1 - drop * x1 - wx + drop * x2
    return rr, hr, n - 2.0 * x1 + x2


def path_sums_by_reading(data: CellData, path: PathTerms, kappa: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """The sums for any path, reading by reading; linear in the built-in condition about its mean."""
    mean, loading = _path_at(data, path, kappa, data.time)
    mark = data.used[:, :, None]
    residual = mark * (_less_offset(data.z, data.rater, path)[:, :, None] - mean)
    loading = mark * loading
    return (residual**2).sum(axis=1), (loading * residual).sum(axis=1), (loading**2).sum(axis=1)


def _less_offset(z: np.ndarray, rater: np.ndarray, path: PathTerms) -> Any:
    """Readings or limits on the z scale, as a rater without offset would have them."""
    return z if path.offset is None else z - path.offset[rater]


def _path_at(data: CellData, path: PathTerms, kappa: Tensor, time: np.ndarray) -> tuple[Tensor, Tensor]:
    """Mean reading and its derivative to the built-in condition, (row, reading, cell)."""
    log_ratio = np.log(np.maximum(time, 1e-3))[:, :, None] - np.log(data.grid.ages)[None, None, :]
    x = pt.exp(pt.minimum(kappa * log_ratio, np.log(LARGEST_POWER)))
    condition = data.condition
    end = float(condition.to_z(condition.threshold))
    if condition.path == "power_z":
        return path.start * (1.0 - x) + end * x, 1.0 - x
    if condition.path == "reverse_s":
        bent = 2.0 * x / (1.0 + x)
        return path.start * (1.0 - bent) + end * bent, 1.0 - bent
    s, highest = condition.stretch, condition.highest
    start_gap = pt.expm1(-s * path.start) / s if s else -path.start  # highest - y at opening
    gap = start_gap * (1.0 - x) + (highest - condition.threshold) * x
    if not s:
        return -gap, 1.0 - x
    return -pt.log1p(s * gap) / s, (1.0 - x) * (1.0 + s * start_gap) / (1.0 + s * gap)


# ---------------------------------------------------------------------------- exits and entry


def _log_exit(data: CellData, lag: Tensor) -> Tensor:
    """ln of the exit factor averaged over each cell, (section, cell).

    Removal follows the failure by a Gamma(2) lag of mean `lag`: in service at age a means T + lag > a;
    removal at r has density g(r - T). Both averages over a cell have closed forms.
    """
    scale = lag / 2.0
    log_exit = pt.zeros((data.sections, data.grid.cells))
    serving = np.flatnonzero(np.isfinite(data.in_service) & (np.nan_to_num(data.in_service) > 0))
    removed = np.flatnonzero(np.isfinite(data.removed))
    if len(serving):
        share = _mean_exceedance(data.after(data.in_service)[serving], data.widths[serving], scale)
        log_exit = pt.set_subtensor(log_exit[serving], pt.log(share + TINY))
    if len(removed):
        years = pt.as_tensor(np.maximum(data.after(data.removed)[removed], 0.0)) / scale
        later = (1.0 + years) * pt.exp(-years)
        density = (later[:, 1:] - later[:, :-1]) / data.widths[removed]
        log_exit = pt.set_subtensor(log_exit[removed], pt.log(pt.maximum(density, 0.0) + TINY))
    return log_exit


def _mean_exceedance(after: np.ndarray, widths: np.ndarray, scale: Tensor) -> Tensor:
    """P(lag > a - T) averaged over T in each cell; `after` = a - edge (row, cells + 1)."""
    years = pt.as_tensor(np.maximum(after, 0.0))
    tail = (2.0 * scale + years) * pt.exp(-years / scale)
    beyond = np.maximum(-after, 0.0)
    return (tail[:, 1:] - tail[:, :-1] + np.diff(beyond, axis=1)) / widths


def _given_entry(data: CellData, life: _Life, lag: Tensor | None, total: Tensor) -> Tensor:
    """Divide by the probability that a late-entering section was still there to be seen."""
    late = np.flatnonzero(data.entry > 0)
    if not len(late):
        return total
    if lag is None:
        log_wear, early = _Life.at_own(data, life.terms, life.wear, data.entry[None, :])
        return pt.inc_subtensor(total[late], -(log_wear + pt.log(early))[0, late])
    edges = np.minimum(data.grid.edges, data.grid.open_age)
    widths = np.diff(edges)[None, :]
    share = _mean_exceedance(data.entry[late][:, None] - edges[None, :], widths, lag / 2.0)
    worn, failed = _masses(life.log_wear_uncut[late], life.early_uncut[late])
    seen = pt.log(((pt.exp(worn) + pt.exp(failed)) * share).sum(axis=1))
    return pt.inc_subtensor(total[late], -seen)


# ------------------------------------------------------------------------------------ labels


def _with_labels(
    data: CellData, early: EarlyTerms, labels: LabelTerms, life: _Life, log_wear: Tensor, log_early: Tensor
) -> tuple[Tensor, Tensor]:
    """Add the probability of the recorded cause given each cause, where a cause is recorded."""
    rows = np.flatnonzero(data.named.any(axis=1))
    named = data.named[rows]
    applicable = labels.applies[rows].sum(axis=1) + 1.0
    chance = labels.error * named.sum(axis=1) / applicable
    wear_label = (1.0 - labels.error) * named[:, -1] + chance
    wanted = np.zeros((early.roots, early.slots, len(rows)))
    wanted[labels.place[:, 0], labels.place[:, 1]] = named[:, :-1].T
    early_label = (1.0 - labels.error) * _named_share(data, early, life, rows, wanted) + chance[:, None]
    log_wear = pt.inc_subtensor(log_wear[rows], pt.log(wear_label)[:, None])
    log_early = pt.inc_subtensor(log_early[rows], pt.log(early_label))
    return log_wear, log_early


def _named_share(data: CellData, early: EarlyTerms, life: _Life, rows: np.ndarray, wanted: np.ndarray) -> Tensor:
    """Share of a cell's early failures that the named mechanisms cause, (row, cell).

    Between roots a cell's failures are shared out by the fall of log survival, within a root by the
    increments -dE/dF_m dF_m. `wanted` (root, slot, row) marks the named mechanisms.
    """
    survival = life.by_root[:, rows]  # type: ignore[index]
    fall = pt.maximum(pt.log(survival[:, :, :-1]) - pt.log(survival[:, :, 1:]), 0.0)
    step = early.failed(data.grid.edges)
    step = step[:, :, :, 1:] - step[:, :, :, :-1]
    middle = early.failed(data.grid.ages)
    moments = early.moments[:, rows]
    everything: Tensor = TINY
    named: Tensor = 0.0
    for m in range(early.slots):
        by_pattern = pt.repeat(step[:, :, m], 1 << early.slots, axis=1)
        part = pt.maximum(-pt.matmul(moments, early.products(middle, leave_out=m) * by_pattern), 0.0)
        everything = everything + part
        named = named + wanted[:, m][:, :, None] * part
    return (fall * named / everything).sum(axis=0) / (fall.sum(axis=0) + TINY)
