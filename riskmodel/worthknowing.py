"""What it would be worth to know more before deciding: the table of a run, and its line on the page."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from .information import evpi, evppi, evppi_of_groups
from .lives import Draws
from .priors import PriorSet
from .trialvalue import parameter_groups, trial_parameters

__all__ = ["EVERYTHING", "knowledge_table", "knowledge_words"]

EVERYTHING, RECORDS = "everything", "everything that records of roads could teach"
COLUMNS = ("subject", "quantity", "value", "mcse", "part_of_everything", "variance_explained")
TRUSTED = 2.0  # standard errors from zero


def knowledge_table(
    net_benefit: np.ndarray, draws: Draws, priors: PriorSet, types: np.ndarray, prices: np.ndarray
) -> pd.DataFrame:
    """Value of perfect information, of all and of named groups of parameters, greatest first.

    Parameters
    ----------
    net_benefit : ndarray (sample, portfolio)
        Expected saving of a section, money.
    draws : Draws
        The same draws.
    priors : PriorSet
    types : ndarray of int
        Overlay types of the programme.
    prices : ndarray (sample, item)
        Drawn prices.

    Returns
    -------
    DataFrame
        Columns `subject, quantity` (evpi or evppi), `value, mcse` (money a section), `part_of_everything`,
        `variance_explained` (share of the variance of the options' differences that the group explains).
    """
    whole, taught = evpi(net_benefit), evppi(net_benefit, trial_parameters(draws, priors))
    groups = parameter_groups(draws, priors, types)
    moving = np.ptp(prices, axis=0) > 0
    if moving.any():
        groups["prices"] = np.log(prices[:, moving])
    found = sorted(evppi_of_groups(net_benefit, groups).items(), key=lambda item: -item[1].value)
    part = [value.value / whole.value if whole.value > 0 else 0.0 for value in (taught, *(v for _, v in found))]
    rows = [
        (EVERYTHING, "evpi", whole.value, whole.error, 1.0, np.nan),
        (RECORDS, "evppi", taught.value, taught.error, part[0], taught.explained),
        *((name, "evppi", v.value, v.error, p, v.explained) for (name, v), p in zip(found, part[1:], strict=True)),
    ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def knowledge_words(table: pd.DataFrame) -> Iterator[str]:
    """Sentences on what is worth knowing, from a `knowledge_table`."""
    if not float(table["value"].iloc[0]) > TRUSTED * float(table["mcse"].iloc[0]):
        yield "Knowing more would not change the choice: no measurement is worth its cost for this decision."
        return
    groups = table.iloc[2:]
    useful = groups[groups["value"] > TRUSTED * groups["mcse"]].head(3)
    if useful.empty:
        yield "No single group of unknowns holds much of what knowing everything is worth: they decide together."
        return
    parts = zip(useful["subject"].astype(str), useful["part_of_everything"].astype(float), strict=True)
    named = [f"{subject} ({100 * part:.0f} %)" for subject, part in parts]
    yield (
        f"Of what knowing everything would be worth, most is held by {'; '.join(named)}. No study can be worth more; "
        "`riskmodel trial-sections` says what a trial of a measure would be worth."
    )
