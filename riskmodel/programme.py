"""The sections for which results are stated: the records' roads overlaid again, or a table of planned overlays."""

from __future__ import annotations

import warnings

import numpy as np
import xarray as xr

from .errors import RiskModelWarning
from .measures import recorded_rates, type_index
from .priors import PriorSet

__all__ = ["programme_from_records", "programme_from_table", "warn_outside_records"]


def programme_from_records(sections: xr.Dataset, priors: PriorSet) -> xr.Dataset:
    """The records' sections as roads to be overlaid again: same roads and contracts, fates redrawn.

    Each keeps its selection terms; sections that entered the records late stand for those that did
    not live to be recorded (their weight is 1 / P(seen), draw by draw).
    """
    programme = sections.copy()
    if "measure" in sections.dims:
        required = sections["required"].reindex(measure=[m.name for m in priors.measures]).values
        rate = recorded_rates(sections, priors, np.asarray(required, float))
        programme["required_rate"] = xr.DataArray(
            rate, coords={"measure": [m.name for m in priors.measures]}, dims="measure"
        ).reindex(measure=sections["measure"].values)
    programme.attrs["programme"] = "records"
    return programme


def programme_from_table(table: xr.Dataset) -> xr.Dataset:
    """A table of planned overlays: nothing was chosen yet, so no selection terms; all are seen."""
    programme = table.copy()
    if "measure" in table.dims:
        programme["randomised"] = xr.ones_like(table["required"], dtype=bool)
    programme["age_entry"] = ("section", np.zeros(table.sizes["section"]))
    programme.attrs["programme"] = "table"
    return programme


def warn_outside_records(programme: xr.Dataset, sections: xr.Dataset, priors: PriorSet) -> None:
    """Warn where a planned programme leaves the range of the records: nothing there was learnt from them.

    Warns
    -----
    RiskModelWarning
        One for each of overlay type, traffic, thickness and panel length that leaves it.
    """
    names = [t.name for t in priors.types]
    known = set(type_index(sections, priors))
    strange = sorted({names[t] for t in type_index(programme, priors)} - {names[t] for t in known})
    if strange:
        warnings.warn(
            f"the programme holds overlay types that the records do not: {', '.join(strange)}. "
            "Their results rest on the priors.",
            RiskModelWarning,
            stacklevel=2,
        )
    for column in ("trucks_per_day", "thickness", "panel_length"):
        if column not in programme or column not in sections or not np.isfinite(sections[column]).any():
            continue
        low, high = float(sections[column].min()), float(sections[column].max())
        beyond = int(((programme[column] < low) | (programme[column] > high)).sum())
        if beyond:
            warnings.warn(
                f"{beyond} of {programme.sizes['section']} sections of the programme have a `{column}` outside the "
                f"range of the records ({low:.4g} to {high:.4g}). Their results are extrapolated.",
                RiskModelWarning,
                stacklevel=2,
            )
