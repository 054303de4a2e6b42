"""Planned overlays: chance of failing early, what drives it, which measures help, bonded against unbonded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from .attribution import AverageSection, Part, fair_parts, known_levels, required_of
from .inputs import Inputs
from .lives import Draws
from .measures import Portfolio, type_index
from .newsections import lives_of
from .priors import OverlayType, PriorSet

__all__ = ["COLUMNS", "PlannedSection", "planned_sections", "planned_table"]

Progress = Callable[[int, int, str], None]
COLUMNS = ("section", "subject", "item", "mean", "lower", "upper", "likely")


@dataclass(frozen=True)
class PlannedSection:
    """One planned section, every number at every draw, arrays (sample,).

    Parameters
    ----------
    name, overlay_type : str
    early_failure : ndarray
        P(failing before the early age).
    average : ndarray
        The same for the average section of the records.
    parts : tuple of Part
        What makes the difference, in order.
    helps : tuple of Part
        Early failures averted by each measure that is applicable and not yet required, the most helpful first.
    bonds : mapping of str to ndarray
        P(failing early) by bond, where the base allows both; empty otherwise.
    """

    name: str
    overlay_type: str
    early_failure: np.ndarray
    average: np.ndarray
    parts: tuple[Part, ...]
    helps: tuple[Part, ...]
    bonds: dict[str, np.ndarray]


def planned_sections(
    table: xr.Dataset,
    reference: xr.Dataset,
    posterior: xr.Dataset,
    priors: PriorSet,
    *,
    early_age: float,
    samples: int = 200,
    nodes: int = 7,
    progress: Progress | None = None,
) -> list[PlannedSection]:
    """Early failure of every planned section.

    Parameters
    ----------
    table : Dataset of kind `programme`
        Planned sections. What is not recorded of them counts as in the average section; a contractor or district
        known from the records keeps its term.
    reference : Dataset of kind `sections` or `programme`
        Whose average section they are compared with.
    posterior : Dataset (chain, draw, ...)
    priors : PriorSet
    early_age : float
        Years.
    samples : int
        Draws used, evenly spaced.
    """
    draws, average = Draws.of(posterior, samples), AverageSection.of(reference, priors)
    found = []
    for i in range(table.sizes["section"]):
        found.append(_one(_settled(table.isel(section=[i]), priors, average), average, draws, priors, early_age, nodes))
        if progress is not None:
            progress(i + 1, table.sizes["section"], "planned sections")
    return found


def _settled(section: xr.Dataset, priors: PriorSet, average: AverageSection) -> xr.Dataset:
    """The section as a programme: nothing was chosen for it yet, and empty cells are filled at the records' rates."""
    out = section.copy()
    if "measure" in out.dims:
        names = [m.name for m in priors.measures]
        out["randomised"] = xr.ones_like(out["required"], dtype=bool)
        rates = xr.DataArray(average.rates, coords={"measure": names}, dims="measure")
        out["required_rate"] = rates.reindex(measure=out["measure"].values)
    return out


def _one(
    section: xr.Dataset, average: AverageSection, draws: Draws, priors: PriorSet, early_age: float, nodes: int
) -> PlannedSection:
    own, of_average, parts = fair_parts(section, average, draws, priors, early_age=early_age, nodes=nodes)
    overlay = priors.types[int(type_index(section, priors)[0])]

    def failing(kind: OverlayType, portfolio: Portfolio | None = None) -> np.ndarray:
        return _failing(_as(section, kind), average, draws, priors, early_age, nodes, portfolio)

    helps = [
        Part(m.name, own - failing(overlay, Portfolio(m.name, (m.name,))))
        for m in priors.measures
        if overlay.name in m.applies_to and required_of(section, m.name) != 1.0
    ]
    both = [t for t in priors.types if t.base == overlay.base and t.base]
    bonds = {t.bond: failing(t) for t in both} if len(both) > 1 else {}
    name = str(section["section"].values[0])
    helps.sort(key=lambda part: -float(part.draws.mean()))
    return PlannedSection(name, overlay.name, own, of_average, tuple(parts), tuple(helps), bonds)


def _as(section: xr.Dataset, kind: OverlayType) -> xr.Dataset:
    """The section as an overlay of another type."""
    if not kind.base:
        return section
    return section.assign(bond=("section", [kind.bond]), base=("section", [kind.base]))


def _failing(
    section: xr.Dataset,
    average: AverageSection,
    draws: Draws,
    priors: PriorSet,
    early_age: float,
    nodes: int,
    portfolio: Portfolio | None,
) -> np.ndarray:
    """P(failing early) of one section under a portfolio, (sample,)."""
    inputs = Inputs.of(section, priors, {}, portfolio=portfolio)
    drivers = inputs.drivers.copy()
    for d, driver in enumerate(priors.drivers):
        if driver.column not in section or not np.isfinite(section[driver.column].values[0]):
            drivers[0, d] = average.drivers[d]
    year = "opened_year" in section and bool(np.isfinite(section["opened_year"].values[0]))
    known = inputs.score_variance < 1.0
    inputs = replace(
        inputs,
        drivers=drivers,
        decades=inputs.decades if year else np.array([average.decades]),
        group=known_levels(section, draws, priors),
        score_mean=np.where(known, inputs.score_mean, average.score_mean),
        score_variance=np.where(known, inputs.score_variance, average.score_variance),
    )
    lives, at = lives_of(draws, inputs, priors, nodes=nodes), np.array([early_age])
    return np.asarray(1.0 - (lives.early_survival(at) * np.exp(lives.log_wear_survival(at)))[:, 0, 0])


def planned_table(sections: list[PlannedSection]) -> pd.DataFrame:
    """Everything found, one number a row.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`. Subjects: `early_failure` (of the section, and of the average section), `driver` (parts of
        the difference; they add up to it), `measure` (early failures averted) and `bond`. Mean and 90 % interval
        over draws; `likely`: share of draws in which the number is above zero.
    """
    rows: list[tuple[object, ...]] = []
    for one in sections:
        listed = [("early_failure", "planned", one.early_failure), ("early_failure", "average section", one.average)]
        listed += [("driver", part.name, part.draws) for part in one.parts]
        listed += [("measure", part.name, part.draws) for part in one.helps]
        listed += [("bond", name, draws) for name, draws in one.bonds.items()]
        for subject, item, draws in listed:
            lower, upper = np.quantile(draws, (0.05, 0.95))
            rows.append((one.name, subject, item, draws.mean(), lower, upper, float((draws > 0).mean())))
    return pd.DataFrame(rows, columns=list(COLUMNS))
