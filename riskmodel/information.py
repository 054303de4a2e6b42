"""Value of information from draws: what perfect, partial and sample information would be worth.

Arrays in, numbers out: net benefit by draw and option, parameters by draw, and the log-likelihood of
simulated data at every draw. What the options and the data are is somebody else's business.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from .errors import RiskModelError, RiskModelWarning

__all__ = [
    "Estimate",
    "PartialValue",
    "SampleValue",
    "check_order",
    "evpi",
    "evppi",
    "evppi_of_groups",
    "evsi",
    "posterior_probability",
]

BLOCKS = 20
"""Groups of the delete-a-group jackknife: runs of draws, so that autocorrelation counts."""
KNOTS = (0.05, 0.275, 0.5, 0.725, 0.95)
LEADING = 10
"""Parameters of a group whose products enter the regression."""
ROUNDING = 1e-13  # of the greatest eigenvalue: below it there is no direction
SMOOTHING = np.geomspace(1e-4, 1e4, 25)
BENDING = (0.01, 0.1, 0.4)
"""Sizes of a bend or a product beside that of a straight line, of which the regression takes the best."""
FEW = 100.0
"""Effective sample size below which weights are Pareto-smoothed."""


@dataclass(frozen=True)
class Estimate:
    """A number and its Monte Carlo standard error, both in the unit of the net benefit."""

    value: float
    error: float


@dataclass(frozen=True)
class PartialValue(Estimate):
    """Value of knowing some parameters exactly.

    Parameters
    ----------
    explained : float
        Share of the variance of the options' differences that the regression explains.
    """

    explained: float


@dataclass(frozen=True)
class SampleValue(Estimate):
    """Value of data that are still to be gathered.

    Parameters
    ----------
    switch, switch_error : float
        Chance that the data change which option is best, and its standard error.
    ess : ndarray (data set,)
        Effective sample size of the weights of each simulated data set.
    pareto_k : ndarray (data set,)
        Shape of the largest weights; above 0.7 the re-weighting of that data set is not to be trusted.
    kept : float
        Share of the spread of re-weighted means that is more than noise of the weights, for the option
        that gains most from the data.
    """

    switch: float
    switch_error: float
    ess: np.ndarray
    pareto_k: np.ndarray
    kept: float


def evpi(net_benefit: np.ndarray, *, blocks: int = BLOCKS) -> Estimate:
    """Expected value of perfect information: E[max over options] - max over options of E.

    Parameters
    ----------
    net_benefit : ndarray (sample, option)
        Expected net benefit of each option at each draw, any unit.
    blocks : int
        Groups of the jackknife.

    Returns
    -------
    Estimate
        Exactly 0 where one option is best in every draw.
    """
    benefit = _validated(net_benefit)
    return Estimate(*_with_error(lambda kept: _gain(_against_best(benefit[kept])), len(benefit), blocks))


def evppi(net_benefit: np.ndarray, parameters: np.ndarray, *, blocks: int = BLOCKS) -> PartialValue:
    """Expected value of knowing `parameters` exactly, by regression on them.

    Parameters
    ----------
    net_benefit : ndarray (sample, option)
    parameters : ndarray (sample, parameter)
    blocks : int

    Notes
    -----
    E[net benefit | parameters] is estimated by a regression of the draws (Strong, Oakley and Brennan
    2014, Medical Decision Making 34(3), 311-326; page not seen): a generalised additive model of natural
    cubic splines with products of the leading parameters, its ridge penalty chosen by generalised cross
    validation. Differences to the best option are regressed, so an option that is best in every draw gives
    exactly 0.
    """
    benefit = _validated(net_benefit)
    columns = np.asarray(parameters, float).reshape(len(benefit), -1)
    if not np.isfinite(columns).all():
        raise RiskModelError("`parameters` must be finite numbers. Leave out quantities that are infinite or empty.")
    best = _against_best(benefit)
    fits = [_fitted(columns, best, bend) for bend in BENDING]
    chosen = int(np.argmin([score for _, score in fits]))
    explained = _explained(best, fits[chosen][0])

    def gain(kept: np.ndarray) -> float:
        difference = _against_best(benefit[kept])
        return _gain(_inside(_fitted(columns[kept], difference, BENDING[chosen])[0], difference))

    return PartialValue(*_with_error(gain, len(benefit), blocks), explained)


def evppi_of_groups(
    net_benefit: np.ndarray, groups: Mapping[str, np.ndarray], *, blocks: int = BLOCKS
) -> dict[str, PartialValue]:
    """Value of knowing each named group of parameters, in falling order (see `evppi`)."""
    found = {name: evppi(net_benefit, columns, blocks=blocks) for name, columns in groups.items()}
    return dict(sorted(found.items(), key=lambda item: -item[1].value))


def evsi(
    net_benefit: np.ndarray, log_likelihood: np.ndarray, origin: np.ndarray, *, blocks: int = BLOCKS
) -> SampleValue:
    """Expected value of sample information, by re-weighting all draws with the data's likelihood.

    Parameters
    ----------
    net_benefit : ndarray (sample, option)
    log_likelihood : ndarray (data set, sample)
        Of each simulated data set at every draw, up to a constant for each data set.
    origin : ndarray of int (data set,)
        Draw from which each data set was simulated.
    blocks : int

    Notes
    -----
    Importance sampling (Menzies 2016, Medical Decision Making 36(3), 308-320; page not seen): the draws are
    those of the decision, weighted by the likelihood of each data set, so nothing is fitted again and any
    likelihood serves. Weights are Pareto-smoothed where fewer than 100 draws would carry a data set
    (Vehtari et al. 2024, JMLR 25(72); page not seen). The draw that made a data set is left out of it, and
    the spread of the re-weighted means is reduced by the part that is noise of the weights, so that it matches
    the variance that the data explain: the matching of moments of Heath et al. (2018, Medical Decision Making
    38(2), 163-173; page not seen). Where hardly any draw carries a data set little of the spread remains.
    """
    benefit = _validated(net_benefit)
    weights, ess, pareto_k = _weights(np.asarray(log_likelihood, float), np.asarray(origin, int))
    moments = _Reweighted(benefit, weights, np.asarray(origin, int))

    def both(kept: np.ndarray) -> np.ndarray:
        means = moments.means(kept)[0]
        return np.array([_gain(means), _switching(means)])

    (value, switch), (error, switch_error) = _jackknife(both, len(benefit), blocks)
    kept = moments.means(np.ones(len(benefit), bool))[1]
    return SampleValue(float(value), float(error), float(switch), float(switch_error), ess, pareto_k, kept)


def posterior_probability(event: np.ndarray, log_likelihood: np.ndarray, origin: np.ndarray) -> np.ndarray:
    """P(event | data) for each simulated data set, (data set,).

    Parameters
    ----------
    event : ndarray of bool (sample,)
    log_likelihood, origin
        As in `evsi`.
    """
    weights = _weights(np.asarray(log_likelihood, float), np.asarray(origin, int))[0]
    return weights @ np.asarray(event, float)


def check_order(sample: Estimate, partial: Estimate, perfect: Estimate, *, what: str = "the trial") -> list[str]:
    """Check 0 <= EVSI <= EVPPI(all parameters of the data's likelihood) <= EVPI within 3 standard errors.

    Returns
    -------
    list of str
        What is broken, in words; empty if nothing is.

    Warns
    -----
    RiskModelWarning
        One for each broken step.
    """
    steps = [
        (Estimate(0.0, 0.0), sample, f"nothing is worth more than {what}"),
        (sample, partial, f"{what} is worth more than knowing its parameters exactly"),
        (partial, perfect, "some parameters are worth more than all of them"),
    ]
    broken = []
    for low, high, words in steps:
        error = 3.0 * float(np.hypot(low.error, high.error))
        if low.value > high.value + error + 1e-12 * max(abs(low.value), abs(high.value)):
            broken.append(
                f"by these draws {words}: {low.value:.4g} against {high.value:.4g}, three standard errors are "
                f"{error:.2g}. Take more draws before relying on the value of information."
            )
    for text in broken:
        warnings.warn(text, RiskModelWarning, stacklevel=2)
    return broken


# ----------------------------------------------------------------------- options and their error


def _validated(net_benefit: np.ndarray) -> np.ndarray:
    benefit = np.asarray(net_benefit, float)
    if benefit.ndim != 2 or benefit.shape[0] < 2 or benefit.shape[1] < 1:
        raise RiskModelError(
            f"`net_benefit` must have a row for each of at least two draws and a column for each option; "
            f"got shape {benefit.shape}."
        )
    if not np.isfinite(benefit).all():
        raise RiskModelError("`net_benefit` must be finite numbers. Leave out options without a net benefit.")
    return benefit


def _against_best(benefit: np.ndarray) -> np.ndarray:
    """Difference of each option to the one that is best on average, (sample, option)."""
    return benefit - benefit[:, [int(benefit.mean(axis=0).argmax())]]


def _gain(difference: np.ndarray) -> float:
    """Mean of the largest difference less the largest mean difference."""
    return float(difference.max(axis=1).mean() - max(difference.mean(axis=0).max(), 0.0))


def _switching(difference: np.ndarray) -> float:
    """Share of rows in which another option than the one best on average is best."""
    first = int(difference.mean(axis=0).argmax())
    return float((difference.max(axis=1) > difference[:, first]).mean())


def _inside(fitted: np.ndarray, difference: np.ndarray) -> np.ndarray:
    """Means cannot leave the range of what they are means of."""
    return np.clip(fitted, difference.min(axis=0), difference.max(axis=0))


def _with_error(estimate: Callable[[np.ndarray], float], samples: int, blocks: int) -> tuple[float, float]:
    """An estimate from all draws and its standard error."""
    value, error = _jackknife(lambda kept: np.array([estimate(kept)]), samples, blocks)
    return float(value[0]), float(error[0])


def _jackknife(
    estimate: Callable[[np.ndarray], np.ndarray], samples: int, blocks: int
) -> tuple[np.ndarray, np.ndarray]:
    """Estimates from all draws and their delete-a-group jackknife standard errors."""
    group = np.arange(samples) * min(blocks, samples) // samples
    without = np.stack([estimate(group != g) for g in range(group[-1] + 1)])
    count = len(without)
    error = np.sqrt((count - 1) / count * np.square(without - without.mean(axis=0)).sum(axis=0))
    return estimate(np.ones(samples, bool)), error


# ---------------------------------------------------------------------------------- regression


def _explained(difference: np.ndarray, fitted: np.ndarray) -> float:
    """Share of variance explained, over all options together."""
    spread = difference.var(axis=0).sum()
    return float(1.0 - (difference - fitted).var(axis=0).sum() / spread) if spread > 0 else 1.0


def _fitted(parameters: np.ndarray, outcome: np.ndarray, bend: float) -> tuple[np.ndarray, float]:
    """E[outcome | parameters], (sample, option), by ridge regression, and the cross validation it reached."""
    basis = _basis(parameters, outcome, bend)
    mean = outcome.mean(axis=0)
    if not basis.shape[1]:
        return np.broadcast_to(mean, outcome.shape), 0.0
    # the squares of the singular values, at a fraction of the time; the penalty keeps their rounding harmless
    square, right = np.linalg.eigh(basis.T @ basis)
    kept = square > ROUNDING * square[-1]
    square, right = square[kept], right[:, kept] / np.sqrt(square[kept])
    along = right.T @ (basis.T @ (outcome - mean))
    shrink = square[:, None] / (square[:, None] + len(outcome) * SMOOTHING)  # (direction, penalty)
    total = np.square(outcome - mean).sum(axis=0)
    # residual = total - sum (1 - (1 - shrink)^2) along^2
    residual = total[:, None] - np.square(along).T @ (1.0 - (1.0 - shrink) ** 2)
    freedom = len(outcome) - 1.0 - shrink.sum(axis=0)
    score = residual / np.maximum(freedom, 1.0) ** 2
    chosen = score.argmin(axis=1)
    return mean + basis @ (right @ (shrink[:, chosen] * along)), float(score.min(axis=1).sum())


def _basis(parameters: np.ndarray, outcome: np.ndarray, bend: float) -> np.ndarray:
    """Columns of the regression, centred: lines, bends of natural cubic splines, products."""
    z = _standard(parameters)
    if not z.shape[1]:
        return z
    bends = [bend * _bends(column) for column in z.T]
    leading = z[:, np.argsort(-np.abs(z.T @ _standard(outcome)).max(axis=1, initial=0.0), kind="stable")[:LEADING]]
    first, second = np.triu_indices(leading.shape[1], k=1)
    products = bend * _standard(leading[:, first] * leading[:, second])
    return np.concatenate([z, *bends, products], axis=1)


def _standard(columns: np.ndarray) -> np.ndarray:
    """Columns that vary, with mean 0 and sd 1."""
    spread = columns.std(axis=0)
    varying = spread > 1e-12 * np.maximum(np.abs(columns).max(axis=0, initial=0.0), 1e-300)
    return (columns[:, varying] - columns[:, varying].mean(axis=0)) / spread[varying]


def _bends(z: np.ndarray) -> np.ndarray:
    """Natural cubic spline columns without the straight line, sd 1, (sample, bend)."""
    knots = np.unique(np.quantile(z, KNOTS))
    if len(knots) < 3:  # a parameter of two values has no bend
        return np.empty((len(z), 0))

    def cube(k: float) -> np.ndarray:
        beyond = np.maximum(z - k, 0.0)
        return np.asarray(beyond * beyond * beyond)  # a power is slow

    last = cube(knots[-1])
    truncated = [(cube(k) - last) / (knots[-1] - k) for k in knots[:-1]]
    columns = np.stack([one - truncated[-1] for one in truncated[:-1]], axis=1)
    columns = columns - columns.mean(axis=0)
    return _standard(columns - np.outer(z, z @ columns) / (z @ z))


# --------------------------------------------------------------------------------- re-weighting


def _weights(log_likelihood: np.ndarray, origin: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights of every data set without its own draw (data set, sample), effective sizes, Pareto k."""
    from arviz_stats.base import array_stats

    sets, samples = log_likelihood.shape
    others = np.ones((sets, samples), bool)
    others[np.arange(sets), origin] = False
    logs = log_likelihood[others].reshape(sets, samples - 1)
    raw = np.exp(logs - logs.max(axis=1, keepdims=True))
    raw /= raw.sum(axis=1, keepdims=True)
    flat = np.ptp(logs, axis=1) < 1e-9  # nothing was learnt: no tail to fit
    smooth, pareto_k = raw.copy(), np.full(sets, -np.inf)
    if (~flat).any():
        log_smooth, pareto_k[~flat] = array_stats.psislw(-logs[~flat], axis=-1)
        few = ~flat & (1.0 / np.square(raw).sum(axis=1) < FEW)
        smooth[few] = np.exp(log_smooth[few[~flat]])
    weights = np.zeros((sets, samples))
    weights[others] = smooth.ravel()
    return weights, 1.0 / np.square(smooth).sum(axis=1), pareto_k


@dataclass(frozen=True)
class _Reweighted:
    """Means of the net benefit under the weights of every data set."""

    benefit: np.ndarray
    weights: np.ndarray
    origin: np.ndarray

    def means(self, kept: np.ndarray) -> tuple[np.ndarray, float]:
        """Expected difference of each option given each data set, from the draws `kept`; see `evsi`."""
        difference = _against_best(self.benefit[kept])
        rows = kept[self.origin]
        if not rows.any():  # every data set comes from the draws left out: they stay
            rows = ~rows
        weights = self.weights[np.ix_(rows, kept)]
        weights = weights / weights.sum(axis=1, keepdims=True)
        found = weights @ difference
        total, spread = difference.var(axis=0), found.var(axis=0)
        # spread = true spread + noise, and noise = sum of squared weights x (total - true spread) on average
        thin = np.square(weights).sum(axis=1).mean()
        true = (spread - thin * total) / max(1.0 - thin, 1e-9)
        part = np.clip(true / np.where(spread > 0, spread, 1.0), 0.0, 1.0)
        # the mean over data sets is known: that of the draws
        means = difference.mean(axis=0) + np.sqrt(part) * (found - found.mean(axis=0))
        return _inside(means, difference), float(part[int((spread * part).argmax())])
