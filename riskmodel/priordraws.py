"""Draws from the priors alone, without the sampler: the layout of a posterior with one chain.

The NumPy side of the parameters that `model` names.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import xarray as xr
from scipy.special import ndtr

from .baseline import Baseline, delta_distributions
from .elicitation import Distribution
from .measures import deltas_of, selections_of, shifts_of
from .places import COMMON, EFFECT, OFFSET, OWN_MEDIAN, taken_jointly
from .priors import PriorSet
from .streams import stream

__all__ = ["prior_draws"]


def prior_draws(
    priors: PriorSet,
    *,
    draws: int = 2000,
    seed: int = 20260101,
    early_age: float = 10.0,
    mix: np.ndarray | None = None,
    raters: bool = False,
) -> xr.Dataset:
    """Parameters drawn from their priors.

    Parameters
    ----------
    priors : PriorSet
    draws : int
    seed : int
    early_age : float
        Age that counts as early, years.
    mix : ndarray (type,), optional
        Sections of each overlay type, to which the measures' stated ratios refer; equal by default.
    raters : bool
        Whether the records name raters, whose spread is then drawn too.

    Returns
    -------
    Dataset (chain, draw, ...)
        The variables that the simulation reads.
    """
    drawn = _Drawn(priors, draws, seed)
    _wear_and_path(drawn)
    if raters:
        drawn.scalar("rater_sd", priors.path.between_raters.distribution)
    if priors.mechanisms:
        baseline = Baseline.of(priors, early_age)
        _mechanisms(drawn, baseline)
        _measures(drawn, baseline, np.ones(len(priors.types)) if mix is None else mix.astype(float))
    return drawn.dataset()


class _Drawn:
    """Collects variables (draw, ...) with their dims."""

    def __init__(self, priors: PriorSet, draws: int, seed: int):
        self.priors, self.draws, self.seed = priors, draws, seed
        self.values: dict[str, np.ndarray] = {}
        self.dims: dict[str, tuple[str, ...]] = {}
        self.coords: dict[str, list[str]] = {}
        places, joint = taken_jointly(priors)
        z = joint.scores(stream(seed, "prior", "joint"), draws) if joint is not None else np.zeros((draws, 0))
        self.scores = {(place.variable, place.index or 0): z[:, i] for i, place in enumerate(places)}

    def scalar(self, name: str, distribution: Distribution) -> np.ndarray:
        return self.keep(name, self.sample(name, [distribution])[:, 0])

    def vector(self, name: str, distributions: Sequence[Distribution], dim: str, labels: Sequence[str]) -> None:
        if distributions:
            self.coords[dim] = list(labels)
            self.keep(name, self.sample(name, distributions), dim)

    def sample(self, name: str, distributions: Sequence[Distribution]) -> np.ndarray:
        columns = [d.sample(stream(self.seed, "prior", name, i), self.draws) for i, d in enumerate(distributions)]
        for i, d in enumerate(distributions):
            if (name, i) in self.scores:
                columns[i] = d.ppf(ndtr(self.scores[name, i]))
        return np.stack(columns, axis=1)

    def normal(self, name: str, width: int) -> np.ndarray:
        z = stream(self.seed, "prior", name).standard_normal((self.draws, width))
        for i in range(width):
            z[:, i] = self.scores.get((name, i), z[:, i])
        return z

    def below(self, effect: int) -> np.ndarray:
        """Probability below the change of the log-odds by an effect: that above its ratio."""
        if (EFFECT, effect) in self.scores:
            return np.asarray(ndtr(-self.scores[EFFECT, effect]))
        return stream(self.seed, "prior", "effect", effect).random(self.draws)

    def keep(self, name: str, values: np.ndarray, *dims: str) -> np.ndarray:
        self.values[name], self.dims[name] = values, dims
        return values

    def dataset(self) -> xr.Dataset:
        return xr.Dataset(
            {name: (("chain", "draw", *self.dims[name]), v[None]) for name, v in self.values.items()},
            coords={"chain": [0], "draw": np.arange(self.draws), **self.coords},
        )


def _wear_and_path(drawn: _Drawn) -> None:
    priors, path = drawn.priors, drawn.priors.path
    types = [t.name for t in priors.types]
    drawn.coords["type"] = types
    common = priors.wear_out_sd_common.distribution.mean * drawn.normal(COMMON, 1)
    drawn.keep(COMMON, common[:, 0])
    by_type = drawn.sample(OWN_MEDIAN, [t.wear_out_median.distribution for t in priors.types])
    drawn.keep("wear_out_median", by_type * np.exp(common), "type")
    drawn.scalar("wear_out_shape", priors.wear_out_shape.distribution)
    ratios = [m.time_ratio.distribution if m.time_ratio else Distribution("fixed", (1.0,)) for m in priors.measures]
    drawn.vector("time_ratio", ratios, "measure", [m.name for m in priors.measures])
    for name, quantity in (
        ("start_index", path.start),
        ("start_spread", path.start_spread),
        ("noise", path.noise),
        ("kappa", path.kappa),
        ("kappa_early_log_ratio", path.kappa_early_ratio),
        ("removal_lag", priors.removal_lag),
    ):
        drawn.scalar(name, quantity.distribution)
    names = [d.name for d in priors.drivers]
    drawn.vector("driver_coefficient", [d.coefficient.distribution for d in priors.drivers], "driver", names)


def _mechanisms(drawn: _Drawn, baseline: Baseline) -> None:
    priors, mechanisms = drawn.priors, drawn.priors.mechanisms
    names = [m.name for m in mechanisms]
    none = Distribution("fixed", (0.0,))
    drawn.vector("age_median", [m.median.distribution for m in mechanisms], "mechanism", names)
    drawn.vector("age_shape", [m.shape.distribution for m in mechanisms], "mechanism", names)
    effects = [m.score_effect.distribution if m.score_effect else none for m in mechanisms]
    drawn.vector("score_effect", effects, "mechanism", names)
    for name, quantity in (("label_error", priors.label_error), ("year_slope", priors.year_slope)):
        drawn.scalar(name, quantity.distribution)
    for group in priors.groups:
        drawn.scalar(f"{group.column}_sd", group.sd.distribution)
    total = drawn.scalar("early_failure", priors.early_failure.distribution)[:, None]
    odds = drawn.sample("odds_multiplier", [t.odds_multiplier.distribution for t in priors.types])
    drawn.keep("odds_multiplier", odds, "type")
    total = total * odds / (1.0 - total + total * odds)
    offset = priors.share_sd.distribution.mean * drawn.normal(OFFSET, len(mechanisms))
    drawn.keep(OFFSET, offset, "mechanism")
    intercept = np.stack([baseline.intercepts(t, o) for t, o in zip(total, offset, strict=True)])
    drawn.keep("intercept", intercept, "type", "mechanism")


def _measures(drawn: _Drawn, baseline: Baseline, mix: np.ndarray) -> None:
    priors = drawn.priors
    names = [m.name for m in priors.measures]
    drawn.vector("compliance", [m.compliance.distribution for m in priors.measures], "measure", names)
    chosen = selections_of(priors)
    drawn.vector(
        "selection",
        [priors.measures[k].selection[root].distribution for k, root in chosen],
        "selection_term",
        [f"{names[k]} on {root}" for k, root in chosen],
    )
    shifts = shifts_of(priors)
    drawn.vector(
        "score_shift_size",
        [priors.measures[k].score_shift[root].distribution for k, root in shifts],
        "score_shift",
        [f"{names[k]} on {root}" for k, root in shifts],
    )
    deltas = deltas_of(priors)
    if not deltas:
        return
    effects = 1 + max(d.effect for d in deltas)
    rank = np.stack([drawn.below(e) for e in range(effects)], axis=1)
    values = [
        d.ppf(rank[:, entry.effect])
        for d, entry in zip(delta_distributions(priors, baseline, mix), deltas, strict=True)
    ]
    drawn.coords["measure_effect"] = [d.name for d in deltas]
    drawn.keep("delta", np.stack(values, axis=1), "measure_effect")
