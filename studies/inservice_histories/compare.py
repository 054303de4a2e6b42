"""Two checks of the method on the public histories, both by one rule and one estimator.

    riskmodel run studies/inservice_histories
    python studies/inservice_histories/compare.py

The rule is `convert.failure_intervals`, the estimator `riskmodel.lifetable.turnbull`. Readings are
simulated from the posterior at the ages at which the sections were really visited, with works that
come as in the records, put through the rule and the estimator; the curve of the records is shown
beside the simulated ones.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).resolve().parent))
import convert

from riskmodel.errors import RiskModelWarning
from riskmodel.lifetable import survival_at, turnbull

MANY = 15  # sections at risk from which on curves are compared


def main() -> None:
    """Print the curve of the records beside those of simulated readings."""
    tree = xr.open_datatree(convert.HERE / "results" / "posterior.nc", engine="h5netcdf")
    comparison = compare(tree["posterior"].to_dataset(), np.random.default_rng(20260101))
    print(comparison.to_dataframe().round(3).to_string())
    simulated = np.quantile(comparison.attrs["failures_simulated"], [0.05, 0.5, 0.95])
    print(f"failures: {comparison.attrs['failures_recorded']} recorded, simulated 5/50/95 %: {simulated}")


def all_visits() -> pd.DataFrame:
    """Every visit: `section`, `surveyed` (age in years), `ride_index`, `restored`."""
    sections, surveys = convert.records()
    opened = surveys["section"].map(sections.set_index("section")["opened"])
    return surveys.assign(surveyed=(surveys["surveyed"] - opened).dt.days / 365.25)


def before_visits(visits: pd.DataFrame) -> pd.DataFrame:
    """What is known before each visit but the first: a constant, the last index and its age, ln of the gap."""
    last = visits.groupby("section")[["ride_index", "surveyed"]].shift()
    columns = {
        "constant": 1.0,
        "index": (last["ride_index"] - 65.0) / 10.0,
        "age": (last["surveyed"] - 15.0) / 10.0,
        "gap": np.log(visits["surveyed"] - last["surveyed"]),
    }
    return pd.DataFrame(columns, index=visits.index).where(last["surveyed"].notna())


def work_odds(visits: pd.DataFrame) -> np.ndarray:
    """Logistic regression of work before a visit on what was known before, until the first work.

    Work is done sooner where the ride is poor. Histories that close for that reason hold fewer
    failures than histories that run on.
    """
    untouched = visits.groupby("section")["restored"].cumsum() - visits["restored"] == 0
    known = before_visits(visits)[untouched].dropna()
    x, y = known.to_numpy(), visits.loc[known.index, "restored"].to_numpy(dtype=float)
    return minimize(lambda b: np.logaddexp(0.0, x @ b).sum() - y @ x @ b, np.zeros(x.shape[1]), method="BFGS").x


def age_range(intervals: pd.DataFrame) -> tuple[float, float]:
    """Ages between which `MANY` sections or more are at risk without a break."""
    ages = np.arange(0.0, 60.0, 0.25)
    entry, leave = intervals["observed_from"].to_numpy(), intervals["last_seen"].to_numpy()
    enough = ((entry < ages[:, None]) & (leave >= ages[:, None])).sum(axis=1) >= MANY
    first = int(np.argmax(enough))
    return float(ages[first]), float(ages[first + int(np.argmin(enough[first:])) - 1])


def histories(visits: pd.DataFrame, from_age: float) -> pd.DataFrame:
    """Failure intervals by the rule, from visits at `from_age` and later only.

    Every section then enters at its first visit after that age, and the few young ones, hardly any
    at risk beside them, cannot spoil the curve for the others.
    """
    untouched = visits[visits.groupby("section")["restored"].cumsum() == 0]
    return convert.failure_intervals(untouched[untouched["surveyed"] >= from_age], convert.threshold())


def curve(visits: pd.DataFrame, ages: np.ndarray, given: float) -> tuple[np.ndarray, int]:
    """Turnbull survival at `ages` among sections that reached `given`, and the number of failures."""
    intervals = histories(visits, given)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RiskModelWarning)  # simulated visits may leave gaps far out
        table = turnbull(intervals["last_seen"], intervals["failed_by"].fillna(np.inf), intervals["observed_from"])
    at = survival_at(table, ages)
    return (at["survival_lower"].values + at["survival_upper"].values) / 2, int(intervals["failed_by"].notna().sum())


def simulate(draw: xr.Dataset, visits: pd.DataFrame, work: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Readings and works of new lives at the visits' ages, from one posterior draw.

    Written out once more, apart from the model's own code: condition as built z0, path
    z0 (1 - x) + z_threshold x with x = (t / T)^kappa, normal scatter; z is index minus 100. Work
    comes with the odds `work` of the reading before. Visits after a section was taken out are dropped.
    """
    section, names = pd.factorize(visits["section"])
    age = visits["surveyed"].to_numpy()
    life, end = _lives(draw, visits.groupby("section")["surveyed"].first()[names].to_numpy(), rng)
    built = draw["start_index"].item() + draw["start_spread"].item() * rng.standard_normal(names.size)
    worn = (age / life[section]) ** draw["kappa"].item()
    path = built[section] * (1.0 - worn) + convert.threshold() * worn
    scatter = draw["noise"].item() * rng.standard_normal(len(visits))
    seen = visits.assign(ride_index=np.clip(path + scatter, 0.0, 100.0))
    log_odds = before_visits(seen).to_numpy() @ work
    return seen.assign(restored=rng.logistic(size=len(seen)) < log_odds)[age <= end[section]]


def _lives(draw: xr.Dataset, entry: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Ages at failure and at the end of service: Weibull, then a gamma lag, until it outlives `entry`."""
    median, shape, lag = (draw[name].item() for name in ("wear_out_median", "wear_out_shape", "removal_lag"))
    life, end = np.zeros(entry.size), np.zeros(entry.size)
    while (missing := end <= entry).any():
        n = int(missing.sum())
        life[missing] = median * (rng.exponential(size=n) / np.log(2.0)) ** (1.0 / shape)
        end[missing] = life[missing] + rng.gamma(2.0, lag / 2.0, n)
    return life, end


def compare(posterior: xr.Dataset, rng: np.random.Generator, draws: int = 200) -> xr.Dataset:
    """Curve of the records and the spread of simulated ones, by age.

    Returns
    -------
    Dataset
        Dimension `age`: `recorded`, and `lowest`, `lower`, `median`, `upper`, `highest` (1, 5, 50, 95,
        99 % of the simulated).
        Attributes `given`, `failures_recorded`, `failures_simulated`.
    """
    visits = all_visits()
    work = work_odds(visits)
    first, last = age_range(histories(visits, 0.0))
    ages = np.arange(np.ceil(first / 5.0) * 5.0 + 5.0, last, 5.0)
    recorded, failures = curve(visits, ages, first)
    drawn = posterior.stack(sample=("chain", "draw"))
    simulated, counts = [], []
    for number in rng.choice(drawn.sizes["sample"], draws, replace=False):
        survival, count = curve(simulate(drawn.isel(sample=number), visits, work, rng), ages, first)
        simulated.append(survival)
        counts.append(count)
    names = ("lowest", "lower", "median", "upper", "highest")
    quantiles = np.quantile(simulated, [0.01, 0.05, 0.5, 0.95, 0.99], axis=0)
    columns = {"recorded": recorded, **dict(zip(names, quantiles, strict=True))}
    result = xr.Dataset({name: ("age", values) for name, values in columns.items()}, coords={"age": ages})
    return result.assign_attrs(given=first, failures_recorded=failures, failures_simulated=counts)


if __name__ == "__main__":
    main()
