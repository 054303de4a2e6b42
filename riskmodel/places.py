"""Where each stated prior stands among the model's parameters.

One list for all who read or write a prior's density: the sampler's graph, prior draws, weights of the priors, and
priors carried to other sections.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from .distribution import Distribution
from .joint import Joint
from .measures import deltas_of
from .priorset import PriorSet

__all__ = ["COMMON", "EFFECT", "OFFSET", "OWN_MEDIAN", "Path", "Place", "marginals_of", "places", "taken_jointly"]

Path = tuple[str | int, ...]
EFFECT, OWN_MEDIAN, COMMON, OFFSET = "effect_score", "wear_out_by_type", "wear_out_common", "share_offset"
"""Variables that are no quantity of the prior files as they stand: the score of an effect of a measure (a large effect
is a small ratio, so that it is the ratio's score with its sign changed), a type's own part of the age at wear-out, the
ln of the part that all types share, and the ln of a mechanism's share over its table."""


@dataclass(frozen=True)
class Place:
    """A stated prior.

    Parameters
    ----------
    path : tuple of str and int
        In the prior files; entries of a list from 0.
    prior : Distribution
    variable : str
    index : int or None
        In the variable; None for a scalar.
    """

    path: Path
    prior: Distribution
    variable: str
    index: int | None = None

    @property
    def key(self) -> str:
        """Name of the quantity in the prior files; entries of a list from 1."""
        return ".".join(str(part + 1) if isinstance(part, int) else part for part in self.path)


def places(priors: PriorSet) -> Iterator[Place]:
    """Every prior that is a parameter of the model, once; those of the roads of one study (selection, groups) not."""
    yield from _of_paths_and_wear_out(priors)
    for k, measure in enumerate(priors.measures):
        if measure.time_ratio is not None:
            yield Place(("measure", measure.name, "time_ratio"), measure.time_ratio.distribution, "time_ratio", k)
    if priors.mechanisms:
        yield from _of_early_failures(priors)
        yield from _of_measures(priors)


def _of_paths_and_wear_out(priors: PriorSet) -> Iterator[Place]:
    path, common = priors.path, priors.wear_out_sd_common.distribution.mean
    yield Place(("wear_out", "shape"), priors.wear_out_shape.distribution, "wear_out_shape")
    yield Place(("path", "start"), path.start.distribution, "start_index")
    yield Place(("path", "start_spread"), path.start_spread.distribution, "start_spread")
    yield Place(("path", "noise"), path.noise.distribution, "noise")
    yield Place(("path", "kappa"), path.kappa.distribution, "kappa")
    yield Place(("path", "kappa_early_ratio"), path.kappa_early_ratio.distribution, "kappa_early_log_ratio")
    yield Place(("removal_lag",), priors.removal_lag.distribution, "removal_lag")
    for i, driver in enumerate(priors.drivers):
        yield Place(("driver", driver.name, "coefficient"), driver.coefficient.distribution, "driver_coefficient", i)
    for i, kind in enumerate(priors.types):
        yield Place(("type", kind.name, "wear_out_median"), kind.wear_out_median.distribution, OWN_MEDIAN, i)
    if common > 0:
        yield Place(("wear_out", "common"), Distribution("normal", (0.0, common)), COMMON)


def _of_early_failures(priors: PriorSet) -> Iterator[Place]:
    yield Place(("early_failure",), priors.early_failure.distribution, "early_failure")
    yield Place(("label_error",), priors.label_error.distribution, "label_error")
    yield Place(("year_slope",), priors.year_slope.distribution, "year_slope")
    for group in priors.groups:
        yield Place(("group", group.column, "sd"), group.sd.distribution, f"{group.column}_sd")
    for i, kind in enumerate(priors.types):
        yield Place(("type", kind.name, "odds_multiplier"), kind.odds_multiplier.distribution, "odds_multiplier", i)
    spread = priors.share_sd.distribution.mean
    for i, mechanism in enumerate(priors.mechanisms):
        home = ("mechanism", mechanism.name)
        yield Place((*home, "median"), mechanism.median.distribution, "age_median", i)
        yield Place((*home, "shape"), mechanism.shape.distribution, "age_shape", i)
        if mechanism.score_effect is not None:
            yield Place((*home, "score_effect"), mechanism.score_effect.distribution, "score_effect", i)
        if spread > 0:
            yield Place((*home, "share"), Distribution("normal", (0.0, spread)), OFFSET, i)


def _of_measures(priors: PriorSet) -> Iterator[Place]:
    for k, measure in enumerate(priors.measures):
        yield Place(("measure", measure.name, "compliance"), measure.compliance.distribution, "compliance", k)
    effects = [(m.name, n, effect) for m in priors.measures for n, effect in enumerate(m.effects)]
    for number in sorted({delta.effect for delta in deltas_of(priors)}):
        name, place, effect = effects[number]
        yield Place(("measure", name, "effect", place, "ratio"), effect.ratio.distribution, EFFECT, number)


def marginals_of(priors: PriorSet) -> dict[str, str]:
    """Every prior that is not fixed, in words, by its key."""
    return {place.key: str(place.prior) for place in places(priors) if place.prior.family != "fixed"}


def taken_jointly(priors: PriorSet) -> tuple[tuple[Place, ...], Joint | None]:
    """Places of the quantities that are taken jointly, and their copula in the same order; none without one."""
    if priors.joint is None:
        return (), None
    by_key = {place.key: place for place in places(priors)}
    joint = priors.joint.among(list(by_key))
    if len(joint.quantities) < 2:
        return (), None
    return tuple(by_key[key] for key in joint.quantities), joint
