"""What a table of sections brings to the life model: constants, the same for sampler and simulation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from .hazard import Root
from .measures import Mixture, Portfolio, Requirements, build_mixture, relevant_measures, roots_of, type_index
from .priors import Driver, PriorSet
from .quality import SCORED_ROOTS, scores
from .raters import RATER, raters_of

if TYPE_CHECKING:
    from .records import Records

__all__ = ["Facts", "Inputs", "Levels", "every_level", "inputs_under", "levels_of", "type_mix", "with_constants_of"]

Levels = Mapping[str, tuple[str, ...]]


def levels_of(sections: xr.Dataset, priors: PriorSet) -> dict[str, tuple[str, ...]]:
    """Names of the groups that have terms of their own, by column."""
    return {
        group.column: tuple(sorted(set(sections[group.column].values.astype(str)) - {""}))
        for group in priors.groups
        if group.column in sections
    }


def every_level(records: Records, priors: PriorSet) -> dict[str, tuple[str, ...]]:
    """`levels_of` the sections and, under `RATER`, the raters that the readings name, if any."""
    raters = raters_of(records.readings)
    return levels_of(records.sections, priors) | ({RATER: raters} if raters else {})


@dataclass(frozen=True)
class Facts:
    """Constants of a table of sections, whatever is required of them.

    Parameters
    ----------
    roots : tuple of Root
    types : ndarray of int (section,)
    applies : ndarray of bool (section, mechanism)
    decades : ndarray (section,)
        Opening year from the prior set's centre, decades; 0 where unknown.
    drivers : ndarray (section, driver)
        Standardised covariates; not recorded = the study's mean.
    group : mapping of column to ndarray of int (section,)
        Position of the section's level, -1 where not recorded or new.
    score_mean, score_variance : ndarray (section, root of SCORED_ROOTS)
    """

    roots: tuple[Root, ...]
    types: np.ndarray
    applies: np.ndarray
    decades: np.ndarray
    drivers: np.ndarray
    group: Mapping[str, np.ndarray]
    score_mean: np.ndarray
    score_variance: np.ndarray

    @classmethod
    def from_table(
        cls, sections: xr.Dataset, priors: PriorSet, levels: Levels, *, score_shift: Mapping[str, float] | None = None
    ) -> Facts:
        """Take the constants from a `sections` or programme Dataset."""
        types = type_index(sections, priors)
        applicable = np.array([[m.share.get(t.name, 0.0) > 0 for m in priors.mechanisms] for t in priors.types])
        applicable = applicable.reshape(len(priors.types), len(priors.mechanisms))
        score = scores(sections, priors, shift=score_shift)
        return cls(
            roots_of(priors),
            types,
            applicable[types],
            _decades(sections, priors),
            _drivers(sections, priors.drivers),
            {column: _positions(sections, column, names) for column, names in levels.items()},
            score["score_mean"].values,
            score["score_variance"].values,
        )

    @property
    def sections(self) -> int:
        """Number of sections."""
        return len(self.types)

    def score_of(self, root: Root) -> tuple[np.ndarray, np.ndarray]:
        """Mean and sd of the root's score, each (section,); zeros for a root without score."""
        if root.name not in SCORED_ROOTS:
            return np.zeros(self.sections), np.zeros(self.sections)
        r = SCORED_ROOTS.index(root.name)
        return self.score_mean[:, r], np.sqrt(self.score_variance[:, r])

    def take(self, piece: slice) -> Facts:
        """The same for some of the sections."""
        return Facts(
            self.roots,
            self.types[piece],
            self.applies[piece],
            self.decades[piece],
            self.drivers[piece],
            {column: at[piece] for column, at in self.group.items()},
            self.score_mean[piece],
            self.score_variance[piece],
        )


@dataclass(frozen=True)
class Inputs(Facts):
    """Constants of a table of sections under one portfolio.

    Parameters
    ----------
    mixtures : tuple of Mixture
        One a root.
    wear : Mixture
    """

    mixtures: tuple[Mixture, ...]
    wear: Mixture

    @classmethod
    def of(
        cls,
        sections: xr.Dataset,
        priors: PriorSet,
        levels: Levels,
        *,
        portfolio: Portfolio | None = None,
        score_shift: Mapping[str, float] | None = None,
    ) -> Inputs:
        """Take the constants from a `sections` or programme Dataset."""
        facts = Facts.from_table(sections, priors, levels, score_shift=score_shift)
        return inputs_under(facts, [Requirements.of(sections, priors, portfolio)], priors)[0]


def inputs_under(facts: Facts, asked: Sequence[Requirements], priors: PriorSet) -> list[Inputs]:
    """Constants under each of several requirements; what they have in common is built once and shared.

    Parameters
    ----------
    facts : Facts
    asked : sequence of Requirements
        Of the same sections, under one portfolio each.
    """
    roots: tuple[Root | None, ...] = (*facts.roots, None)
    built: dict[tuple[int, bool, bytes], Mixture] = {}
    out = []
    for one in asked:
        mixtures = []
        for r, root in enumerate(roots):
            key = (r, one.banned, one.forced[:, relevant_measures(priors, root)].tobytes())
            if key not in built:
                built[key] = build_mixture(one, priors, root)
            mixtures.append(built[key])
        out.append(Inputs(**vars(facts), mixtures=tuple(mixtures[:-1]), wear=mixtures[-1]))
    return out


def _decades(sections: xr.Dataset, priors: PriorSet) -> np.ndarray:
    if "opened_year" not in sections:
        return np.zeros(sections.sizes["section"])
    years = (np.asarray(sections["opened_year"].values, float) - priors.year_centre) / 10.0
    return np.where(np.isfinite(years), years, 0.0)


def _drivers(sections: xr.Dataset, drivers: tuple[Driver, ...]) -> np.ndarray:
    out, mean = np.zeros((sections.sizes["section"], len(drivers))), driver_means(sections, drivers)
    for d, driver in enumerate(drivers):
        if driver.column in sections:
            x = driver.standardise(sections[driver.column].values)
            out[:, d] = np.where(np.isfinite(x), x, mean[d])
    return out


def driver_means(sections: xr.Dataset, drivers: tuple[Driver, ...]) -> np.ndarray:
    """Mean of each standardised covariate where it is recorded, shape (driver,); a table may carry another's."""
    if "driver_mean" in sections:
        return np.asarray(sections["driver_mean"].values, float)
    out = np.zeros(len(drivers))
    for d, driver in enumerate(drivers):
        if driver.column in sections:
            x = driver.standardise(sections[driver.column].values)
            out[d] = x[np.isfinite(x)].mean() if np.isfinite(x).any() else 0.0
    return out


def type_mix(sections: xr.Dataset, priors: PriorSet) -> np.ndarray:
    """Sections of each overlay type, shape (type,); a table may carry another's."""
    if "type_mix" in sections:
        return np.asarray(sections["type_mix"].values)
    return np.bincount(type_index(sections, priors), minlength=len(priors.types))


def with_constants_of(sections: xr.Dataset, fitted: xr.Dataset, priors: PriorSet) -> xr.Dataset:
    """A table that carries what the model takes from a whole table, as it was in another.

    Means of covariates that are not recorded, rates of measures where nothing is recorded, and the mix of
    overlay types to which the effects' stated ratios refer: with those of the table that was fitted, the
    likelihood of a section changes with its own records alone.
    """
    names = [m.name for m in priors.measures]
    required = Requirements.of(fitted, priors)
    rate = xr.DataArray(required.rate, coords={"measure": names}, dims="measure")
    out = sections.assign(
        driver_mean=("driver", driver_means(fitted, priors.drivers)), type_mix=("type", type_mix(fitted, priors))
    )
    if names and "measure" in sections.dims:
        out["required_rate"] = rate.reindex(measure=sections["measure"].values)
    return out


def _positions(sections: xr.Dataset, column: str, names: tuple[str, ...]) -> np.ndarray:
    if column not in sections:
        return np.full(sections.sizes["section"], -1)
    position = {name: i for i, name in enumerate(names)}
    return np.array([position.get(name, -1) for name in sections[column].values.astype(str)], int)
