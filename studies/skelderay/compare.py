"""How near the results come to the truth: a table for the README, and the figure of the life distribution.

Run after `riskmodel run studies/skelderay`. Prints Markdown; writes `life.svg` beside this file.
"""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import xarray as xr

from riskmodel.figures import plot_life, rendered

HERE = Path(__file__).resolve().parent
QUANTITIES = (
    ("current_practice", "early_failure_probability"),
    ("no_measures", "early_failure_probability"),
    ("current_practice", "b05_age"),
    ("current_practice", "b10_age"),
    ("current_practice", "b20_age"),
    ("current_practice", "median_age"),
    ("current_practice", "restricted_mean_age"),
    ("pre_survey", "life_gain"),
    ("separation_fabric", "life_gain"),
    ("prompt_sawing", "life_gain"),
    ("internal_curing", "life_gain"),
)


def comparison() -> pd.DataFrame:
    """Truth beside mean and 90 % interval."""
    truth = json.loads((HERE / "truth.json").read_text())["results"]["ever_built"]
    table = pd.read_csv(HERE / "results" / "tables" / "portfolios.csv").set_index(["portfolio", "quantity"])
    rows = []
    for portfolio, quantity in QUANTITIES:
        found, true = table.loc[(portfolio, quantity)], truth[portfolio][quantity]
        inside = found["lower"] <= true <= found["upper"]
        rows.append((portfolio, quantity, true, found["mean"], found["lower"], found["upper"], inside))
    return pd.DataFrame(rows, columns=["portfolio", "quantity", "truth", "mean", "lower", "upper", "inside"])


def main() -> None:
    """Print the table and write the figure."""
    print("| | quantity | truth | found (90 % interval) | inside |\n|---|---|---|---|---|")
    for row in comparison().itertuples():
        found = f"{row.mean:.3f} ({row.lower:.3f} to {row.upper:.3f})"
        print(f"| {row.portfolio} | {row.quantity} | {row.truth:.3f} | {found} | {'yes' if row.inside else 'no'} |")
    simulation = xr.load_dataset(HERE / "results" / "simulation.nc", engine="h5netcdf")
    shown = ("no_measures", "current_practice", "pre_survey + separation_fabric + prompt_sawing + internal_curing")
    picture = rendered(lambda ax: plot_life(ax, simulation, shown))
    (HERE / "life.svg").write_bytes(picture)


if __name__ == "__main__":
    main()
