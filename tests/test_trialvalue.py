"""What a trial is worth to a programme: the law of values, limits, money, and the words about it."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from builders import effect, fixed, measure, priors, quantity
from test_trial import programme

from riskmodel.condition import Condition
from riskmodel.errors import RiskModelError
from riskmodel.firstsigns import EVERYTHING, FirstSigns
from riskmodel.information import evppi
from riskmodel.lives import Draws
from riskmodel.measures import CURRENT_PRACTICE
from riskmodel.newsections import new_lives
from riskmodel.priordraws import prior_draws
from riskmodel.priors import ConditionPath
from riskmodel.trial import TrialDesign, draw_outcomes, trial_profiles
from riskmodel.trialvalue import Programme, TrialCost, parameter_groups, trial_parameters, value_of_trials
from riskmodel.trialwords import TRIAL_CAUTIONS, figure, trial_lines

SAMPLES = 300
# one measure, one mechanism that fails many roads within a few years: ten pairs can tell
EARLY = priors(
    early_failure=quantity("beta", 30, 70),
    measures=(measure("curing", [effect(["random_cracking"], 0.45, sd=0.7)], compliance=quantity("beta", 90, 10)),),
    mechanisms=tuple(
        replace(m, share={"any": 0.9 if m.name == "random_cracking" else 0.02}) for m in priors().mechanisms
    ),
    groups=(),
    # as well known as records make them: a trial then speaks of the measure
    path=ConditionPath(fixed(96.0), fixed(1.2), fixed(3.0), fixed(2.0), fixed(0.0)),
    removal_lag=fixed(2.0),
    share_sd=fixed(0.1),
    wear_out_sd_common=fixed(0.05),
)


def benefit_of(draws: Draws, price: float) -> xr.DataArray:
    """Net benefits that hang on the measure's effect alone: roads saved, less a price."""
    saved = 1.0 - np.exp(-np.clip(draws["delta"][:, 0], -1.0, None))
    values = np.column_stack([np.zeros(draws.count), 10.0 * saved - price])
    return xr.DataArray(values, coords={"portfolio": [CURRENT_PRACTICE, "curing"]}, dims=("sample", "portfolio"))


@pytest.fixture(scope="module")
def draws() -> Draws:
    return Draws.of(prior_draws(EARLY, draws=SAMPLES, seed=8), SAMPLES)


def ask(draws: Draws, benefit: xr.DataArray, **changes):
    asked = {
        "design": TrialDesign("curing", 10, 5),
        "sizes": (5, 20),
        "lengths": (4, 8),
        "programme": Programme(30.0, 20, 0.03),
        "cost": TrialCost(10.0, 1.0, 0.1),
        "trials": 40,
        "seed": 4,
        **changes,
    }
    return value_of_trials(benefit, draws, programme(EARLY), EARLY, Condition(), **asked)


@pytest.fixture(scope="module")
def value(draws):
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # the law holds
        return ask(draws, benefit_of(draws, 4.0))


def test_the_law_of_values_holds(value):
    """0 <= EVSI <= EVPPI(all parameters of the trial's likelihood) <= EVPI within three standard errors."""
    assert value.broken == ()
    for one in value.trials:
        error = 3.0 * np.hypot(one.sample.error, value.partial.error)
        assert 0.0 <= one.sample.value <= value.partial.value + error
    assert value.partial.value <= value.perfect.value + 3.0 * np.hypot(value.partial.error, value.perfect.error)
    effect_alone = value.groups["effect of curing"]
    assert effect_alone.value == pytest.approx(value.perfect.value, rel=0.05)
    assert next(iter(value.groups)) == "effect of curing"


def test_a_trial_that_can_tell_is_worth_something(value):
    by_size = {(t.design.sections, t.design.years): t for t in value.trials}
    assert set(by_size) == {(5, 4), (20, 4), (5, 8), (20, 8)}
    large, small = by_size[20, 8], by_size[5, 4]
    assert large.sample.value > 1.5 * large.sample.error
    assert large.sample.value > small.sample.value
    assert 0.0 < large.sample.switch < 0.5
    assert large.settled > small.settled
    assert np.median(large.sample.ess) < np.median(small.sample.ess)


def test_another_algorithm_agrees(draws, value):
    """Regression on what a trial shows, without any likelihood.

    Strong, Oakley, Brennan and Breeze (2015), Medical Decision Making 35(5), 570-583; page not seen.
    Summaries hold less than the records, so it may find a little less.
    """
    benefit = benefit_of(draws, 4.0)
    large = next(t for t in value.trials if (t.design.sections, t.design.years) == (20, 8))
    profiles = trial_profiles(large.design, programme(EARLY), EARLY)
    lives = new_lives(draws, profiles.table, EARLY)
    found = draw_outcomes(
        draws, lives, profiles.order, Condition(), years=8, origin=np.arange(SAMPLES), seed=9, causes=False
    )
    lowest = np.nan_to_num(found.index, nan=0.0).min(axis=2)
    shown = [(lowest[:, arm::2] <= mark).sum(axis=1) for arm in (0, 1) for mark in (60.0, 75.0)]
    shown += [np.isfinite(found.age_removed[:, arm::2]).sum(axis=1) for arm in (0, 1)]
    regressed = evppi(benefit.values, np.column_stack(shown))
    error = 3.0 * np.hypot(regressed.error, large.sample.error)
    assert regressed.value == pytest.approx(large.sample.value, abs=error)
    assert regressed.value > 0.3 * large.sample.value


def test_recorded_causes_are_worth_having(draws):
    """A trial whose causes are recorded finds more, or the same within the error, and the order of values holds."""
    plain, told = (
        ask(
            draws,
            benefit_of(draws, 4.0),
            design=TrialDesign("curing", 10, 5, causes=causes),
            sizes=(6,),
            lengths=(5,),
            trials=30,
        )
        for causes in (False, True)
    )
    assert told.broken == ()
    one, other = told.trials[0].sample, plain.trials[0].sample
    assert one.value > other.value - 3.0 * np.hypot(one.error, other.error)
    assert one.value != other.value


def test_nothing_to_decide_is_worth_exactly_nothing(draws):
    """At a price above any gain current practice is best in every draw."""
    found = ask(draws, benefit_of(draws, 50.0), sizes=(5,), lengths=(4,), trials=30)
    assert found.perfect.value == found.partial.value == 0.0
    assert found.trials[0].sample.value == found.trials[0].sample.switch == 0.0
    assert found.trials[0].net.value == -found.trials[0].cost < 0.0
    assert found.best == CURRENT_PRACTICE
    assert found.likely == 0.0


def test_numbers_depend_on_the_seed_alone(draws):
    small = {"sizes": (2,), "lengths": (2,), "trials": 20}
    benefit = benefit_of(draws, 4.0)
    one, again = ask(draws, benefit, **small, workers=1), ask(draws, benefit, **small, workers=2)
    assert one.trials[0].sample.value == again.trials[0].sample.value
    assert one.trials[0].sample.value != ask(draws, benefit, **small, seed=5).trials[0].sample.value


def test_the_unit_of_the_net_benefit_is_that_of_the_value(draws, value):
    money = ask(draws, 1000.0 * benefit_of(draws, 4.0), sizes=(5,), lengths=(4,), cost=TrialCost())
    assert money.perfect.value == pytest.approx(1000.0 * value.perfect.value, rel=1e-9)
    assert money.trials[0].sample.value == pytest.approx(1000.0 * value.trials[0].sample.value, rel=1e-6)


# --------------------------------------------------------------------------------------- money


def test_only_roads_built_after_the_trial_count():
    """Ten a year, built in years 8 to 10 after a trial of six surveys: by hand."""
    found = Programme(10.0, 10, 0.05)
    assert found.sections_after(6) == pytest.approx(10.0 * (1.05**-8 + 1.05**-9 + 1.05**-10))
    assert Programme(10.0, 10, 0.0).sections_after(6) == 30.0
    assert found.sections_after(9) == 0.0


def test_cost_of_a_trial_by_hand():
    """2 x 3 sections: fixed 100 and 20 each in year 1, surveys of 2 in years 2 and 3."""
    cost = TrialCost(100.0, 20.0, 2.0).present(TrialDesign("curing", 3, 2), Programme(1.0, 10, 0.10))
    assert cost == pytest.approx((100.0 + 120.0) / 1.1 + 12.0 / 1.21 + 12.0 / 1.331)


@pytest.mark.parametrize(
    ("make", "match"),
    [
        (lambda: Programme(0.0, 10, 0.02), "`sections_per_year` is positive"),
        (lambda: Programme(1.0, 0, 0.02), "`horizon` is from 1 to 200"),
        (lambda: Programme(1.0, 10, 1.5), "`discount_rate` is a share.*got 1.5"),
        (lambda: TrialCost(1.0, -2.0, 0.0), "zero or positive; mend section"),
    ],
)
def test_impossible_money_is_refused(make, match):
    with pytest.raises(RiskModelError, match=match):
        make()


def test_what_does_not_fit_together_is_refused(draws):
    benefit = benefit_of(draws, 4.0)
    with pytest.raises(RiskModelError, match="net benefit has 299 draws, the parameters have 300"):
        ask(draws, benefit[1:])
    with pytest.raises(RiskModelError, match=r"no portfolio named 'curing'.*Add it to the portfolios"):
        ask(draws, benefit.assign_coords(portfolio=[CURRENT_PRACTICE, "other"]))


def test_groups_of_parameters(draws):
    groups = parameter_groups(draws, EARLY, np.array([0]))
    assert {"effect of curing", "prevalence of random_cracking", "ages of early failures", "wear-out"} <= set(groups)
    assert groups["wear-out"].shape == (SAMPLES, 3)
    assert all(np.isfinite(columns).all() for columns in groups.values())
    every = trial_parameters(draws, EARLY)
    assert every.shape[0] == SAMPLES
    assert any(np.array_equal(column, draws["delta"][:, 0]) for column in every.T)


# --------------------------------------------------------------------------------------- words


def signs() -> dict[bool, FirstSigns]:
    import pandas as pd

    columns = ["reading", "confirmed", "median_years", "mean_years", "chance_at_end"]
    table = pd.DataFrame(
        [("failures seen so far", 0.8, 4.0, 5.0, 0.9), (EVERYTHING, 0.9, 3.0, 4.0, 0.95)], columns=columns
    )
    never = pd.DataFrame([(EVERYTHING, 0.0, np.inf, np.inf, 0.6), ("worst", 0.01, np.inf, 7.0, 0.6)], columns=columns)
    return {True: FirstSigns(table, 0.7, 0.95, 20), False: FirstSigns(never, 0.7, 0.95, 20)}


def test_words_say_what_was_found_with_cautions(value):
    lines = trial_lines(value, signs(), unit="money", basis="Net benefit: invented.")
    text = " ".join(" ".join(lines).split())
    assert lines[0] == "What a trial of curing is worth"
    assert "Largest net value" in text
    assert "only roads built after the trial count" in text
    assert "Shows first: failures seen so far." in text
    assert "No single one settles what is open now within 20 years" in text
    assert "licensed engineer decide" in text
    assert all(" ".join(caution.split()) in text for caution in TRIAL_CAUTIONS)
    assert "Broken law" not in text
    assert "!" not in text
    assert max(map(len, lines)) <= 100


def said(found) -> str:
    return " ".join(" ".join(trial_lines(found, {}, unit="money", basis="b")).split())


def test_words_do_not_praise_what_does_not_pay(draws, value):
    nothing = ask(draws, benefit_of(draws, 50.0), sizes=(5,), lengths=(4,), trials=30, cost=TrialCost())
    assert "can tell from nothing" in said(nothing)
    dear = replace(value, trials=tuple(replace(t, cost=1e9) for t in value.trials))
    assert "No trial of these pays for itself" in said(dear)
    thin = replace(value, trials=tuple(
        replace(t, sample=replace(t.sample, ess=np.full(40, 9.0), pareto_k=np.full(40, 0.9))) for t in value.trials
    ), broken=("so and so",))  # fmt: skip
    text = said(thin)
    assert "rests on few draws" in text
    assert "not to be trusted (Pareto k above 0.7) for 5 x 4, 20 x 4" in text
    assert "Broken law: so and so" in text


@pytest.mark.parametrize(
    ("number", "text"), [(0.0, "0"), (0.012345, "0.0123"), (12345.6, "12,346"), (-0.5, "-0.5"), (np.inf, "never")]
)
def test_figures(number, text):
    assert figure(number) == text
