"""Value of information against closed forms, laws and limits.

With net benefits 0 and theta, theta ~ N(mean, sd), the value of perfect information is sd * L(|mean| / sd), L the
unit normal loss integral; of data of precision h the sd is that of the posterior mean, sd^2 / sqrt(sd^2 + 1/h).
Raiffa and Schlaifer (1961), Applied Statistical Decision Theory, chapter 5; page not seen.
"""

from __future__ import annotations

import numpy as np
import pytest
from builders import effect, measure, priors
from scipy import stats

from riskmodel import information
from riskmodel.errors import RiskModelError, RiskModelWarning
from riskmodel.information import (
    Estimate,
    check_order,
    evpi,
    evppi,
    evppi_of_groups,
    evsi,
    posterior_probability,
)
from riskmodel.lives import Draws
from riskmodel.priordraws import prior_draws
from riskmodel.worthknowing import EVERYTHING, knowledge_table, knowledge_words

SAMPLES = 1500


def loss(mean: float, sd: float) -> float:
    """sd times the unit normal loss integral at |mean| / sd."""
    u = abs(mean) / sd
    return float(sd * (stats.norm.pdf(u) - u * stats.norm.sf(u)))


def two_parts(seed: int, mean: float = -0.3, first: float = 1.0, second: float = 0.7, samples: int = SAMPLES):
    """Net benefits 0 and a + b."""
    rng = np.random.default_rng(seed)
    a, b = rng.normal(mean, first, samples), rng.normal(0.0, second, samples)
    return a, b, np.column_stack([np.zeros(samples), a + b]), rng


def data_on(a: np.ndarray, precision: float, rng: np.random.Generator, sets: int = 200):
    """Log-likelihood of one normal reading of `a` from each of some draws, and those draws."""
    origin = np.linspace(0, len(a) - 1, sets).round().astype(int)
    x = rng.normal(a[origin], precision**-0.5)
    return -0.5 * precision * (x[:, None] - a) ** 2, origin


@pytest.mark.parametrize(("mean", "first", "second"), [(-0.3, 1.0, 0.7), (0.0, 0.5, 0.1), (0.8, 1.0, 0.5)])
def test_closed_forms(mean, first, second):
    a, b, benefit, rng = two_parts(3, mean, first, second)
    perfect, partial = evpi(benefit), evppi(benefit, a)
    sample = evsi(benefit, *data_on(a, 2.0, rng))
    spread = first**2 / np.hypot(first, 0.5**0.5)
    for found, true in (
        (perfect, loss(mean, np.hypot(first, second))),
        (partial, loss(mean, first)),
        (sample, loss(mean, spread)),
    ):
        assert 0 < found.error < 0.1
        assert found.value == pytest.approx(true, abs=3.5 * found.error)
    assert partial.explained == pytest.approx(first**2 / (first**2 + second**2), abs=0.05)
    both = evppi(benefit, np.column_stack([a, b]))
    assert both.value == pytest.approx(perfect.value, abs=0.02 * perfect.value)


def test_chance_of_another_choice():
    """The posterior mean is N(mean, spread): another choice is made when it is positive."""
    a, _, benefit, rng = two_parts(5)
    found = evsi(benefit, *data_on(a, 1.0, rng))
    assert found.switch == pytest.approx(stats.norm.sf(0.3 / 0.5**0.5), abs=3.5 * found.switch_error)
    assert found.kept > 0.95


def test_stated_errors_are_the_spread_between_repetitions():
    """Twenty repetitions: the spread lies within a factor 1.6 of the mean stated error, and no bias shows."""
    found: dict[str, list[tuple[float, float]]] = {"evpi": [], "evppi": [], "evsi": []}
    for seed in range(20):
        a, _, benefit, rng = two_parts(100 + seed, samples=500)
        for name, one in (
            ("evpi", evpi(benefit)),
            ("evppi", evppi(benefit, a)),
            ("evsi", evsi(benefit, *data_on(a, 1.0, rng, 150))),
        ):
            found[name].append((one.value, one.error))
    true = {"evpi": loss(-0.3, np.hypot(1.0, 0.7)), "evppi": loss(-0.3, 1.0), "evsi": loss(-0.3, 0.5**0.5)}
    for name, pairs in found.items():
        values, errors = np.array(pairs).T
        assert 1 / 1.6 < values.std(ddof=1) / errors.mean() < 1.6, name
        assert values.mean() == pytest.approx(true[name], abs=3.5 * errors.mean() / 20**0.5 + 0.01 * true[name])


@pytest.mark.parametrize("nuisances", [1, 2])
def test_data_that_say_much_of_what_does_not_matter(nuisances):
    """Data also pin down parameters without any part in the decision, so that few draws carry them.

    The noise of the weights must not pass for value: 0.0061 is the closed form.
    """
    values, plain = [], []
    for seed in range(12):
        a, _, benefit, rng = two_parts(seed, -0.5, 1.0, 0.001, samples=1000)
        logs, origin = data_on(a, 0.1, rng, 200)
        for _ in range(nuisances):
            psi = rng.standard_normal(1000)
            logs = logs + data_on(psi, 25.0, rng, 200)[0]
        found = evsi(benefit, logs, origin)
        values.append(found.value)
        weights = np.exp(logs - logs.max(axis=1, keepdims=True))
        means = (weights / weights.sum(axis=1, keepdims=True)) @ benefit
        plain.append(means.max(axis=1).mean() - max(means.mean(axis=0).max(), 0.0))
    true = loss(-0.5, 1.0 / np.hypot(1.0, 10**0.5))
    assert abs(np.mean(values) - true) < 0.005
    if nuisances == 2:  # what plain weights would say
        assert np.mean(plain) - true > 0.008


def test_several_options_against_brute_force():
    """Four options and two parameters: the regression and the re-weighting against a million draws."""

    def benefits(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.column_stack([np.zeros_like(x), x * np.exp(0.3 * y), 0.5 * x + y - 0.2, x * y - 0.1])

    rng = np.random.default_rng(1)
    x, y = rng.standard_normal((2, 2000))
    benefit = benefits(x, y)
    big = np.random.default_rng(2)
    perfect = benefits(*big.standard_normal((2, 1_000_000))).max(axis=1).mean()
    nodes = big.standard_normal(20_000)
    # E over y at each x: E exp(0.3 y) = exp(0.045), E y = 0
    given_x = np.column_stack([0 * nodes, nodes * np.exp(0.045), 0.5 * nodes - 0.2, 0 * nodes - 0.1])
    now = benefit.mean(axis=0).max()
    truth_now = 0.0
    for found, true in ((evpi(benefit), perfect), (evppi(benefit, x), given_x.max(axis=1).mean())):
        assert found.value == pytest.approx(true - truth_now, abs=3.5 * found.error + abs(now - truth_now))
    # one reading of x with precision 1: posterior N(x0 / 2, 1/2)
    centre = np.sqrt(0.5) * big.standard_normal(20_000)
    given_data = np.column_stack([0 * centre, centre * np.exp(0.045), 0.5 * centre - 0.2, 0 * centre - 0.1])
    found = evsi(benefit, *data_on(x, 1.0, rng))
    assert found.value == pytest.approx(given_data.max(axis=1).mean(), abs=3.5 * found.error + abs(now - truth_now))


# ---------------------------------------------------------------------------------------- laws


def test_no_uncertain_decision_is_worth_exactly_nothing():
    """One option is best in every draw, however much the benefits themselves vary."""
    a, b, _, rng = two_parts(1)
    benefit = np.column_stack([a, a + np.abs(b), a - 1.0])
    assert evpi(benefit) == Estimate(0.0, 0.0)
    assert evppi(benefit, np.column_stack([a, b])).value == 0.0
    found = evsi(benefit, *data_on(a, 4.0, rng))
    assert (found.value, found.error, found.switch) == (0.0, 0.0, 0.0)
    assert evpi(np.zeros((10, 3))).value == 0.0
    assert evpi(rng.standard_normal((10, 1))).value == 0.0


def test_data_that_say_nothing_are_worth_exactly_nothing():
    _, _, benefit, _ = two_parts(2)
    found = evsi(benefit, np.zeros((50, SAMPLES)), np.arange(50))
    assert found.value == found.switch == 0.0
    np.testing.assert_allclose(found.ess, SAMPLES - 1)
    assert evppi(benefit, np.ones((SAMPLES, 2))).value == 0.0
    noise = np.random.default_rng(9).standard_normal((SAMPLES, 3))
    unrelated = evppi(benefit, noise)
    assert unrelated.value <= 3 * unrelated.error + 1e-3


def test_the_order_of_draws_does_not_matter():
    a, b, benefit, rng = two_parts(4)
    logs, origin = data_on(a, 1.0, rng)
    order = np.random.default_rng(8).permutation(SAMPLES)
    place = np.argsort(order)
    assert evpi(benefit[order]).value == pytest.approx(evpi(benefit).value, rel=1e-12)
    columns = np.column_stack([a, b])
    assert evppi(benefit[order], columns[order]).value == pytest.approx(evppi(benefit, columns).value, rel=1e-9)
    moved = evsi(benefit[order], logs[:, order], place[origin])
    assert moved.value == pytest.approx(evsi(benefit, logs, origin).value, rel=1e-9)
    # nor does the order of options, nor that of parameters
    assert evsi(benefit[:, ::-1], logs, origin).value == pytest.approx(moved.value, rel=1e-9)
    assert evppi(benefit, columns[:, ::-1]).value == pytest.approx(evppi(benefit, columns).value, rel=1e-9)


def test_units_and_what_all_options_share():
    a, b, benefit, rng = two_parts(6)
    logs, origin = data_on(a, 1.0, rng)
    shared = 5.0 * b[:, None]
    for value in (lambda n: evpi(n), lambda n: evppi(n, a), lambda n: evsi(n, logs, origin)):
        plain = value(benefit)
        assert value(1000.0 * benefit).value == pytest.approx(1000.0 * plain.value, rel=1e-9)
        assert value(benefit + shared).value == pytest.approx(plain.value, rel=1e-9)


def test_values_stand_in_order_and_grow_with_the_data(recwarn):
    a, b, benefit, _ = two_parts(7)
    samples = []
    for precision in (0.1, 0.5, 2.0):
        logs, origin = data_on(a, precision, np.random.default_rng(11))
        samples.append(evsi(benefit, logs, origin))
        assert check_order(samples[-1], evppi(benefit, a), evpi(benefit)) == []
    assert not recwarn.list
    values = [s.value for s in samples]
    assert values == sorted(values)
    groups = evppi_of_groups(benefit, {"small": b, "large": a})
    assert list(groups) == ["large", "small"]
    assert posterior_probability(a > 0, logs, origin).mean() == pytest.approx((a > 0).mean(), abs=0.08)


def test_a_broken_order_is_told():
    with pytest.warns(RiskModelWarning, match=r"worth more than knowing its parameters.*Take more draws") as told:
        broken = check_order(Estimate(2.0, 0.1), Estimate(1.0, 0.1), Estimate(1.2, 0.1), what="a trial")
    assert len(broken) == len(told) == 1
    with pytest.warns(RiskModelWarning):
        assert len(check_order(Estimate(-1.0, 0.01), Estimate(3.0, 0.01), Estimate(1.0, 0.01))) == 2
    assert check_order(Estimate(1.1, 0.1), Estimate(1.0, 0.1), Estimate(0.9, 0.1)) == []


# ------------------------------------------------------------------------------------ messages


@pytest.mark.parametrize(
    ("benefit", "match"),
    [
        (np.zeros(5), r"`net_benefit` must have a row for each of at least two draws.*got shape \(5,\)"),
        (np.zeros((1, 2)), "at least two draws"),
        (np.array([[0.0, 1.0], [np.nan, 1.0]]), "`net_benefit` must be finite"),
    ],
)
def test_net_benefits_are_refused(benefit, match):
    with pytest.raises(RiskModelError, match=match):
        evpi(benefit)


def test_infinite_parameters_are_refused():
    with pytest.raises(RiskModelError, match="`parameters` must be finite"):
        evppi(np.zeros((3, 2)), np.array([1.0, np.inf, 2.0]))


def test_the_table_of_a_run_orders_what_is_worth_knowing():
    """A decision that hangs on one measure's effect alone: that effect holds all the value, prices hold none."""
    p = priors(
        measures=(
            measure("prompt_sawing", [effect(["random_cracking"], 0.4)]),
            measure("pre_survey", [effect(["support_loss"], 0.6)]),
        )
    )
    draws = Draws.of(prior_draws(p, draws=800, seed=3), 800)
    delta = draws["delta"][:, 0]
    benefit = np.column_stack([np.zeros(800), delta - delta.mean()])
    prices = np.column_stack([np.exp(np.random.default_rng(1).normal(size=800)), np.ones(800)])
    table = knowledge_table(benefit, draws, p, np.array([0]), prices)
    by = table.set_index("subject")
    assert table["subject"].iloc[0] == EVERYTHING
    assert by.loc["effect of prompt_sawing", "part_of_everything"] == pytest.approx(1.0, abs=0.02)
    assert by.loc["prices", "value"] < 3 * by.loc["prices", "mcse"] + 0.02 * by.loc[EVERYTHING, "value"]
    assert "effect of prompt_sawing (100 %)" in " ".join(knowledge_words(table))
    same = knowledge_table(np.column_stack([np.zeros(800), np.ones(800)]), draws, p, np.array([0]), prices)
    assert same["value"].max() == 0
    assert "would not change the choice" in " ".join(knowledge_words(same))


def test_the_regression_is_that_of_singular_values():
    """Twin: ridge regression by singular values in plain steps; agrees to 1e-9 of the spread."""
    rng = np.random.default_rng(4)
    parameters = rng.standard_normal((400, 6))
    parameters[:, 5] = parameters[:, 0] + parameters[:, 1]  # no direction of its own
    outcome = np.stack([parameters[:, 0] ** 2, parameters[:, 1] * parameters[:, 2]], axis=1) + rng.normal(size=(400, 2))
    for bend in information.BENDING:
        basis, mean = information._basis(parameters, outcome, bend), outcome.mean(axis=0)
        left, size, _ = np.linalg.svd(basis, full_matrices=False)
        best, score = np.zeros_like(outcome), np.full(2, np.inf)
        for penalty in 400 * information.SMOOTHING:
            hat = (left * (size**2 / (size**2 + penalty))) @ left.T
            fitted = mean + hat @ (outcome - mean)
            found = np.square(outcome - fitted).sum(axis=0) / (399.0 - np.trace(hat)) ** 2
            best[:, found < score], score = fitted[:, found < score], np.minimum(found, score)
        fitted, reached = information._fitted(parameters, outcome, bend)
        np.testing.assert_allclose(fitted, best, atol=1e-9 * outcome.std())
        assert reached == pytest.approx(score.sum(), rel=1e-9)
