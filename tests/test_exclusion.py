"""Lines after deletion and life without early mechanisms: libraries, exact data, laws, coverage. Invented data."""

from __future__ import annotations

import re
import warnings

import numpy as np
import pytest
from builders import priors
from record_tables import read, section, survey
from scipy import integrate, optimize, stats
from test_common_practice import EARLY, LATE, SHARE, practice_readings
from test_simulate import roads

from riskmodel.deletion import Deletion, ExclusionError, Sightings, draw_lines, usual_deletions, validate_deletions
from riskmodel.errors import RiskModelWarning, StoreError
from riskmodel.exclusion import (
    compare_lives,
    exclude,
    exclude_where_possible,
    exclusion_table,
    share_of_shift,
    table_of,
)
from riskmodel.exclusionwords import mixture_lines, report_lines, study_lines
from riskmodel.inputs import Inputs
from riskmodel.lives import Draws, wear_survival
from riskmodel.measures import CURRENT_PRACTICE, NO_MEASURES, Portfolio
from riskmodel.priordraws import prior_draws
from riskmodel.programme import programme_from_table
from riskmodel.simulate import simulate
from riskmodel.statedmixture import StatedMixture, answer_mixture, sight, survival_of
from riskmodel.straightline import NEVER, age_at_level, resampled_lines, section_sums, spread


def sightings(rows: np.ndarray, *, threshold: float = 60.0, removed: np.ndarray | None = None) -> Sightings:
    """From rows of section, age, index."""
    owner = np.unique(rows[:, 0], return_inverse=True)[1]
    count = int(owner.max()) + 1
    gone = np.full(count, np.inf) if removed is None else removed
    failed, low = gone.copy(), rows[:, 2] <= threshold
    np.minimum.at(failed, owner[low], rows[low, 1])
    return Sightings(owner, rows[:, 1], rows[:, 2], np.ones(len(rows), bool), failed, gone, threshold, 0.0, 100.0, {})


def lines_of(seen: Sightings, *deletions: Deletion, **changes):
    settings = {"early_age": 10.0, "seed": 1, "resamples": 200, **changes}
    return draw_lines(seen, deletions, **settings)


# ------------------------------------------------------------------------------------ one line


def test_the_line_is_that_of_two_libraries():
    rng = np.random.default_rng(1)
    owner, age = rng.integers(0, 20, 300), rng.uniform(0, 30, 300)
    index = 95 - 0.8 * age + rng.normal(0, 5, 300)
    sums = section_sums(owner, age, index, 20)
    for kept in (np.ones(20, bool), np.arange(20) % 3 > 0):
        start, slope = sums.line(kept.astype(float) @ sums.values)
        of = kept[owner]
        assert (slope, start) == pytest.approx(np.polyfit(age[of], index[of], 1), rel=1e-10)
        other = stats.linregress(age[of], index[of])
        assert (slope, start) == pytest.approx((other.slope, other.intercept), rel=1e-10)


@pytest.mark.parametrize("shift", [0.0, 1e6])
def test_far_ages_cost_no_digits(shift):
    age = shift + np.arange(10.0)
    start, slope = (sums := section_sums(np.arange(10), age, 90 - 2 * age, 10)).line(sums.values.sum(axis=0))
    assert slope == pytest.approx(-2.0, rel=1e-9)
    assert start == pytest.approx(90.0, rel=1e-9, abs=1e-6 * max(shift, 1.0))


@pytest.mark.parametrize(
    ("start", "slope", "age"),
    [
        (100.0, -2.0, 20.0),
        (100.0, 0.0, np.inf),
        (100.0, 0.5, np.inf),
        (60.0 + 2 * NEVER, -1.0, np.inf),
        (60.0 + NEVER, -1.0, NEVER),
        (60.0, -1.0, 0.0),
        (50.0, 1.0, 0.0),
        (50.0, np.nan, np.nan),
    ],
)
def test_where_a_line_reaches_a_level(start, slope, age):
    found = age_at_level(np.array(start), np.array(slope), 60.0)
    assert found == pytest.approx(age, nan_ok=True)


def test_readings_at_one_age_have_no_line():
    sums = section_sums(np.array([0, 1, 2]), np.full(3, 7.3), np.array([80.0, 85.0, 91.0]), 3)
    assert np.isnan(sums.line(sums.values.sum(axis=0))[1])
    # two of three sections share an age: samples of these alone have none either
    sums = section_sums(np.array([0, 1, 2]), np.array([7.3, 7.3, 9.0]), np.array([80.0, 85.0, 70.0]), 3)
    _, slope = resampled_lines(sums, np.ones((1, 3), bool), resamples=300, rng=np.random.default_rng(1))
    assert 0 < np.isnan(slope).mean() < 0.6


def test_a_resample_is_the_line_through_repeated_sections():
    """Twin: repeat each section's rows as often as it was drawn and fit them with another library."""
    rng = np.random.default_rng(5)
    owner, age = np.repeat(np.arange(7), 4), rng.uniform(0, 30, 28)
    index = 95 - 0.8 * age + rng.normal(0, 5, 28)
    kept = np.stack([np.ones(7, bool), np.arange(7) != 3])
    start, slope = resampled_lines(
        section_sums(owner, age, index, 7), kept, resamples=150, rng=np.random.default_rng(8)
    )
    assert start.shape == (150, 2)
    same = np.random.default_rng(8)
    counts = np.concatenate([same.multinomial(7, np.full(7, 1 / 7), size=n) for n in (100, 50)])
    for b in (0, 99, 100, 149):
        for line in (0, 1):
            repeats = np.where(kept[line], counts[b], 0)[owner]
            fit = np.polyfit(np.repeat(age, repeats), np.repeat(index, repeats), 1)
            assert (slope[b, line], start[b, line]) == pytest.approx(fit, rel=1e-9)


def test_the_spread_of_values_of_which_some_are_infinite():
    values = np.array([*np.arange(1.0, 91.0), *np.full(10, np.inf)])
    assert spread(values) == (5.0, np.inf)
    assert spread(np.array([np.nan, 3.0])) == (3.0, 3.0)
    assert np.isnan(spread(np.full(4, np.nan))).all()


def test_intervals_over_sections_cover_and_those_over_readings_do_not():
    """250 data sets of 60 sections with slopes of their own; the pooled line of all such sections reaches 60 at 40."""
    rng, covered = np.random.default_rng(11), np.zeros(2)
    ages = np.arange(2.0, 22.0)
    for n in range(250):
        slopes = rng.gamma(4.0, 0.25, 60)  # mean 1 point a year
        index = 100.0 - slopes[:, None] * ages + rng.normal(0.0, 1.0, (60, len(ages)))
        owner = np.repeat(np.arange(60), len(ages))
        for j, cluster in enumerate((owner, np.arange(len(owner)))[: 1 + (n < 80)]):
            sums = section_sums(cluster, np.tile(ages, 60), index.ravel(), int(cluster.max()) + 1)
            kept = np.ones((1, len(sums.values)), bool)
            drawn = age_at_level(*resampled_lines(sums, kept, resamples=200, rng=rng), 60.0)
            low, high = spread(drawn[:, 0])
            covered[j] += low <= 40.0 <= high
    # 90 % less what percentile intervals of 60 clusters lose, within 3 standard errors of 250 sets
    assert 0.90 - 0.02 - 3 * 0.019 < covered[0] / 250 < 0.90 + 3 * 0.019
    assert covered[1] / 80 < 0.75


# ----------------------------------------------------------------------------- deletion of sections


EXACT = np.array([(s, age, start - fall * age) for s, (start, fall) in enumerate([(100, 1), (100, 1), (100, 4)])
                  for age in (4.0, 8.0, 12.0)])  # fmt: skip


def test_exact_straight_lines_give_exact_ages():
    pooled, below, failed, _ = lines_of(sightings(EXACT), Deletion(60.0), Deletion(by=12.0))
    assert pooled.age[0] == pytest.approx(20.0, abs=1e-9)  # mean slope of the three
    for line in (below, failed):
        assert line.age == pytest.approx((40.0, 40.0, 40.0), abs=1e-9)
        assert line.shift[0] == pytest.approx(20.0, abs=1e-9)
        assert (line.sections, line.readings, line.deleted) == (2, 6, 1)
    assert below.deleted_late == 1  # it reached 60 at age ten by its line, was first read at or below it at twelve


def test_deleting_nothing_changes_nothing():
    pooled, same, survivors = lines_of(sightings(practice_readings()[:2000]), Deletion(60.0, 0.1))
    for line in (same, survivors):
        assert line.age == pytest.approx(pooled.age, rel=1e-12)
        assert line.shift == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
        assert line.deleted == 0
    assert share_of_shift(same, answer_mixture(StatedMixture(share_early=0.1, early_age=9, life=45)).life[3]) is None


def test_rules_of_deletion_by_hand():
    seen = sightings(np.array([(0, 5, 61), (0, 9, 60), (1, 5, 59.9), (1, 9, 80), (2, 9, 90), (2, 12, 30)], float),
                     removed=np.array([np.inf, np.inf, 11.0]))  # fmt: skip
    for deletion, poor in (
        (Deletion(60.0), [False, True, True]),
        (Deletion(60.0, 5.0), [False, True, False]),
        (Deletion(60.0, 4.9), [False, False, False]),
        (Deletion(by=9.0), [True, True, False]),
        (Deletion(by=11.0), [True, True, True]),
        (Deletion(by=10.9), [True, True, False]),
        (Deletion(), [True, True, True]),
    ):
        assert deletion.poor(seen).tolist() == poor, deletion
    names = [(d.name, d.words) for d in (*usual_deletions(60.0, 10.0), Deletion())]
    assert names == [
        ("without_below_60", "read below 60"),
        ("without_below_60_by_10", "read below 60 by age 10"),
        ("without_failed_by_10", "failed by age 10"),
        ("without_failed", "failed"),
    ]


def test_survivors_are_those_not_removed():
    seen = sightings(EXACT, removed=np.array([np.inf, np.inf, 14.0]))
    *_, survivors = lines_of(seen)
    assert (survivors.name, survivors.age[0]) == ("survivors", pytest.approx(40.0))
    everyone_left = sightings(EXACT, removed=np.array([13.0, 13.0, 14.0]))
    assert [line.name for line in lines_of(everyone_left)] == ["all_sections"]


def test_a_line_that_never_gets_there_is_said_to():
    flat = np.array([(s, age, 90.0 + s) for s in range(4) for age in (2.0, 6.0)])
    (pooled, survivors) = lines_of(sightings(flat))
    assert pooled.age == (np.inf, np.inf, np.inf)
    assert pooled.never == 1.0
    assert np.isnan(survivors.shift).all()
    falling = np.concatenate([flat, [(4, 2.0, 80.0), (4, 6.0, 40.0)]])
    pooled, without, _ = lines_of(sightings(falling), Deletion(60.0))
    assert np.isfinite(pooled.age[0])
    assert 0.2 < pooled.never < 0.5  # samples without section 4: (4/5)^5
    assert without.age[0] == np.inf
    assert without.shift[0] == np.inf


def test_common_practice_by_the_lines_of_the_check():
    """The figures of the test of common practice: 47.0 to 54.8 years. Common practice, no source."""
    pooled, without, _ = lines_of(sightings(practice_readings()), Deletion(60.0))
    assert (round(pooled.age[0], 1), round(without.age[0], 1)) == (47.0, 54.8)
    assert without.shift[1] > 0


def test_the_seed_moves_the_interval_alone():
    seen = sightings(practice_readings()[:3000])
    one, same, other = (lines_of(seen, Deletion(60.0), seed=seed)[1] for seed in (1, 1, 2))
    assert one == same
    assert (one.age[0], one.shift[0]) == (other.age[0], other.shift[0])
    assert one.age[1:] != other.age[1:]


# ---------------------------------------------------------------------------------------- records


RECORDS = [
    section(section="cap"),
    section(section="gone", removed="2009-07-01", removal_reason="condition"),
    section(section="late", observed_from="2005-07-01"),
    section(section="mended"),
    section(section="stated", failed_by="2008-07-01"),
]
SURVEYS = [
    survey("2002-07-01", "100", section="cap"),
    survey("2010-07-01", "90", section="cap"),
    survey("2004-07-01", "70", section="gone"),
    survey("2006-07-01", "55", section="gone"),
    survey("2008-07-01", "30", section="gone"),
    survey("2006-07-01", "86", section="late"),
    survey("2012-07-01", "80", section="late"),
    survey("2004-07-01", "80", section="mended", restored=""),
    survey("2007-07-01", "95", section="mended", restored="1"),
    survey("2006-07-01", "75", section="stated"),
    survey("2009-07-01", "0", section="stated"),
]


def test_what_the_records_show():
    seen = Sightings.of_records(read(RECORDS, SURVEYS))
    assert (seen.sections, len(seen.age), int(seen.used.sum())) == (5, 10, 8)
    assert seen.failed == pytest.approx([np.inf, 6, np.inf, np.inf, 8], abs=0.01)
    assert seen.removed == pytest.approx([np.inf, 9, np.inf, np.inf, np.inf], abs=0.01)
    assert seen.traps == {"capped": 1, "far_below": 2, "after_restoration": 1, "removed": 1, "entered_late": 1}
    assert seen.oldest == pytest.approx(12, abs=0.01)
    # a reading that the lines leave out still says which section is poor
    assert Deletion(40.0).poor(seen).tolist() == [False, True, False, False, True]
    pooled, without, survivors = lines_of(seen, Deletion(60.0))
    assert (pooled.readings, without.sections, survivors.sections) == (8, 3, 4)
    used = seen.used
    slope, start = np.polyfit(seen.age[used], seen.index[used], 1)
    assert pooled.age[0] == pytest.approx((60 - start) / slope)


@pytest.mark.parametrize(
    ("surveys", "deletion", "message"),
    [
        (None, Deletion(60.0), "a line needs readings; the records hold none. Name a table of surveys in study.toml."),
        (
            SURVEYS[:2],
            Deletion(60.0),
            "a line needs readings of two sections and a year of age between the first and the last. Add",
        ),
        (SURVEYS, Deletion(100.0), "deleting those read below 100 leaves 0 of 5 sections. Delete fewer"),
        (SURVEYS, Deletion(0.0), "`--below`: a level lies above 0 and not above 100, the ends of the scale; got '0'"),
        (SURVEYS, Deletion(101.0), "`--below`: a level lies above 0 and not above 100"),
        (SURVEYS, Deletion(np.nan), "`--below`: a level lies above 0 and not above 100"),
    ],
)
def test_what_cannot_be_drawn_is_refused(surveys, deletion, message):
    seen = Sightings.of_records(read(RECORDS, surveys))
    with pytest.raises(ExclusionError, match=re.escape(message)):
        lines_of(seen, deletion)


def test_all_faults_of_the_deletions_come_together():
    seen = Sightings.of_records(read(RECORDS, SURVEYS))
    assert len(validate_deletions(seen, [Deletion(100.0), Deletion(60.0), Deletion(-3.0)])) == 2


# ------------------------------------------------------------------------------- life, from draws


@pytest.fixture(scope="module")
def finished():
    """A simulation of invented roads under prior draws."""
    p = priors()
    posterior = prior_draws(p, draws=60, seed=9)
    return p, posterior, simulate(posterior, roads(p), p, portfolios=[], seed=7, samples=60, observed_to=20.0)


def test_without_early_mechanisms_life_is_longer_in_every_draw(finished):
    """Law: taking mechanisms away shortens no life."""
    _, _, simulation = finished
    now = simulation["survival"].sel(portfolio=CURRENT_PRACTICE).transpose("sample", "age").values
    without = simulation["survival_without_early"].transpose("sample", "age").values
    assert (without >= now - 1e-6).all()
    assert (without - now).max() > 0.05
    for shift in exclusion_rows(simulation):
        assert (shift.gain[0] <= 0) == (shift.name == "early_failure_probability")


def exclusion_rows(simulation):
    survival = np.stack(
        [simulation["survival"].sel(portfolio=CURRENT_PRACTICE), simulation["survival_without_early"]], axis=1
    ).astype(float)
    return compare_lives(survival, simulation["age"].values, early_age=10.0, horizon=60.0, observed_to=20.0)


def test_without_is_what_susceptibilities_of_zero_give(finished):
    """Twins: intercepts so low that nobody is susceptible; and wear-out alone, averaged by hand."""
    p, posterior, _ = finished
    planned = programme_from_table(roads(p))
    real = simulate(posterior, planned, p, portfolios=[], seed=7, samples=10)
    nobody = posterior.assign(intercept=posterior["intercept"] * 0 - 60.0)
    zero = simulate(nobody, planned, p, portfolios=[], seed=7, samples=10)
    expected = zero["survival"].sel(portfolio=CURRENT_PRACTICE).values
    np.testing.assert_allclose(real["survival_without_early"].values, expected, atol=2e-7)
    draws, inputs = (
        Draws.of(posterior, 10),
        Inputs.of(planned, p, {}, portfolio=Portfolio(CURRENT_PRACTICE, reference=True)),
    )
    for s in (0, 9):
        mean = wear_survival(draws, s, p, inputs, real["age"].values).mean(axis=0)
        np.testing.assert_allclose(real["survival_without_early"].values[s], mean, atol=2e-7)


def test_with_no_early_mechanism_both_are_the_same():
    p = priors(mechanisms=(), measures=(), groups=())
    planned = programme_from_table(roads(priors()).drop_dims(("measure", "cause"), errors="ignore"))
    simulation = simulate(prior_draws(p, draws=20, seed=3), planned, p, portfolios=[], seed=1, samples=20)
    for shift in exclusion_rows(simulation):
        assert shift.with_early[0] == pytest.approx(shift.without_early[0], abs=1e-5)
        assert shift.gain[0] == pytest.approx(0.0, abs=1e-5)


def test_life_agrees_with_the_simulations_own_table(finished):
    _, _, simulation = finished
    own = simulation["value"].sel(portfolio=CURRENT_PRACTICE)
    for shift in exclusion_rows(simulation):
        if shift.name in own["quantity"].values:
            draws = own.sel(quantity=shift.name).values
            found = (draws.mean(), *np.quantile(draws, (0.05, 0.95)))
            assert shift.with_early == pytest.approx(found, rel=1e-5)
            assert shift.extrapolated[0] == pytest.approx(
                float(simulation["extrapolated"].sel(portfolio=CURRENT_PRACTICE, quantity=shift.name)), abs=1e-5
            )
    assured = {shift.name: shift for shift in exclusion_rows(simulation)}["assured_age_p90_c95"]
    stated = float(simulation["assured_age"].sel(portfolio=CURRENT_PRACTICE).values[0])
    assert assured.with_early[0] == pytest.approx(stated, rel=1e-5)
    assert np.isnan(assured.gain[1:]).all()


def test_intervals_over_draws_are_those_of_the_pair():
    """Two draws of known exponential lives, each doubled: the gain of an age is the age itself."""
    ages = np.linspace(0.0, 400.0, 40001)
    survival = np.stack([[np.exp(-ages / m), np.exp(-ages / (2 * m))] for m in (10.0, 20.0)])
    life = compare_lives(survival, ages, early_age=10.0, horizon=60.0, observed_to=1.0)
    b10 = next(shift for shift in life if shift.name == "b10_age")
    known = -np.log(0.9) * np.array([10.0, 20.0])
    assert b10.gain == pytest.approx((known.mean(), *np.quantile(known, (0.05, 0.95))), rel=1e-6)
    assert b10.extrapolated == (1.0, 1.0, 1.0)
    mean = next(shift for shift in life if shift.name == "restricted_mean_age")
    limited = [m * (1 - np.exp(-60 / m)) for m in (10.0, 20.0, 40.0)]
    assert mean.gain[0] == pytest.approx((limited[1] + limited[2] - limited[0] - limited[1]) / 2, rel=1e-5)


def test_the_table_of_a_study(finished):
    _, _, simulation = finished
    records = read(RECORDS, SURVEYS)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        table = exclusion_table(records, simulation, seed=3)
    assert set(table["part"]) >= {"line", "line_shift", "with_early", "without_early", "gain"}
    lines = table[table["part"] == "line"].set_index("name")
    assert list(lines.index) == [
        "all_sections", "without_below_60", "without_below_60_by_10", "without_failed_by_10", "survivors",
    ]  # fmt: skip
    gained = table[table["part"] == "gain"].set_index("name")
    parts = [table[table["part"] == part].set_index("name")["value"] for part in ("without_early", "with_early")]
    np.testing.assert_allclose(gained["value"], parts[0] - parts[1], atol=1e-9)
    assert gained["share_extrapolated"].between(0, 1).all()


def test_shares_are_gains_over_shifts_without_an_interval():
    answer = answer_mixture(StatedMixture(share_early=0.1, early_age=10, life=45))
    table = table_of(answer.lines, answer.life)
    shares = table[table["part"] == "share_of_shift"]
    of = shares[shares["of"] == "without_below_60"].set_index("name")
    assert of.loc["b10_age", "value"] == pytest.approx(answer.quantity("b10_age").gain[0] / answer.lines[1].shift[0])
    assert shares[["lower", "upper"]].isna().all(axis=None)
    assert "early_failure_probability" not in of.index
    back = answer_mixture(StatedMixture(share_early=0.1, early_age=10, life=45, removal_lag=3))
    assert back.lines[1].shift[2] < 0
    table = table_of(back.lines, back.life)
    assert not (table["part"] == "share_of_shift").any()


def test_a_study_whose_lines_cannot_be_drawn_still_states_life(finished):
    _, _, simulation = finished
    with pytest.warns(RiskModelWarning, match="No line can be drawn for the exclusion check: a line needs readings"):
        table = exclusion_table(read(RECORDS), simulation, seed=3)
    assert set(table["part"]) == {"with_early", "without_early", "gain"}
    assert table.equals(exclusion_table(None, simulation, seed=3))


def test_one_deletion_that_leaves_nothing_costs_its_own_line_alone(finished):
    _, _, simulation = finished
    poor = [survey(f"{2003 + 6 * i}-07-01", str(70 - 8 * i), section=s) for s in ("cap", "mended") for i in range(3)]
    with pytest.warns(RiskModelWarning, match="deleting those read below 60 leaves 0 of 2 sections"):
        table = exclusion_table(read(RECORDS, poor), simulation, seed=3)
    names = list(table[table["part"] == "line"]["name"])
    assert names == ["all_sections", "without_below_60_by_10", "without_failed_by_10", "survivors"]


def test_an_older_simulation_is_refused_with_the_remedy(finished):
    _, _, simulation = finished
    with pytest.raises(StoreError, match=r"made by an earlier riskmodel .* Run the study again"):
        exclude(read(RECORDS, SURVEYS), simulation.drop_vars("survival_without_early"), seed=1)


# ----------------------------------------------------------------------------------- stated mixture


def test_the_mixture_is_exact():
    """Another library's Weibull, integrated and solved numerically."""
    mixture = StatedMixture(share_early=0.2, early_age=8.0, life=40.0, early_shape=3.0, shape=5.0)
    early, wear = (stats.weibull_min(k, scale=m / np.log(2) ** (1 / k)) for m, k in ((8.0, 3.0), (40.0, 5.0)))
    both = lambda t: wear.sf(t) * (1 - 0.2 * early.cdf(t))  # noqa: E731
    answer = answer_mixture(mixture, resamples=50)
    assert answer.quantity("restricted_mean_age").with_early[0] == pytest.approx(
        integrate.quad(both, 0, 150, limit=200)[0], rel=1e-5
    )
    assert answer.quantity("restricted_mean_age").without_early[0] == pytest.approx(wear.mean(), rel=1e-5)
    for name, level in (("b05_age", 0.95), ("b10_age", 0.9), ("b20_age", 0.8), ("median_age", 0.5)):
        known = optimize.brentq(lambda t, level=level: both(t) - level, 0.1, 100)
        assert answer.quantity(name).with_early[0] == pytest.approx(known, rel=1e-4)
        assert answer.quantity(name).without_early[0] == pytest.approx(wear.isf(level), rel=1e-4)


def test_the_figures_of_common_practice():
    """10 % near ten years, the rest near 45: mean 40.8 to 44.4, b10 14.4 to 35.6. Common practice, no source."""
    answer = answer_mixture(StatedMixture(share_early=SHARE, early_age=EARLY, life=LATE), resamples=200)
    mean, b10 = answer.quantity("restricted_mean_age"), answer.quantity("b10_age")
    assert [round(x, 1) for x in (mean.with_early[0], mean.without_early[0])] == [40.8, 44.4]
    assert [round(x, 1) for x in (b10.with_early[0], b10.without_early[0])] == [14.4, 35.6]
    # Weibull lives in place of that test's lognormal ones: the same pooled line, 47.0, within its interval
    assert answer.lines[0].age[1] <= 47.0 <= answer.lines[0].age[2]
    assert answer.lines[1].shift[1] > mean.gain[0] * 0.9


def test_a_mixture_without_early_failures_has_nothing_to_gain():
    answer = answer_mixture(StatedMixture(share_early=0.0, early_age=10, life=45), resamples=50)
    assert all(shift.gain[0] == 0.0 for shift in answer.life)
    survival, _ = survival_of(StatedMixture(share_early=0.0, early_age=10, life=45))
    assert (survival[0] == survival[1]).all()


def test_the_mean_gains_no_more_than_the_share_times_the_years_lost():
    for share in (0.05, 0.1, 0.3):
        for lost_at in (3.0, 10.0):
            answer = answer_mixture(
                StatedMixture(share_early=share, early_age=lost_at, life=45, sections=200), resamples=20
            )
            gain = answer.quantity("restricted_mean_age").gain[0]
            early = stats.weibull_min(5, scale=lost_at / np.log(2) ** 0.2)
            years_lost = answer.quantity("restricted_mean_age").without_early[0] - early.mean()
            assert gain == pytest.approx(share * years_lost, rel=0.01)


def test_simulated_readings_follow_the_stated_path_and_lives():
    exact = StatedMixture(share_early=0.3, early_age=10, life=45, scatter=0, power=1, removal_lag=0, sections=20_000)
    seen = sight(exact)
    assert (seen.index > 60.0).all()  # straight paths, removed as they fail
    gone = np.isfinite(seen.removed).mean()
    survival, ages = survival_of(exact)
    expected = 1.0 - np.interp(24.0, ages, survival[0])
    assert gone == pytest.approx(expected, abs=3 * np.sqrt(expected * (1 - expected) / 20_000))
    # every section's readings lie on a line from 97 that reaches 60 at its life
    at = seen.owner == seen.owner[np.isfinite(seen.removed)[seen.owner]][0]
    life = seen.removed[seen.owner[at][0]]
    assert seen.index[at] == pytest.approx(97 - 37 * seen.age[at] / life)
    long = sight(StatedMixture(share_early=0.3, early_age=10, life=45, removal_lag=8, sections=20_000))
    assert (long.index <= 60).any()
    assert (np.isfinite(long.failed) >= np.isfinite(long.removed)).all()


def test_the_mixture_is_reproduced_by_its_seed():
    mixtures = [StatedMixture(share_early=0.1, early_age=10, life=45, seed=seed) for seed in (1, 1, 2)]
    one, same, other = (answer_mixture(mixture, resamples=50).lines for mixture in mixtures)
    assert one == same
    assert one != other


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"early_age": 45.0}, "`--early-age`: early failures come before the others wear out; got '45'"),
        ({"start": 60.0}, "`--start`: a section is built above the level that counts as failure; got '60'"),
        ({"every": 13.0}, "`--every`: a line needs surveys at two ages; got '13'. Choose at most half"),
    ],
)
def test_mixtures_that_make_no_sense_are_refused(changes, message):
    with pytest.raises(ExclusionError, match=re.escape(message)):
        StatedMixture(**{"share_early": 0.1, "early_age": 10.0, "life": 45.0, **changes})


# -------------------------------------------------------------------------------------------- words


def flat(lines) -> str:
    return " ".join(" ".join(lines).split())


def test_the_sentence_has_the_numbers():
    mixture = StatedMixture(share_early=0.1, early_age=10, life=45)
    answer = answer_mixture(mixture)
    words = flat(mixture_lines(mixture, answer))
    line, mean, b10 = answer.lines[1], answer.quantity("restricted_mean_age"), answer.quantity("b10_age")
    assert f"the line moves by {line.shift[0]:.1f} years, {answer.lines[0].age[0]:.1f} to {line.age[0]:.1f}." in words
    assert f"mean life moves by {mean.gain[0]:.1f} years, the age nine in ten outlive by {b10.gain[0]:.1f}." in words
    assert f"{100 * mean.gain[0] / line.shift[0]:.0f} % for mean life" in words
    assert "over 100 %: it gains more than the line says" in words
    assert all(len(row) <= 79 for row in mixture_lines(mixture, answer))


def test_a_line_that_moves_back_is_said_to():
    mixture = StatedMixture(share_early=0.1, early_age=10, life=45, removal_lag=3)
    words = flat(mixture_lines(mixture, answer_mixture(mixture)))
    assert "the line moves back by" in words
    assert "without them it falls faster" in words
    assert "does not surely move up" in words
    assert "real gain" not in words


def test_the_report_holds_the_check_in_a_few_lines(finished):
    """The same sentences as the whole check; without readings there is no line to speak of."""
    _, _, simulation = finished
    answer = exclude(read(RECORDS, SURVEYS), simulation, seed=1, resamples=100)
    words, whole = flat(report_lines(answer)), flat(study_lines("Roads", answer))
    assert words.startswith("Delete the ")
    for sentence in words.split(". "):
        assert sentence.rstrip(".") in whole
    assert "Prevent every early failure, and mean life to age 60 moves by" in words
    assert all(len(row) <= 79 for row in report_lines(answer))
    without, _ = exclude_where_possible(None, simulation, seed=1)
    assert flat(report_lines(without)).startswith("Prevent every early failure")


def test_a_line_that_never_gets_there_in_words():
    mixture = StatedMixture(share_early=0.0, early_age=10, life=200, power=5, scatter=0, sections=50, surveyed_to=10)
    answer = answer_mixture(mixture, resamples=50)
    assert answer.lines[0].age[0] == np.inf
    words = flat(mixture_lines(mixture, answer))
    assert "No section is read below 60: nothing is deleted" in words
    assert "In 100 % of the resamples a line never gets there (all sections)" in words
    assert "never" in words.split("moved by")[1].split("Life with")[0]
    assert "inf" not in words
    assert "nan" not in words


def test_the_page_of_a_study_names_the_traps(finished):
    _, _, simulation = finished
    answer = exclude(read(RECORDS, SURVEYS), simulation, seed=1, resamples=100)
    rows = study_lines("Roads", answer)
    words = flat(rows)
    for text in (
        "1 section was removed for condition: its later",
        "1 section came under",
        "1 reading at the top of the scale counts",
        "2 readings far below the threshold are",
        "1 reading after",
        "It ends beyond the oldest reading, at 12.0 years",
    ):
        assert text in words
    assert "mean life to age 60" in words
    assert "assured 90 %" in words
    assert [row for row in rows if len(row) > 79] == []
    assert NO_MEASURES not in words
    assert "planned programme" not in words
    planned = exclude(read(RECORDS, SURVEYS), simulation.assign_attrs(programme="table"), seed=1, resamples=100)
    assert "while life is that of the planned programme" in flat(study_lines("Roads", planned))
