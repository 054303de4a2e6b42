"""What the page is made from: results of the stages before it, read and never worked out anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from ..measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio
from ..rounding import Known, spread

if TYPE_CHECKING:
    from ..changewords import Told
    from ..exclusion import Exclusion
    from ..priorset import PriorSet

__all__ = ["MOST_SWITCHES", "Material", "Row", "rows_of"]

Row = dict[str, Any]
"""One row of a table: column to cell."""

MOST_SWITCHES = 5
"""Measures that get a switch each; beyond that the portfolios stand in a list."""


@dataclass(frozen=True)
class Material:
    """Results of one study.

    Parameters
    ----------
    title, agency : str
        As the study states them; anything may stand in them.
    simulation : Dataset of kind `simulation`
    portfolios : tuple of Portfolio
        Those of the simulation, with their measures and rules.
    priors : PriorSet
        With the measures in play.
    prior_only : bool
        No record was used.
    threshold : float
        Condition index that counts as failure.
    index : str
        Name of the condition index.
    tables : mapping of str to DataFrame
        Tables of the results by name (`portfolios`, `causes`, `parameters`, `ranking`, ...); absent ones
        are those that the study did not ask for.
    exclusion : Exclusion
    census : tuple of str
        The records in a few lines.
    gate : sequence of mapping, or None
        Checks of the sampler; None where nothing was sampled.
    provenance : mapping
        Versions, seed, command, digests of inputs.
    simulation_digest : str
        Of the file of the simulation: what was asked of another one is out of date.
    notes : tuple of str
        Warnings that arose on the way.
    told : Told or None
        What the last round of records changed.
    """

    title: str
    agency: str
    simulation: xr.Dataset
    portfolios: tuple[Portfolio, ...]
    priors: PriorSet
    prior_only: bool
    threshold: float
    index: str
    tables: Mapping[str, pd.DataFrame]
    exclusion: Exclusion
    census: tuple[str, ...] = ()
    gate: Sequence[Mapping[str, Any]] | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)
    simulation_digest: str = ""
    notes: tuple[str, ...] = ()
    told: Told | None = None

    @property
    def early_age(self) -> float:
        """Age below which a failure is early, years."""
        return float(self.simulation.attrs["early_age"])

    @property
    def horizon(self) -> float:
        """Age up to which mean lives are counted, years."""
        return float(self.simulation.attrs["horizon"])

    @property
    def observed_to(self) -> float:
        """95th percentile of the observed ages, years; 0 without records."""
        return max(float(self.simulation.attrs["observed_to"]), 0.0)

    @property
    def whole(self) -> str:
        """What shares are shares of."""
        return "units of area" if self.simulation.attrs["weighted_by_area"] else "sections"

    @property
    def options(self) -> list[Portfolio]:
        """What can be required: every portfolio but the two references."""
        return [p for p in self.portfolios if p.name not in (CURRENT_PRACTICE, NO_MEASURES)]

    @property
    def measures(self) -> tuple[str, ...]:
        """Measures of the portfolios, in the order in which the study names them."""
        return tuple(dict.fromkeys(m for p in self.options for m in p.measures))

    @property
    def switches(self) -> dict[str, str]:
        """Portfolio of every combination of measures, keyed by `a+b` in order; empty if some are missing."""
        measures = self.measures
        if not 1 <= len(measures) <= MOST_SWITCHES or any(p.where for p in self.options):
            return {}
        found = {self.key(p.measures): p.name for p in self.options} | {"": CURRENT_PRACTICE}
        return found if len(found) == 2 ** len(measures) else {}

    def key(self, measures: Sequence[str]) -> str:
        """One text for a set of measures, whatever their order."""
        return "+".join(m for m in self.measures if m in measures)

    def draws(self, portfolio: str, quantity: str) -> np.ndarray:
        """A quantity of a portfolio over draws, (sample,)."""
        return np.asarray(self.simulation["value"].sel(portfolio=portfolio, quantity=quantity).values)

    def quantity(self, portfolio: str, quantity: str) -> Known:
        """A quantity of a portfolio, mean and 90 % interval."""
        return spread(self.draws(portfolio, quantity))

    def averted(self, portfolio: str) -> np.ndarray:
        """Early failures averted of 100, draw by draw, (sample,)."""
        now, then = (self.draws(p, "early_failure_probability") for p in (CURRENT_PRACTICE, portfolio))
        return np.asarray(100.0 * (now - then))

    def longer(self, portfolio: str, quantity: str = "b10_age") -> np.ndarray:
        """Gain of an age on current practice, years, draw by draw, (sample,)."""
        return np.asarray(self.draws(portfolio, quantity) - self.draws(CURRENT_PRACTICE, quantity))

    def assured(self, portfolio: str) -> float:
        """Age that 90 of 100 outlive with 95 % credibility in a large programme, years."""
        return float(self.simulation["assured_age"].sel(portfolio=portfolio).values[0])

    def mostly_extrapolated(self, portfolio: str, quantity: str) -> bool:
        """Whether more than half of a quantity lies beyond the observed ages."""
        return float(self.simulation["extrapolated"].sel(portfolio=portfolio, quantity=quantity)) > 0.5

    def words(self, name: str) -> str:
        """A name of the study or the prior files as it is read aloud."""
        return {CURRENT_PRACTICE: "current practice", NO_MEASURES: "no measures"}.get(name, name.replace("_", " "))

    def quantity_words(self, name: str) -> str:
        """A life quantity in words, a share as a number of 100."""
        return {
            "early_failure_probability": f"fail before age {self.early_age:g}, of 100",
            "b10_age": "90 in 100 outlive, years",
            "median_age": "half outlive, years",
            "restricted_mean_age": f"mean life up to age {self.horizon:g}, years",
        }.get(name, "")

    def table(self, name: str) -> pd.DataFrame | None:
        """A table of the results, None if there is none or it is empty."""
        found = self.tables.get(name)
        return None if found is None or found.empty else found


def rows_of(table: pd.DataFrame) -> list[Row]:
    """Rows of a table, in order."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
