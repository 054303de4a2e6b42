"""Simulated trials and their likelihood at every draw: against the sampler's graph, a slow twin and laws."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pymc
import pytensor
import pytest
import xarray as xr
from builders import effect, fixed, measure, overlay_type, priors, quantity
from twin import Twin

from riskmodel.cells import AgeGrid
from riskmodel.condition import Condition
from riskmodel.errors import RiskModelError
from riskmodel.inputs import Inputs
from riskmodel.lives import Draws, root_life, wear_survival
from riskmodel.model import build_model
from riskmodel.newsections import new_lives
from riskmodel.priordraws import prior_draws
from riskmodel.trial import (
    FAR_BELOW,
    NEW_RATER,
    NOT_RECORDED,
    READ_AT_CAP,
    Outcomes,
    TrialDesign,
    draw_outcomes,
    trial_profiles,
)
from riskmodel.trialfit import DrawLikelihood, trial_log_likelihood
from riskmodel.trialvalue import CALM_CELLS

MEASURES = (
    measure("pre_survey", [effect(["support_loss", "reflective_cracking"], 0.6)], score_shift={"design": fixed(0.4)}),
    measure("internal_curing", [effect(["random_cracking"], 0.75), effect(["panel_breaks"], 0.6, "hazard_ratio")],
            time_ratio=quantity("lognormal", np.log(1.1), 0.05)),
)  # fmt: skip

MODE = "FAST_COMPILE"  # plain Python: no compilation in unit tests
NAMES = (
    *("intercept", "delta", "wear_out_median", "score_effect", "start_index"),
    *("time_ratio", "score_shift_size", "removal_lag", "year_slope", "compliance", "selection", "kappa", "age_median"),
    *("age_shape", "start_spread", "noise", "wear_out_shape", "kappa_early_log_ratio", "driver_coefficient"),
    *("project_sd", "contractor_sd", "label_error"),
)


def programme(p, count: int = 30) -> xr.Dataset:
    rng = np.random.default_rng(1)
    names = [m.name for m in p.measures]
    on, shape = ("section", "measure"), (count, len(names))
    types = [p.types[i % len(p.types)] for i in range(count)]
    return xr.Dataset(
        {
            "bond": ("section", np.array([t.bond for t in types], str)),
            "base": ("section", np.array([t.base for t in types], str)),
            "trucks_per_day": ("section", rng.uniform(300.0, 3000.0, count)),
            "opened_year": ("section", rng.uniform(2000.0, 2020.0, count)),
            "required": (on, (rng.random(shape) < 0.3).astype(float)),
            "verified": (on, np.zeros(shape, bool)),
            "randomised": (on, np.zeros(shape, bool)),
        },
        coords={"section": [f"r{i}" for i in range(count)], "measure": names},
    )


def trials(p, draws: Draws, design: TrialDesign, *, condition: Condition, origin: np.ndarray, seed: int = 3):
    profiles = trial_profiles(design, programme(p), p)
    lives = new_lives(draws, profiles.table, p)
    outcomes = draw_outcomes(
        draws, lives, profiles.order, condition, years=design.years, origin=origin, seed=seed, causes=design.causes
    )
    return SimpleNamespace(profiles=profiles, lives=lives, outcomes=outcomes)


def section_values(fit: DrawLikelihood, outcomes: Outcomes, trial: int) -> np.ndarray:
    """Log-likelihood (section, sample) of one trial."""
    found = outcomes.z[trial], outcomes.status[trial], outcomes.age_removed[trial], outcomes.cause[trial]
    rows = zip(outcomes.profile, *found, strict=True)
    return np.array([fit.section(int(p), z, status, float(gone), int(cause)) for p, z, status, gone, cause in rows])


def fullest(outcomes: Outcomes) -> int:
    """The trial in which most happens."""
    happened = np.isfinite(outcomes.age_removed).sum(axis=1) + (outcomes.status == FAR_BELOW).any(axis=2).sum(axis=1)
    return int(happened.argmax())


# ------------------------------------------------------------------------------- likelihood


@pytest.mark.parametrize(
    ("path", "verified", "causes", "rater", "changes"),
    [
        ("power_z", True, False, False, {}),
        ("power_z", False, True, True, {"groups": ()}),
        ("power_y", True, True, True, {}),
        ("reverse_s", False, False, False, {}),
        ("power_z", True, False, False, {"removal_lag": fixed(0.0)}),
    ],
)
def test_the_likelihood_is_that_of_the_sampler(path, verified, causes, rater, changes):
    """Section by section the same number as the sampler's graph gives, at draws of its own parameters.

    With `rater`, as one rater of an offset of his own reads the trial.
    """
    p, condition = priors(measures=MEASURES, **changes), Condition(path=path)
    base = Draws.of(prior_draws(p, draws=60, seed=2), 60)
    design = TrialDesign("internal_curing", 12, 12, verified=verified, causes=causes)
    made = trials(p, base, design, condition=condition, origin=np.arange(60))
    trial = fullest(made.outcomes)
    sections, readings = made.outcomes.records(trial, made.profiles.table, p)
    assert np.isfinite(sections["age_removed"]).any()
    assert (readings["status"] == "far_below").any() == ("removal_lag" not in changes)
    assert (readings["status"] == "capped").any()
    assert bool(sections["named"].any()) == causes
    if rater:
        readings = readings.assign(rater=("reading", np.full(readings.sizes["reading"], "Bry")))
    model = build_model(SimpleNamespace(sections=sections, readings=readings, condition=condition), p)
    names = [name for name in (*NAMES, *(("rater_effect",) if rater else ())) if name in model.named_vars]
    outputs = [model.riskmodel_per_section, *(model[name] for name in names)]
    evaluate = pytensor.function(model.free_RVs, outputs, mode=MODE, on_unused_input="ignore")
    drawn = pymc.draw(model.free_RVs, draws=3, random_seed=1, mode=MODE)
    for s in range(3):
        expected, *values = evaluate(*(array[s] for array in drawn))
        held = {k: np.asarray(v, float)[None] for k, v in zip(names, values, strict=True)}
        one = Draws(held | ({NEW_RATER: held["rater_effect"][:, 0]} if rater else {}), {}, 1)
        fit = DrawLikelihood(one, new_lives(one, made.profiles.table, p), condition, years=12)
        found = section_values(fit, made.outcomes, trial)[:, 0]
        np.testing.assert_allclose(found, expected, atol=2e-6)


def test_the_likelihood_is_that_of_the_slow_twin():
    p, condition = priors(groups=(), indicators=()), Condition()
    draws = Draws.of(prior_draws(p, draws=40, seed=4), 40)
    made = trials(
        p, draws, TrialDesign("prompt_sawing", 8, 10, verified=False), condition=condition, origin=np.arange(40)
    )
    trial = fullest(made.outcomes)
    sections, readings = made.outcomes.records(trial, made.profiles.table, p)
    # the twin counts the rate of unrecorded measures itself: leave none to count
    sections["required"] = sections["required"].fillna(0.0)
    table = made.profiles.table.assign(required=made.profiles.table["required"].fillna(0.0))
    fit = DrawLikelihood(draws, new_lives(draws, table, p), condition, years=10, grid=AgeGrid(cells=384))
    found = section_values(fit, made.outcomes, trial)
    records = SimpleNamespace(sections=sections, readings=readings, condition=condition)
    twin = Twin(p, {name: values[17] for name, values in draws.values.items()}, records)
    gone = np.flatnonzero(np.isfinite(made.outcomes.age_removed[trial]))[:1]
    for i in (*gone, 0):
        assert found[i, 17] == pytest.approx(twin.log_likelihood(int(i)), abs=0.02)


def test_a_coarser_grid_does_for_sections_to_which_nothing_happens():
    """Over the whole range of the priors, ten pairs seen for ten years: within the budget of 0.1."""
    p, condition = priors(measures=MEASURES), Condition()
    draws = Draws.of(prior_draws(p, draws=80, seed=6), 80)
    origin = np.array([3, 20, 40, 60, 70])
    made = trials(p, draws, TrialDesign("internal_curing", 10, 10), condition=condition, origin=origin)
    coarse, fit, fine = (
        DrawLikelihood(draws, made.lives, condition, years=10, grid=AgeGrid(cells=cells))
        for cells in (CALM_CELLS, 96, 384)
    )
    both = trial_log_likelihood(fit, made.outcomes, [10], calm=coarse)
    error = both - trial_log_likelihood(fine, made.outcomes, [10])
    assert (error - error.mean(axis=-1, keepdims=True)).std(axis=-1).max() < 0.1
    assert 0.5 < made.outcomes.calm.mean() < 1.0


@pytest.mark.parametrize("causes", [False, True])
def test_ratios_of_likelihoods_average_to_one(causes):
    """E[p(records | other draw) / p(records | true draw)] = 1 for records of the true draw.

    It holds only if what is simulated is what the likelihood says: fates, lag, path, scatter and cap.
    """
    p = priors(measures=MEASURES, path=replace(priors().path, start=fixed(97.0)))
    condition = Condition()
    draws = Draws.of(prior_draws(p, draws=4, seed=11), 4)
    # neighbours of draw 0, so that ratios have a variance
    values = {k: np.concatenate([v[:1], v[:1] + 0.15 * (v[1:] - v[:1])]) for k, v in draws.values.items()}
    draws = Draws(values, draws.coords, 4)
    profiles = trial_profiles(TrialDesign("internal_curing", 900, 6), programme(p), p)
    lives = new_lives(draws, profiles.table, p)
    outcomes = draw_outcomes(
        draws, lives, profiles.order, condition, years=6, origin=np.zeros(1, int), seed=5, causes=causes
    )
    logs = section_values(DrawLikelihood(draws, lives, condition, years=6), outcomes, 0)
    ratio = np.exp(logs[:, 1:] - logs[:, :1])
    error = ratio.std(axis=0) / len(ratio) ** 0.5
    assert (error < 0.1).all()
    np.testing.assert_array_less(np.abs(ratio.mean(axis=0) - 1.0), 3.5 * error)


# --------------------------------------------------------------------------------- new lives


def test_new_sections_live_as_the_closed_form_of_one_draw_says():
    p = priors(measures=MEASURES, groups=())
    draws = Draws.of(prior_draws(p, draws=5, seed=3), 5)
    table = trial_profiles(TrialDesign("internal_curing", 3, 5, verified=False), programme(p), p).table
    inputs, ages = Inputs.of(table, p, {}), np.array([0.5, 3.0, 10.0, 40.0])
    lives = new_lives(draws, table, p)
    early, worn = lives.early_survival(ages), np.exp(lives.log_wear_survival(ages))
    for s in range(5):
        roots = [root_life(draws, s, p, inputs, r, {}, 7).survival(ages) for r in range(len(inputs.roots))]
        np.testing.assert_allclose(early[s], np.prod(roots, axis=0), rtol=1e-10)
        np.testing.assert_allclose(worn[s], wear_survival(draws, s, p, inputs, ages), rtol=1e-10)


def test_a_new_contract_averages_over_its_term():
    """The wider spread raises rare failures: between no term and a term drawn many times from N(0, sd)."""
    p = priors(measures=())
    draws = Draws.of(prior_draws(p, draws=3, seed=3), 3)
    without = Draws({k: np.zeros_like(v) if k.endswith("_sd") else v for k, v in draws.values.items()}, draws.coords, 3)
    table = programme(p, 1)
    inputs, ages = Inputs.of(table, p, {}), np.array([10.0])
    averaged = new_lives(draws, table, p).early_survival(ages)[:, 0, 0]
    assert (averaged != new_lives(without, table, p).early_survival(ages)[:, 0, 0]).all()
    rng = np.random.default_rng(5)
    for s in range(3):
        drawn = []
        for _ in range(400):
            # one term a root, as the averaging has it: independent between roots
            terms = {g: np.zeros((3, 1)) for g in ("contractor", "project")}
            by_root = []
            for r, root in enumerate(inputs.roots):
                moved = [g for g in p.groups if root.name in g.roots]
                at = {g.column: draws[f"{g.column}_sd"][:, None] * rng.standard_normal((3, 1)) for g in moved}
                by_root.append(root_life(draws, s, p, inputs, r, {**terms, **at}, 7).survival(ages)[0, 0])
            drawn.append(np.prod(by_root))
        error = np.std(drawn) / 20.0
        assert averaged[s] == pytest.approx(np.mean(drawn), abs=3.5 * error + 0.001)


# ----------------------------------------------------------------------------------- outcomes


def test_simulated_sections_fail_and_leave_as_often_as_the_closed_form_says():
    p, condition = priors(measures=MEASURES), Condition()
    draws = Draws.of(prior_draws(p, draws=1, seed=7), 1)
    made = trials(p, draws, TrialDesign("internal_curing", 1000, 15), condition=condition, origin=np.zeros(1, int))
    ages = np.linspace(0.0, 15.0, 3001)
    survival = made.lives.early_survival(ages)[0] * np.exp(made.lives.log_wear_survival(ages)[0])
    failing, middle = -np.diff(survival, axis=1), 0.5 * (ages[1:] + ages[:-1])
    waits = (15.0 - middle) / (draws["removal_lag"][0] / 2.0)
    gone = (failing * (1.0 - (1.0 + waits) * np.exp(-waits))).sum(axis=1)
    for arm in (0, 1):
        seen = np.isfinite(made.outcomes.age_removed[0, arm::2]).mean()
        assert seen == pytest.approx(gone[arm], abs=3.5 * (gone[arm] * (1 - gone[arm]) / 1000) ** 0.5)


def test_recorded_causes_are_right_as_often_as_the_label_error_says():
    """Early causes against the cumulative incidence at the middle of the period; errors spread over all causes."""
    p, condition = priors(measures=()), Condition()
    draws = Draws.of(prior_draws(p, draws=1, seed=7), 1)
    for error in (0.0, 1.0):
        sure = Draws({**draws.values, "label_error": np.array([error])}, draws.coords, 1)
        table = programme(p, 1)
        lives = new_lives(sure, table, p)
        found = draw_outcomes(
            sure, lives, np.zeros(4000, int), condition, years=10, origin=np.zeros(1, int), seed=2, causes=True
        )
        cause = found.cause[0]
        np.testing.assert_array_equal(cause == NOT_RECORDED, ~np.isfinite(found.age_removed[0]))
        share = np.bincount(cause[cause >= 0], minlength=7) / (cause >= 0).sum()
        if error:
            expected = np.full(7, 1 / 7)
        else:
            edges = np.linspace(0.0, 10.0, 401)
            middle = 0.5 * (edges[1:] + edges[:-1])
            early, worn = lives.early_survival(edges)[0, 0], np.exp(lives.log_wear_survival(edges)[0, 0])
            scale = sure["removal_lag"][0] / 2.0
            gone = 1.0 - (1.0 + (10.0 - middle) / scale) * np.exp(-(10.0 - middle) / scale)
            failed = -np.diff(early) * 0.5 * (worn[1:] + worn[:-1]) * gone
            by_cause = lives.cause_shares(edges, middle)[0, 0] @ failed
            expected = np.append(by_cause, (-np.diff(worn) * 0.5 * (early[1:] + early[:-1]) * gone).sum())
            expected /= expected.sum()
        spread = np.sqrt(expected * (1 - expected) / (cause >= 0).sum())
        np.testing.assert_array_less(np.abs(share - expected), 4.0 * spread + 1e-3)


def test_causes_add_up_to_all_early_failures():
    p = priors(measures=MEASURES)
    draws = Draws.of(prior_draws(p, draws=3, seed=3), 3)
    table = trial_profiles(TrialDesign("internal_curing", 3, 5), programme(p), p).table
    edges = np.geomspace(0.2, 60.0, 40)
    shares = new_lives(draws, table, p).cause_shares(edges, np.sqrt(edges[1:] * edges[:-1]))
    assert (shares >= 0).all()
    np.testing.assert_allclose(shares.sum(axis=2), 1.0, atol=1e-6)


def test_a_smaller_or_shorter_trial_is_the_beginning_of_a_larger_one():
    p, condition = priors(measures=MEASURES), Condition()
    draws = Draws.of(prior_draws(p, draws=6, seed=7), 6)
    large = trials(p, draws, TrialDesign("internal_curing", 6, 12), condition=condition, origin=np.arange(6))
    small = trials(p, draws, TrialDesign("internal_curing", 3, 5), condition=condition, origin=np.array([2, 4]))
    shorter = large.outcomes.until(5)
    np.testing.assert_array_equal(shorter.status[[2, 4], :6], small.outcomes.status)
    np.testing.assert_allclose(shorter.z[[2, 4], :6], small.outcomes.z, rtol=1e-12)
    np.testing.assert_allclose(shorter.age_removed[[2, 4], :6], small.outcomes.age_removed)
    fit = DrawLikelihood(draws, large.lives, condition, years=12)
    sums = trial_log_likelihood(fit, large.outcomes, [3, 6], workers=2)
    alone = trial_log_likelihood(fit, large.outcomes, [6], workers=1)
    np.testing.assert_allclose(sums[1], alone[0], rtol=1e-12)
    np.testing.assert_allclose(sums[1, 0], section_values(fit, large.outcomes, 0).sum(axis=0), rtol=1e-12)


def test_readings_stay_within_the_scale_and_end_at_the_removal():
    p, condition = priors(measures=MEASURES), Condition()
    draws = Draws.of(prior_draws(p, draws=50, seed=7), 50)
    found = trials(p, draws, TrialDesign("internal_curing", 4, 20), condition=condition, origin=np.arange(50)).outcomes
    there = np.isfinite(found.z)
    assert found.index[there].min() >= condition.lowest
    assert found.index[there].max() <= condition.highest
    np.testing.assert_array_equal(there, np.arange(1.0, 21.0) < found.age_removed[:, :, None])
    assert (found.index[found.status == READ_AT_CAP] == condition.highest).all()
    down = found.status == FAR_BELOW
    assert (np.diff(down.astype(int), axis=2)[there[:, :, 1:]] >= 0).all()


# ------------------------------------------------------------------------------------ designs


TYPES = (overlay_type("bonded_asphalt"), overlay_type("unbonded_concrete"))


def typed_priors():
    both = {t.name: 1.0 for t in TYPES}
    mechanisms = tuple(replace(m, share={t: m.share["any"] for t in both}) for m in priors().mechanisms)
    return priors(
        types=TYPES,
        mechanisms=mechanisms,
        measures=(
            measure("fabric", [effect(["reflective_cracking"], types=("unbonded_concrete",))], ("unbonded_concrete",)),
            measure("curing", [effect(["random_cracking"], types=tuple(both))], tuple(both)),
        ),
    )


def test_trials_are_like_the_programme():
    p = typed_priors()
    profiles = trial_profiles(TrialDesign("curing", 7, 5), programme(p), p)
    table = profiles.table
    assert list(table["section"].values[:2]) == ["bonded_asphalt treated", "bonded_asphalt control"]
    assert np.abs(np.bincount(profiles.kinds) - 3.5).max() <= 0.5
    assert list(table["required"].sel(measure="curing").values) == [1.0, 0.0, 1.0, 0.0]
    assert np.isnan(table["required"].sel(measure="fabric").values).all()
    assert bool(table["randomised"].all())
    assert float(table["opened_year"][0]) == pytest.approx(float(programme(p)["opened_year"].max()))
    only = trial_profiles(TrialDesign("fabric", 4, 5), programme(p), p)
    assert set(only.table["base"].values) == {"concrete"}
    chosen = trial_profiles(TrialDesign("curing", 4, 5, assigned=False), programme(p), p).table
    assert not bool(chosen["randomised"].sel(measure="curing").any())


@pytest.mark.parametrize(
    ("design", "match"),
    [
        (TrialDesign("sealing", 4, 5), "does not play the measure 'sealing'; it plays fabric, curing"),
        (TrialDesign("curing", 4, 5, overlay_type="thin"), "knows the overlay type 'thin'"),
        (TrialDesign("fabric", 4, 5, overlay_type="bonded_asphalt"), "fabric does not apply to bonded_asphalt"),
    ],
)
def test_designs_that_do_not_fit_are_refused(design, match):
    p = typed_priors()
    with pytest.raises(RiskModelError, match=match):
        trial_profiles(design, programme(p), p)


@pytest.mark.parametrize(("sections", "years", "match"), [(0, 5, "`sections`.*got 0"), (5, 41, "`years`.*got 41")])
def test_impossible_sizes_are_refused(sections, years, match):
    with pytest.raises(RiskModelError, match=match):
        TrialDesign("curing", sections, years)
