"""Log prior density of draws, by group of parameters: what power-scaling of the priors weights them by.

Terms of single contracts, contractors and districts are part of the model between them and are left as they
are; the priors of their spreads are among the groups.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from scipy import stats

from .baseline import Baseline, delta_distributions
from .distribution import Distribution
from .lives import Draws
from .measures import deltas_of, selections_of, shifts_of
from .priors import PriorSet

__all__ = ["prior_densities"]

Pair = tuple[Distribution, np.ndarray]


def prior_densities(
    draws: Draws,
    priors: PriorSet,
    *,
    mix: np.ndarray,
    early_age: float,
    prices: Mapping[str, np.ndarray] | None = None,
) -> dict[str, np.ndarray]:
    """Log prior density of each draw by group of parameters.

    Parameters
    ----------
    draws : Draws
    priors : PriorSet
    mix : ndarray (type,)
        Sections of each overlay type, to which the effects' stated ratios refer.
    early_age : float
        Years.
    prices : mapping of name to ndarray (sample,), optional
        Drawn amounts of [cost] tables.

    Returns
    -------
    dict of str to ndarray (sample,)
        Densities of the parameters as they are stated, per their own units; groups that are fixed, or that the
        draws do not hold, are left out.
    """
    known = prices or {}
    groups: dict[str, list[Pair]] = {
        "share failing early": _one(draws, "early_failure", priors.early_failure.distribution),
        "effects of measures": [*_effects(draws, priors, mix, early_age), *_shifts(draws, priors)],
        "compliance": _each(draws, "compliance", [m.compliance.distribution for m in priors.measures]),
        "selection of roads": _each(
            draws, "selection", [priors.measures[k].selection[root].distribution for k, root in selections_of(priors)]
        ),
        "ages of early failure": [
            *_each(draws, "age_median", [m.median.distribution for m in priors.mechanisms]),
            *_each(draws, "age_shape", [m.shape.distribution for m in priors.mechanisms]),
        ],
        "shape of wear-out": _one(draws, "wear_out_shape", priors.wear_out_shape.distribution),
        "prices": [(c.amount.distribution, known[c.name]) for c in priors.costs if c.name in known],
        **_further(draws, priors),
    }
    out = {name: _total(pairs) for name, pairs in groups.items()}
    out["ages of wear-out"] = _wear_out(draws, priors)
    return {name: total for name, total in out.items() if total is not None and _varies(total)}


def _further(draws: Draws, priors: PriorSet) -> dict[str, list[Pair]]:
    """Groups beside those that a decision turns on."""
    path = priors.path
    parts = {"start_index": path.start, "start_spread": path.start_spread, "noise": path.noise, "kappa": path.kappa,
             "kappa_early_log_ratio": path.kappa_early_ratio}  # fmt: skip
    offset = Distribution("normal", (0.0, priors.share_sd.distribution.mean or 1.0))
    spreads = {f"{group.column}_sd": group.sd for group in priors.groups}
    return {
        "condition path": [p for name, q in parts.items() for p in _one(draws, name, q.distribution)],
        "removal lag": _one(draws, "removal_lag", priors.removal_lag.distribution),
        "recorded causes": _one(draws, "label_error", priors.label_error.distribution),
        "overlay types": _each(draws, "odds_multiplier", [t.odds_multiplier.distribution for t in priors.types]),
        "shares of causes": _each(draws, "share_offset", [offset] * len(priors.mechanisms)),
        "quality scores": _each(
            draws, "score_effect", [m.score_effect.distribution if m.score_effect else None for m in priors.mechanisms]
        ),
        "traffic and other drivers": _each(
            draws, "driver_coefficient", [d.coefficient.distribution for d in priors.drivers]
        ),
        "contracts, contractors and years": [
            *_one(draws, "year_slope", priors.year_slope.distribution),
            *(p for name, q in spreads.items() for p in _one(draws, name, q.distribution)),
        ],
    }


def _one(draws: Draws, name: str, distribution: Distribution) -> list[Pair]:
    return [(distribution, draws[name])] if name in draws and distribution.family != "fixed" else []


def _each(draws: Draws, name: str, distributions: Sequence[Distribution | None]) -> list[Pair]:
    """Elements of a vector of parameters; a missing one has no prior of its own."""
    if name not in draws:
        return []
    pairs = ((d, draws[name][:, i]) for i, d in enumerate(distributions) if d is not None)
    return [(d, x) for d, x in pairs if d.family != "fixed"]


def _effects(draws: Draws, priors: PriorSet, mix: np.ndarray, early_age: float) -> Iterator[Pair]:
    """One prior for each effect of a measure; its further mechanisms move with the first."""
    if "delta" not in draws:
        return
    every = delta_distributions(priors, Baseline.of(priors, early_age), mix)
    first: dict[int, int] = {}
    for i, delta in enumerate(deltas_of(priors)):
        first.setdefault(delta.effect, i)
    yield from ((every[i], draws["delta"][:, i]) for i in first.values() if every[i].family != "fixed")


def _shifts(draws: Draws, priors: PriorSet) -> list[Pair]:
    moved = [priors.measures[k].score_shift[root].distribution for k, root in shifts_of(priors)]
    return [
        *_each(draws, "score_shift_size", moved),
        *_each(draws, "time_ratio", [m.time_ratio.distribution if m.time_ratio else None for m in priors.measures]),
    ]


def _wear_out(draws: Draws, priors: PriorSet) -> np.ndarray | None:
    """ln medians at wear-out are jointly normal: each type's own part and what all share."""
    own = [t.wear_out_median.distribution for t in priors.types]
    if "wear_out_median" not in draws or {d.family for d in own} != {"lognormal"}:
        return None
    centre, spread = np.array([d.parameters for d in own], float).T
    covariance = np.diag(spread**2) + priors.wear_out_sd_common.distribution.mean**2
    return np.asarray(stats.multivariate_normal(centre, covariance).logpdf(np.log(draws["wear_out_median"])))


def _total(pairs: Sequence[Pair]) -> np.ndarray | None:
    return np.sum([d.logpdf(x) for d, x in pairs], axis=0) if pairs else None


def _varies(total: np.ndarray) -> bool:
    return bool(np.isfinite(total).all() and np.ptp(total) > 0)
