"""Draws weighted by new records: the same posterior as all records at once; a posterior as prior is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from builders import Group, priors, quantity
from surveyed import as_of, full_prior, prior_fit, records_of

from riskmodel.calibrate import Gate, Sampling, calibrate, records_log_likelihood
from riskmodel.chains import Ready
from riskmodel.inputs import Inputs, levels_of, with_constants_of
from riskmodel.records import Records
from riskmodel.reweigh import changed_sections, only, resampled, reweighed, weigh_priors, weigh_records, with_new_levels

PRIORS = priors(groups=(Group("contractor", ("workmanship",), quantity("gamma", 3.0, 0.1)),))
FOLLOWED = ("early_failure", "kappa", "noise", "wear_out_median", "wear_out_shape", "removal_lag")


@pytest.fixture(scope="module")
def rounds() -> tuple[Records, Records]:
    """Twelve sections as they stood in 2018, and now; one of them new, traffic of some not recorded."""
    now = records_of(PRIORS, 12, seed=3)
    traffic = now.sections["trucks_per_day"].values.copy()
    traffic[::3] = np.nan
    now.sections["trucks_per_day"] = ("section", traffic)
    before = as_of(now, 2018.0, only=tuple(now.sections["section"].values[:6].astype(str)),
                   leave_out=(str(now.sections["section"].values[5]),))  # fmt: skip
    return before, now


def means(draws: xr.Dataset, weight: np.ndarray | None = None) -> np.ndarray:
    flat = np.stack([draws[name].values.reshape(-1) for name in FOLLOWED])
    return np.average(flat, axis=1, weights=weight)


def test_only_sections_with_other_data_count_as_changed(rounds: tuple[Records, Records]) -> None:
    before, now = rounds
    names = now.sections["section"].values.astype(str)
    changed = changed_sections(before, now)
    assert names[5] in changed
    assert set(changed) <= set(names[:6])
    assert changed_sections(now, now) == ()


def test_constants_of_the_fit_keep_every_other_section_as_it_was(rounds: tuple[Records, Records]) -> None:
    before, now = rounds
    names = [n for n in now.sections["section"].values.astype(str) if n not in changed_sections(before, now)]
    plain = Inputs.of(now.sections, PRIORS, {}).drivers
    carried = Inputs.of(with_constants_of(now.sections, before.sections, PRIORS), PRIORS, {}).drivers
    fitted = Inputs.of(before.sections, PRIORS, {}).drivers
    here = np.isin(now.sections["section"].values, names)
    there = np.isin(before.sections["section"].values, names)
    np.testing.assert_array_equal(carried[here], fitted[there])
    assert np.abs(plain[here] - fitted[there]).max() > 1e-3  # a mean over another table is another mean
    draws = with_new_levels(full_prior(PRIORS, draws=4, seed=2), before.sections, PRIORS, seed=2)
    every = records_log_likelihood(before, PRIORS, draws)
    some = records_log_likelihood(only(now, names, before, PRIORS), PRIORS, draws)
    np.testing.assert_allclose(some.values, every.sel(section=some["section"].values).values, rtol=1e-10)


@pytest.mark.slow
def test_weighing_the_fit_equals_all_records_at_once(rounds: tuple[Records, Records]) -> None:
    """Both from the same prior draws: weights L(before) then the ratio, against weights L(all)."""
    before, now = rounds
    fit = prior_fit(before, PRIORS, draws=6000, seed=4)
    weighing = weigh_records(fit.tree, before, now, PRIORS, seed=4)
    draws = with_new_levels(full_prior(PRIORS, draws=6000, seed=4), now.sections, PRIORS, seed=4)
    carried = only(now, list(now.sections["section"].values.astype(str)), before, PRIORS)
    total = records_log_likelihood(carried, PRIORS, draws).sum("section").values.ravel()
    weight = np.exp(total - total.max())
    whole, spread = means(draws, weight), np.sqrt(means(draws**2, weight) - means(draws, weight) ** 2)
    effective = weight.sum() ** 2 / np.square(weight).sum()
    found = means(reweighed(fit.tree, weighing, Gate(()), seed=4).posterior)
    assert effective > 20
    error = spread * np.sqrt(1.0 / effective + 1.0 / (effective * max(weighing.efficiency, 0.2)))
    np.testing.assert_array_less(np.abs(found - whole) / error, 3.5)
    np.testing.assert_allclose(weighing.likelihood.sum("section").shape, (1, 6000))


# ------------------------------------------------------------------------------------- other priors

OTHER = replace(
    PRIORS, early_failure=quantity("beta", 5, 35), wear_out_shape=quantity("lognormal", np.log(3.0), 0.25),
    groups=(Group("contractor", ("workmanship",), quantity("gamma", 4.0, 0.08)),),
)  # fmt: skip


def test_the_same_priors_weigh_nothing(rounds: tuple[Records, Records]) -> None:
    """Density and likelihood are worked out anew and come out the same, bit for bit."""
    before, _ = rounds
    fit = prior_fit(before, PRIORS, draws=50, seed=4)
    weighing = weigh_priors(fit.tree, before, PRIORS)
    assert weighing is not None
    assert weighing.k_hat == 0.0
    np.testing.assert_array_equal(weighing.weight, 1 / 50)


@pytest.mark.slow
def test_a_fit_weighed_by_other_priors_is_the_fit_under_them(rounds: tuple[Records, Records]) -> None:
    """Against draws of the other priors under weights L, which share nothing with the weighed ones."""
    before = only(rounds[0], list(rounds[0].sections["section"].values.astype(str)[:4]), rounds[0], PRIORS)
    weighing = weigh_priors(prior_fit(before, PRIORS, draws=6000, seed=4).tree, before, OTHER)
    assert weighing is not None
    drawn = with_new_levels(full_prior(OTHER, draws=6000, seed=5), before.sections, OTHER, seed=5)
    total = records_log_likelihood(before, OTHER, drawn).sum("section").values.ravel()
    weight = np.exp(total - total.max())
    whole, spread = means(drawn, weight), np.sqrt(means(drawn**2, weight) - means(drawn, weight) ** 2)
    effective = weight.sum() ** 2 / np.square(weight).sum()
    assert min(effective, 6000 * weighing.efficiency) > 100
    found, unweighed = means(weighing.draws, weighing.weight), means(weighing.draws)
    error = spread * np.sqrt(2.0 / effective + 1.0 / (effective * weighing.efficiency))
    np.testing.assert_array_less(np.abs(found - whole) / error, 3.5)
    assert (np.abs(unweighed - whole) / error).max() > 5.0  # the weights matter


@pytest.mark.parametrize(
    "priors_now",
    [
        replace(PRIORS, year_slope=quantity("fixed", 0.0)),
        replace(PRIORS, removal_lag=quantity("normal", 3.0, 0.3)),
    ],
    ids=["a variable less", "other support"],
)
def test_priors_of_other_variables_are_not_weighed(rounds: tuple[Records, Records], priors_now: object) -> None:
    before, _ = rounds
    fit = prior_fit(before, PRIORS, draws=20, seed=4)
    assert weigh_priors(fit.tree, before, priors_now) is None  # type: ignore[arg-type]


def test_resampling_takes_each_draw_as_often_as_its_weight_says() -> None:
    weight = np.random.default_rng(1).dirichlet(np.full(50, 0.3))
    count = np.bincount(resampled(weight, seed=3), minlength=50)
    assert (np.abs(count - 50 * weight) < 1.0).all()
    assert (resampled(np.full(40, 1 / 40), seed=1) == np.arange(40)).all()


def test_a_posterior_as_prior_for_the_same_sections_is_overconfident(rounds: tuple[Records, Records]) -> None:
    """All readings of a section share one latent life: entering the old ones again narrows what is not known."""
    before, now = rounds
    draws = with_new_levels(full_prior(PRIORS, draws=6000, seed=4), now.sections, PRIORS, seed=4)
    everything = list(now.sections["section"].values.astype(str))
    new = records_log_likelihood(only(now, everything, before, PRIORS), PRIORS, draws).sum("section").values.ravel()
    old = records_log_likelihood(before, PRIORS, with_new_levels(draws, before.sections, PRIORS, seed=4))
    twice = new + old.sum("section").values.ravel()  # the posterior of `before` as the prior of all records
    sds = []
    for total in (new, twice):
        weight = np.exp(total - total.max())
        sds.append(np.sqrt(means(draws**2, weight) - means(draws, weight) ** 2))
    informed = [FOLLOWED.index(name) for name in ("noise", "wear_out_median", "kappa")]
    assert (sds[1][informed] < 0.95 * sds[0][informed]).mean() >= 2 / 3
    assert np.exp(np.log(sds[1] / sds[0]).mean()) < 0.95


@pytest.mark.slow
def test_three_rounds_weighed_equal_a_fit_of_all_records() -> None:
    """By the sampler, with the gate off: 60 sections, four of them read in three more years, a round a year."""
    now = records_of(PRIORS, 60, seed=7)
    recent = tuple(now.sections["section"].values[:4].astype(str))
    before, *later = (as_of(now, year, only=recent) for year in (2021.5, 2022.5, 2023.5))
    settings = Sampling(chains=2, draws=1000, tune=600, seed=1)
    fit, whole = (calibrate(one, PRIORS, sampling=settings, gate=False) for one in (before, now))
    read = [one.readings.sizes["reading"] for one in (before, *later, now)]
    assert read == sorted(set(read))  # each round brings readings
    for records in (*later, now):  # every round starts from the last fit
        weighing = weigh_records(fit.tree, before, records, PRIORS, seed=1)
        assert weighing.k_hat < 0.7
    found = reweighed(fit.tree, weighing, Gate(()), seed=1).posterior
    sd = np.array([float(whole.posterior[name].std()) for name in FOLLOWED])
    error = sd * np.sqrt(1 / 400 + 1 / (400 * weighing.efficiency))
    np.testing.assert_array_less(np.abs(means(found) - means(whole.posterior)) / error, 3.5)


def test_a_new_contractor_draws_its_term_before_weighting() -> None:
    now = records_of(PRIORS, 6, seed=5)
    draws = full_prior(PRIORS, draws=3000, seed=1)
    out = with_new_levels(draws, now.sections, PRIORS, seed=1)
    assert list(out["contractor"].values) == list(levels_of(now.sections, PRIORS)["contractor"])
    raw = out["contractor_raw"].values
    assert np.abs(raw.mean()) < 0.05
    np.testing.assert_allclose(raw.std(), 1.0, atol=0.03)
    again = with_new_levels(out, now.sections, PRIORS, seed=99)
    np.testing.assert_array_equal(again["contractor_raw"].values, raw)  # known ones keep theirs


def test_a_warm_start_begins_each_chain_at_a_draw_of_the_last_fit() -> None:
    """At the draw itself, all parameters of one draw; new contractors at a draw of their prior."""
    now = records_of(PRIORS, 6, seed=5)
    draws = with_new_levels(full_prior(PRIORS, draws=40, seed=1), now.sections.isel(section=[0]), PRIORS, seed=1)
    ready = Ready(now, PRIORS, None, draws)
    began = ready.place(np.stack([ready.begin(seed) for seed in range(4)]))
    found = ready.density.dataset(began[None]).isel(chain=0)
    chosen = [int(np.abs(draws["kappa"].values[0] - kappa).argmin()) for kappa in found["kappa"].values]
    assert len(set(chosen)) > 1
    for name in ("early_failure", "age_median", "wear_out_by_type", "effect_score"):
        np.testing.assert_allclose(found[name].values, draws[name].values[0, chosen], rtol=1e-6)
    known = found["contractor_raw"].sel(contractor=draws["contractor"].values[0])
    np.testing.assert_allclose(known, draws["contractor_raw"].values[0, chosen, 0], rtol=1e-6, atol=1e-9)
    assert np.isfinite(found["contractor_raw"]).all()


def told_later(records: Records, row: int, **cells: float) -> Records:
    """The records with cells of one section filled or moved on."""
    sections = records.sections
    for name, value in cells.items():
        values = sections[name].values.copy()
        values[row] = value
        sections = sections.assign({name: ("section", values)})
    return replace(records, sections=sections)


def test_a_removal_or_longer_service_moves_the_weights(rounds: tuple[Records, Records]) -> None:
    """Without any new reading: a removal shortens lives, service on record lengthens them."""
    before, _ = rounds
    fit = prior_fit(before, PRIORS, draws=1500, seed=4)
    served = before.sections["age_in_service"].values
    row = int(np.nanargmax(served))
    name = str(before.sections["section"].values[row])
    lives = {}
    for word, cells in (
        ("removed", {"age_removed": served[row] + 0.5, "age_in_service": np.nan}),
        ("serving", {"age_in_service": served[row] + 25.0}),
    ):
        weighing = weigh_records(fit.tree, before, told_later(before, row, **cells), PRIORS, seed=4)
        assert weighing.changed == (name,)
        lives[word] = float(weighing.weight @ weighing.draws["wear_out_median"].values.reshape(-1))
    assert lives["removed"] < float(fit.posterior["wear_out_median"].mean()) < lives["serving"]
