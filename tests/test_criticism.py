"""The model against its own records: right where the truth made them, wrong where a parameter is moved.

Records come from `generator`, which shares no code with the package's simulation. Invented data.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr
from knowntruth import PRIORS, records_of_truth, truth_times

from riskmodel.criticism import fit_table, moved_table, readings_table, residual_ranks
from riskmodel.measures import Portfolio
from riskmodel.priordraws import prior_draws
from riskmodel.programme import programme_from_records
from riskmodel.replicas import Replicas, draw_replicas
from riskmodel.simulate import simulate

SAMPLES = 120


posterior = partial(truth_times, SAMPLES)


@pytest.fixture(scope="module")
def records() -> SimpleNamespace:
    return records_of_truth()


def replicas(records: Any, **factors: float) -> Replicas:
    return draw_replicas(posterior(**factors), records, PRIORS, seed=5, samples=SAMPLES)


def simulation(records: Any, **factors: float) -> xr.Dataset:
    programme = programme_from_records(records.sections, PRIORS)
    return simulate(posterior(**factors), programme, PRIORS, portfolios=(), seed=5, samples=8)


def outside(table: Any) -> float:
    return float(1.0 - table["recorded"].between(table["lower"], table["upper"]).mean())


# ----------------------------------------------------------------------------- readings


def test_readings_of_the_truth_lie_where_nine_in_ten_simulated_ones_do(records: Any) -> None:
    table = readings_table(replicas(records), seed=5)
    assert len(table) >= 12
    # each quantile lies outside in one case of ten, and those of an age hang together
    assert outside(table) <= 0.30
    assert np.abs(table["recorded"] - table["expected"]).max() < 0.5


@pytest.mark.parametrize(
    ("name", "factor", "level", "sign"),
    [("noise", 0.6, 0.05, -1), ("noise", 1.6, 0.05, 1), ("kappa", 2.0, 0.5, -1), ("kappa", 0.5, 0.5, 1)],
)
def test_a_wrong_path_or_scatter_shows(records: Any, name: str, factor: float, level: float, sign: int) -> None:
    """Too little scatter leaves readings beyond the tails; a path that stays high too long lies above them."""
    table = readings_table(replicas(records, **{name: factor}), seed=5)
    assert outside(table) > 0.4
    rows = table[table["level"] == level]
    wrong = sign * (rows["recorded"] - rows["expected"])
    assert wrong.mean() > 0.1


def test_ranks_of_simulated_sets_are_standard_normal(records: Any) -> None:
    """Each set ranked among the others: exact by exchangeability, whatever the model says."""
    _, others = residual_ranks(replicas(records), seed=5)
    assert np.nanmean(others) == pytest.approx(0.0, abs=1e-9)
    assert np.nanstd(others) == pytest.approx(1.0, abs=0.03)


def test_a_section_that_is_gone_is_not_read(records: Any) -> None:
    made = replicas(records)
    gone = made.age >= made.removed[:, made.owner]
    assert gone.any()
    assert not made.there[gone].any()
    late = (made.removed <= made.entry)[:, made.owner]
    assert not made.there[late].any()


# --------------------------------------------------------------------------------- fit


def test_life_tables_and_the_true_model_agree(records: Any) -> None:
    known = posterior()
    table = fit_table(known, simulation(records), records, replicas(records))
    for curve, rows in table.groupby("curve"):
        assert len(rows) >= 10, curve
        assert (rows["recorded"].diff().dropna() <= 1e-12).all()
        assert (rows["model"].diff().dropna() <= 1e-12).all()
    service = table[table["curve"] == "in_service"]
    error = (service["recorded_upper"] - service["recorded_lower"]) / (2 * 1.6449)
    # the ages hang together: three and a half standard errors at the worst of them
    assert (np.abs(service["recorded"] - service["model"]) <= 3.5 * error + 0.005).all()
    read = table[table["curve"] == "above_threshold"]
    assert outside(read) <= 0.3


def test_lives_that_are_too_short_show(records: Any) -> None:
    short = {"wear_out_median": 0.6}
    table = fit_table(posterior(**short), simulation(records, **short), records, replicas(records, **short))
    for curve, rows in table.groupby("curve"):
        late = rows[rows["age"] >= 15]
        assert (late["recorded"] > late["upper"]).mean() > 0.6, curve


def test_service_is_life_delayed_by_the_lag() -> None:
    """Against a direct simulation of Weibull lives and Gamma(2) lags, three standard errors."""
    grid = np.concatenate([np.arange(0.0, 60.25, 0.5), [80.0, 200.0]])
    alive = np.exp(-np.log(2.0) * (grid / 20.0) ** 2.5)
    shape = ("sample", "portfolio", "age")
    curve = xr.Dataset(
        {"survival": (shape, alive[None, None])},
        coords={"portfolio": ["current_practice"], "age": grid},
        attrs={"horizon": 60.0},
    )
    lag = xr.Dataset({"removal_lag": (("chain", "draw"), [[4.0]])})
    rng = np.random.default_rng(1)
    count = 200_000
    leave = 20.0 * (rng.exponential(size=count) / np.log(2.0)) ** 0.4 + rng.gamma(2.0, 2.0, count)
    sections = xr.Dataset(
        {
            "age_removed": ("section", np.where(leave[:400] < 30, leave[:400], np.nan)),
            "age_in_service": ("section", np.where(leave[:400] < 30, np.nan, 30.0)),
            "age_entry": ("section", np.zeros(400)),
        }
    )
    table = fit_table(lag, curve, SimpleNamespace(sections=sections))
    for _, row in table.iterrows():
        share = (leave > row["age"]).mean()
        assert row["model"] == pytest.approx(share, abs=3 * np.sqrt(share * (1 - share) / count) + 5e-4)


# -------------------------------------------------------------------------- priors against posterior


def test_nothing_moves_where_the_posterior_is_the_prior(records: Any) -> None:
    few = replace(PRIORS, measures=PRIORS.measures[:1])
    drawn = prior_draws(few, draws=40, seed=2)
    sections = records.sections.isel(section=slice(0, 20), measure=slice(0, 1))
    programme = programme_from_records(sections, few)
    sawing = Portfolio("pre_survey", ("pre_survey",))
    after = simulate(drawn, programme, few, portfolios=[sawing], seed=5, samples=40)
    table = moved_table(drawn, after, programme, few, samples=40)
    assert list(table["quantity"])[-1] == "averted"
    for end in ("mean", "lower", "upper"):
        assert table[f"prior_{end}"].to_numpy() == pytest.approx(table[end].to_numpy(), rel=1e-9, abs=1e-12)
    narrow = simulate(drawn.isel(draw=slice(0, 5)), programme, few, portfolios=[sawing], seed=5)
    moved = moved_table(drawn, narrow, programme, few, samples=40).set_index("quantity").loc["b10_age"]
    assert moved["upper"] - moved["lower"] < moved["prior_upper"] - moved["prior_lower"]
