"""The watch list against the slow twin and against laws. Invented data."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pymc as pm
import pytest
import xarray as xr
from builders import fixed, priors
from generator import Generator, truth_of
from test_likelihood import draws_of, evaluator, records
from twin import Twin

from riskmodel.cellposterior import section_posterior
from riskmodel.cells import AgeGrid
from riskmodel.condition import Condition
from riskmodel.errors import RiskModelError
from riskmodel.lives import Draws
from riskmodel.model import build_model
from riskmodel.newsections import new_lives
from riskmodel.priordraws import prior_draws
from riskmodel.watch import COLUMNS, ENDED, IN_SERVICE, OVERDUE, REMOVED, SCATTERED, watch_table, years_until

CLOSE = date(2025, 1, 1)


def posterior_of(model, values: dict[str, np.ndarray]) -> xr.Dataset:
    """Parameter values as a posterior of one draw."""
    arrays = {v.name: np.asarray(values[v.name])[None, None] for v in model.free_RVs}
    return xr.Dataset({n: (("chain", "draw", *(f"{n}_{k}" for k in range(a.ndim - 2))), a) for n, a in arrays.items()})


def drawn_from(model, count: int) -> xr.Dataset:
    """Every named quantity of a model from its priors, the records unheeded."""
    names = [v.name for v in (*model.free_RVs, *model.deterministics)]
    arrays = pm.draw([model[n] for n in names], draws=count, random_seed=1, mode="FAST_COMPILE")
    return xr.Dataset(
        {
            n: (("chain", "draw", *(f"{n}_{k}" for k in range(a.ndim - 1))), a[None])
            for n, a in zip(names, map(np.asarray, arrays), strict=True)
        }
    )


def joined(*draws: xr.Dataset) -> xr.Dataset:
    return xr.concat(draws, dim="draw")


@pytest.fixture(scope="module")
def case():
    p, r = priors(), records(24)
    r.until = CLOSE
    r.sections["named"][0] = [True, False, False, True, False, False, True]
    r.sections["age_lower"][1], r.sections["age_upper"][1] = 2.0, 30.0
    model = build_model(r, p)
    values = [draws_of(model, seed) for seed in (1, 2)]
    single = [section_posterior(r, p, posterior_of(model, v)) for v in values]
    both = section_posterior(r, p, joined(*(posterior_of(model, v) for v in values)))
    return SimpleNamespace(priors=p, records=r, model=model, values=values, single=single, both=both)


def test_probabilities_sum_to_one_and_average_over_draws(case):
    for found in (*case.single, case.both):
        np.testing.assert_allclose(found.failing.sum(axis=1), 1.0, atol=1e-9)
        assert (found.early >= 0).all()
        assert ((found.susceptible >= found.by_cause.sum(axis=1) - 1e-9) & (found.susceptible <= 1.0)).all()
    for name in ("worn", "early", "susceptible", "scatter_tail", "service_tail"):
        mean = np.mean([getattr(one, name) for one in case.single], axis=0)
        np.testing.assert_allclose(getattr(case.both, name), mean, rtol=1e-9, atol=1e-12)


def test_every_section_equals_the_slow_twin(case):
    """Causes, ages and susceptibility by plain loops over a grid five times finer."""
    _, truth = evaluator(case.model)(case.values[0])
    twin, found = Twin(case.priors, truth, case.records), case.single[0]
    for i in (0, 4, 13, 23):
        joint, edges = twin.joint(i)
        posterior = joint / joint.sum()
        np.testing.assert_allclose(found.by_cause[i], posterior[:-1].sum(axis=1), atol=0.01)
        below = np.concatenate([[0.0], np.cumsum(posterior.sum(axis=0))])
        for age in (5.0, 12.0, 18.0, 30.0):
            slow = np.interp(age, edges, below)
            assert found.reached_by(np.full(24, age))[i] == pytest.approx(slow, abs=0.015)
        middle = np.where(edges[1:] > 200, 150.0, 0.5 * (edges[1:] + edges[:-1]))
        early = twin.life(i, middle)[0]
        spared = (posterior[-1] * twin.never_susceptible(i) / early).sum()
        assert found.susceptible[i] == pytest.approx(1 - spared, abs=0.01)
        ahead = np.maximum(middle - 10.0, 0.0) @ posterior.sum(axis=0)
        assert found.mean_beyond(np.full(24, 10.0))[i] == pytest.approx(ahead, abs=0.15)


def test_quantiles_undo_probabilities(case):
    for p in (0.05, 0.5, 0.95):
        np.testing.assert_allclose(case.both.reached_by(case.both.age_at(p)), p, atol=1e-9)
    ages = np.linspace(0.0, 180.0, 4_001)
    beyond = np.array([1 - case.both.reached_by(np.full(24, a)) for a in ages])
    np.testing.assert_allclose(case.both.mean_beyond(np.zeros(24)), np.trapezoid(beyond, ages, axis=0), rtol=1e-3)


@pytest.fixture(scope="module")
def opened_now():
    """Sections opened the day the records close: nothing is known of their lives."""
    p, r = priors(), records(6, surveys=False)
    r.until = CLOSE
    for name, value in (("age_in_service", 0.0), ("age_removed", np.nan), ("age_entry", 0.0), ("opened_year", 2025.0)):
        r.sections[name] = ("section", np.full(6, value))
    r.sections["named"][:] = False
    for name in ("contractor", "project"):
        r.sections[name] = ("section", np.full(6, ""))
    return p, r


def test_a_section_newly_opened_has_the_programmes_prior_probability(opened_now):
    p, r = opened_now
    drawn = drawn_from(build_model(r, p), 40)
    found = section_posterior(r, p, drawn)
    lives, ages = new_lives(Draws.of(drawn), r.sections, p), np.array([2.0, 10.0, 25.0])
    survival = lives.early_survival(ages) * np.exp(lives.log_wear_survival(ages))
    for k, age in enumerate(ages):
        np.testing.assert_allclose(found.reached_by(np.full(6, age)), 1 - survival[:, :, k].mean(axis=0), atol=2e-3)
    table = watch_table(found, r, years=2.0)
    assert (table["state"] == IN_SERVICE).all()
    assert (table["reached_already"] == 0).all()
    assert (table["remaining_lower"] > 0).all()


def test_in_service_means_failed_only_within_the_lag(case):
    """With a lag of zero a section in service has not failed; with one it may have, a little."""
    r = case.records
    serving = np.flatnonzero(np.isfinite(r.sections["age_in_service"].values))
    now = np.nan_to_num(r.sections["age_in_service"].values)
    assert (case.both.reached_by(now)[serving] > 0).all()
    hard = priors(removal_lag=fixed(0.0))
    model = build_model(r, hard)
    found = section_posterior(r, hard, posterior_of(model, draws_of(model, 1)))
    np.testing.assert_allclose(found.reached_by(now)[serving], 0.0, atol=1e-12)
    removed = np.flatnonzero(np.isfinite(r.sections["age_removed"].values))
    at = np.nan_to_num(r.sections["age_removed"].values)
    np.testing.assert_allclose(found.reached_by(at)[removed], 1.0, atol=1e-9)


def test_the_table_is_sorted_and_says_who_is_where(case):
    table = watch_table(case.both, case.records, years=2.0, labels={"other": "any other cause"})
    assert tuple(table.columns) == COLUMNS
    serving = table[table["state"] == IN_SERVICE]
    assert len(serving) > 5
    assert serving.index.tolist() == list(range(len(serving)))
    assert (np.diff(serving["reached_by_next"]) <= 0).all()
    assert (serving["reached_by_next"] >= serving["reached_already"]).all()
    assert ((serving["remaining_lower"] <= serving["remaining_mean"])
            & (serving["remaining_mean"] <= serving["remaining_upper"])).all()  # fmt: skip
    rest = table[table["state"] != IN_SERVICE]
    assert set(rest["state"]) <= {REMOVED, ENDED}
    assert rest[["reached_by_next", "remaining_mean"]].isna().all(axis=None)
    gone = np.isfinite(case.records.sections["age_removed"].values).sum()
    assert (table["state"] == REMOVED).sum() == gone
    assert set(table["likely_mechanism"]) & {m.name for m in case.priors.mechanisms}


def odd_case(kind: str) -> tuple[object, object, int]:
    """Records from known truth with one section spoilt, the true parameters, and which section it is."""
    p = priors()
    truth = truth_of(prior_draws(p, draws=8, seed=4), 3) | {"removal_lag": np.array(3.0)}
    made = Generator(p, truth, np.random.default_rng(4), Condition())
    r = made.records(30)
    r.until = CLOSE
    counts = np.bincount(r.readings["section_index"].values[r.readings["status"].values == "used"], minlength=30)
    alive = np.isfinite(r.sections["age_in_service"].values)
    chosen = int(np.argmax(counts * alive))
    rows = np.flatnonzero(r.readings["section_index"].values == chosen)
    if kind == SCATTERED:  # a reading of another road in the middle of the series
        r.readings["z"][rows[len(rows) // 2]] = float(Condition().to_z(45.0))
    else:  # read at the threshold and in service twenty years later
        age = r.sections["age_in_service"].values[chosen]
        r.readings["age"][rows] = np.linspace(1.0, 6.0, len(rows))
        r.readings["z"][rows] = Condition().to_z(np.linspace(92.0, 58.0, len(rows)))
        r.readings["status"][rows] = "used"
        assert age > 4
        r.sections["age_in_service"][chosen] = 30.0
        r.sections["opened_year"][chosen] = 1995.0
    model = build_model(r, p)
    values = draws_of(model, 1, spread=0.0)
    for name, value in truth.items():
        if name in values and np.shape(values[name]) == np.shape(value):
            values[name] = np.asarray(value)
    return section_posterior(r, p, posterior_of(model, values)), r, chosen


@pytest.mark.parametrize("kind", [SCATTERED, OVERDUE])
def test_records_that_fit_nothing_are_flagged_and_others_are_not(kind):
    found, r, chosen = odd_case(kind)
    flags = watch_table(found, r, years=1.0).set_index("section")["fits_nothing"]
    spoilt = str(r.sections["section"].values[chosen])
    assert kind in flags[spoilt]
    assert (flags.drop(spoilt) == "").all()


def test_without_early_mechanisms_everything_wears_out():
    p, r = priors(mechanisms=(), measures=(), groups=()), records(8)
    r.until = CLOSE
    r.sections = r.sections.drop_dims("measure")
    r.sections["named"] = r.sections["named"][:, -1:]
    model = build_model(r, p)
    found = section_posterior(r, p, posterior_of(model, draws_of(model, 1)))
    np.testing.assert_allclose(found.worn.sum(axis=1), 1.0)
    assert (found.susceptible == 0).all()
    assert (watch_table(found, r, years=1.0)["likely_mechanism"] == "").all()


def test_the_next_survey_comes_after_the_records_close(case):
    assert years_until(date(2026, 1, 1), case.records) == pytest.approx(1.0, abs=0.01)
    with pytest.raises(RiskModelError, match=r"after the records close \(2025-01-01\); got 2024-12-31"):
        years_until(date(2024, 12, 31), case.records)
    with pytest.raises(RiskModelError, match="hold no date"):
        years_until(date(2026, 1, 1), SimpleNamespace(until=None))


def test_a_finer_grid_changes_little(case):
    fine = section_posterior(
        case.records, case.priors, posterior_of(case.model, case.values[0]), grid=AgeGrid(cells=480)
    )
    now = np.nan_to_num(case.records.sections["age_in_service"].values)
    np.testing.assert_allclose(case.single[0].reached_by(now + 1), fine.reached_by(now + 1), atol=0.006)
