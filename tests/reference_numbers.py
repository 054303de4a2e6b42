"""Results of a small invented programme from stand-in draws, to be compared with `reference_numbers.json`.

`python tests/reference_numbers.py` writes the file anew; do so only where a change of the numbers is meant.
"""

from __future__ import annotations

import json
from pathlib import Path

import builders
from surveyed import records_of

from riskmodel.measures import all_portfolios
from riskmodel.priordraws import prior_draws
from riskmodel.programme import programme_from_records
from riskmodel.simulate import simulate

FILE = Path(__file__).with_suffix(".json")
MEASURES = ("prompt_sawing", "internal_curing")


def numbers() -> dict[str, float]:
    """Mean of every quantity of every portfolio over the draws."""
    priors = builders.priors()
    programme = programme_from_records(records_of(priors, 30).sections, priors)
    result = simulate(prior_draws(priors, draws=100, seed=1), programme, priors,
                      portfolios=all_portfolios(MEASURES), seed=1)  # fmt: skip
    mean = result["value"].mean("sample")
    return {
        f"{portfolio}, {quantity}": float(mean.sel(portfolio=portfolio, quantity=quantity))
        for portfolio in mean["portfolio"].values.astype(str)
        for quantity in mean["quantity"].values.astype(str)
    }


if __name__ == "__main__":
    FILE.write_text(json.dumps(numbers(), indent=1) + "\n", encoding="utf-8")
