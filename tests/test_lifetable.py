"""Life tables: textbook examples, limits, laws, messages."""

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmodel import innermost
from riskmodel.errors import InputError, RiskModelWarning
from riskmodel.lifetable import cumulative_incidence, kaplan_meier, survival_at, turnbull
from riskmodel.schema import check

INF = np.inf

# Weeks in remission of leukaemia patients on 6-MP, + = still in remission.
# Freireich et al. (1963), Blood 21, 699-716, as tabulated in Klein & Moeschberger, Survival
# Analysis, section 1.2, with its Kaplan-Meier table in section 4.2 (from memory, pages not seen).
REMISSION = "6 6 6 6+ 7 9+ 10 10+ 11+ 13 16 17+ 19+ 20+ 22 23 25+ 32+ 32+ 34+ 35+"
REMISSION_TABLE = {
    6: (21, 0.8571, 0.0764),
    7: (17, 0.8067, 0.0869),
    10: (15, 0.7529, 0.0963),
    13: (12, 0.6902, 0.1068),
    16: (11, 0.6275, 0.1141),
    22: (7, 0.5378, 0.1282),
    23: (6, 0.4482, 0.1346),
}

# Months to breast retraction after radiotherapy alone, (lower, upper], upper empty = not seen.
# Beadle et al. (1984), Cancer 54, 2911-2918; Finkelstein & Wolfe (1985), Biometrics 41, 933-945;
# Turnbull masses as printed in Klein & Moeschberger, section 5.2 (from memory, pages not seen).
RETRACTION = (
    "45- 6-10 0-7 46- 46- 7-16 17- 7-14 37-44 0-8 4-11 15- 11-15 22- 46- 46- 25-37 46- 26-40 46- 27-34 36-44 46- 36-48 "
    "37- 40- 17-25 46- 11-18 38- 5-12 37- 0-5 18- 24- 36- 5-11 19-35 17-25 24- 32- 33- 19-26 37- 34- 36-"
)
RETRACTION_TABLE = {
    (4, 5): 0.0463,
    (6, 7): 0.0334,
    (7, 8): 0.0887,
    (11, 12): 0.0708,
    (24, 25): 0.0926,
    (33, 34): 0.0818,
    (38, 40): 0.1209,
    (46, 48): 0.4656,
}


def remission():
    age = np.array([float(text.rstrip("+")) for text in REMISSION.split()])
    return age, np.array([INF if "+" in text else a for text, a in zip(REMISSION.split(), age, strict=True)])


def retraction():
    pairs = [text.split("-") for text in RETRACTION.split()]
    return np.array([float(a) for a, _ in pairs]), np.array([float(b) if b else INF for _, b in pairs])


def inspected(rng, n, *, shape=2.0, scale=30.0, latest_entry=20.0, visits=8):
    """Invented lives inspected at random ages, begun late: (lower, upper, entry)."""
    age = scale * rng.weibull(shape, 6 * n)
    entry = rng.uniform(0.0, latest_entry, 6 * n)
    age, entry = age[age > entry][:n], entry[age > entry][:n]
    ages = np.sort(np.column_stack([entry, rng.uniform(entry[:, None], 45.0, (n, visits))]), axis=1)
    before = ages < age[:, None]
    return np.where(before, ages, 0).max(axis=1), np.where(before, INF, ages).min(axis=1), entry


# Published examples ------------------------------------------------------------------------


def test_remission_data_give_the_published_table():
    table = kaplan_meier(*remission())
    assert table.age.values.tolist() == list(REMISSION_TABLE)
    at_risk, survival, error = np.array(list(REMISSION_TABLE.values())).T
    np.testing.assert_array_equal(table.at_risk, at_risk)
    np.testing.assert_allclose(table.survival, survival, atol=0.5e-4)
    np.testing.assert_allclose(table.standard_error, error, atol=0.5e-4)


def test_retraction_data_give_the_published_masses():
    table = turnbull(*retraction())
    filled = table.isel(age_interval=table.mass.values > 1e-9)
    ends = zip(filled.age_lower.values, filled.age_upper.values, strict=True)
    assert [(int(a), int(b)) for a, b in ends] == list(RETRACTION_TABLE)
    np.testing.assert_allclose(filled.mass, list(RETRACTION_TABLE.values()), atol=0.5e-4)
    assert table.attrs["self_consistency"] < 1e-9
    assert not table.undetermined.any()


def test_late_entries_by_hand():
    # at risk at 3: sections 1, 2 (3 and 4 enter later); at 6: 2, 3, 4; at 8: 3, 4
    table = kaplan_meier([3, 6, 8, 9], [3, 6, 8, INF], [0, 0, 4, 5])
    np.testing.assert_array_equal(table.at_risk, [2, 3, 2])
    np.testing.assert_allclose(table.survival, [1 / 2, 1 / 2 * 2 / 3, 1 / 2 * 2 / 3 * 1 / 2])
    greenwood = [1 / 2, 1 / 2 + 1 / 6, 1 / 2 + 1 / 6 + 1 / 2]  # sum of d / (n (n - d))
    np.testing.assert_allclose(table.standard_error, table.survival * np.sqrt(greenwood))


def test_a_section_entering_at_a_failure_age_is_not_yet_at_risk():
    table = kaplan_meier([3, 5, 5], [3, INF, INF], [0, 0, 3])
    assert table.at_risk.values.tolist() == [2]


def test_two_causes_by_hand():
    table = cumulative_incidence([1, 2, 3, 4, 5], ["joints", "", "wear", "joints", ""])
    # S: 4/5, 4/5 x 2/3, 4/5 x 2/3 x 1/2
    np.testing.assert_allclose(table.incidence.sel(cause="joints"), [1 / 5, 1 / 5, 1 / 5 + 4 / 5 * 2 / 3 / 2])
    np.testing.assert_allclose(table.incidence.sel(cause="wear"), [0, 4 / 5 / 3, 4 / 5 / 3])
    np.testing.assert_allclose(table.survival, [4 / 5, 8 / 15, 4 / 15])


# Limits ------------------------------------------------------------------------------------


def test_without_censoring_the_errors_are_binomial():
    rng = np.random.default_rng(3)
    age, cause = rng.weibull(2.0, 60), rng.choice(["a", "b", "c"], 60)
    table = cumulative_incidence(age, cause)
    for share, error in ((table.incidence, table.incidence_error), (table.survival, table.standard_error)):
        np.testing.assert_allclose(error, np.sqrt(share * (1 - share) / 60), atol=1e-12)


def test_one_cause_is_kaplan_meier():
    age, upper = remission()
    table, curve = cumulative_incidence(age, np.where(np.isinf(upper), "", "relapse")), kaplan_meier(age, upper)
    np.testing.assert_allclose(table.survival, curve.survival)
    np.testing.assert_allclose(table.incidence_error.sel(cause="relapse"), curve.standard_error)


def test_turnbull_of_exact_ages_is_kaplan_meier():
    rng = np.random.default_rng(5)
    age, entry = rng.weibull(2.0, 80) + 1.0, rng.uniform(0.0, 1.0, 80)
    upper = np.where(rng.random(80) < 0.7, age, INF)
    curve, table = kaplan_meier(age, upper, entry), turnbull(age, upper, entry)
    at = survival_at(table, curve.age)
    np.testing.assert_allclose(at.survival_upper, curve.survival, atol=1e-8)
    np.testing.assert_allclose(at.survival_lower, at.survival_upper)


def test_narrow_intervals_are_exact_ages():
    age, upper = remission()
    failed = np.isfinite(upper)
    narrow = turnbull(np.where(failed, age - 1e-7, age), upper)
    curve = kaplan_meier(age, upper)
    np.testing.assert_allclose(survival_at(narrow, curve.age).survival_upper, curve.survival, atol=1e-8)


def test_common_inspections_are_the_actuarial_table():
    # all inspected every 5 years: survival is the product of 1 - failed / at risk, late entries included
    rng = np.random.default_rng(8)
    age, entry = 25.0 * rng.weibull(2.0, 3000), 5.0 * rng.integers(0, 4, 3000)
    age, entry = age[age > entry], entry[age > entry]
    lower = np.minimum(5.0 * np.floor(age / 5.0), 40.0)
    upper = np.where(age > 40.0, INF, lower + 5.0)
    steps = [
        1 - ((lower == a) & (upper < INF)).sum() / ((entry <= a) & (lower >= a)).sum()
        for a in np.arange(0.0, 40.0, 5.0)
    ]
    at = survival_at(turnbull(lower, upper, entry), np.arange(5.0, 45.0, 5.0))
    np.testing.assert_allclose(at.survival_upper, np.cumprod(steps), atol=1e-8)
    np.testing.assert_allclose(at.survival_lower, at.survival_upper)


def test_one_section_is_one_interval():
    table = turnbull([3.0], [7.0])
    assert (table.age_lower.item(), table.age_upper.item(), table.mass.item()) == (3.0, 7.0, 1.0)


def test_survival_is_open_only_inside_an_interval():
    at = survival_at(turnbull([0, 2, 4], [3, 6, INF]), [1.9, 2.0, 2.5, 3.0, 5.0])
    # innermost: (2, 3] and (4, 6], one half to each; the third section could fail there too
    assert at.survival_upper.values.tolist()[:2] == [1.0, 1.0]
    assert at.survival_lower.values[1] == 1.0
    assert at.survival_lower.values[2] < at.survival_upper.values[2] == 1.0
    assert at.survival_lower.values[3] == at.survival_upper.values[3]


def test_survival_given_an_age_is_a_ratio():
    curve = kaplan_meier(*remission())
    at = survival_at(curve, [5.0, 14.0, 30.0], given=11.0)
    np.testing.assert_allclose(at.survival_lower, [1.0, 0.6902 / 0.7529, 0.4482 / 0.7529], atol=2e-4)


def test_from_age_conditions_on_reaching_it():
    age, upper = remission()
    whole, later = kaplan_meier(age, upper), kaplan_meier(age, upper, from_age=11.0)
    np.testing.assert_allclose(later.survival, whole.survival.sel(age=later.age) / whole.survival.sel(age=10.0))
    np.testing.assert_array_equal(later.at_risk, whole.at_risk.sel(age=later.age))


def test_mass_that_late_entries_leave_open_is_flagged():
    # one failure in (1, 10]; entries at 5 and 8 cut that interval into three cells, and the one section at risk in all
    # of them outlives all: any split of the mass has the same likelihood (by hand)
    table = turnbull([1, 6, 9, 12], [10, INF, INF, INF], [0, 5, 8, 0])
    assert table.age_upper.values.tolist() == [5.0, 8.0, 10.0, INF]
    assert table.undetermined.values.tolist() == [True, True, True, False]
    np.testing.assert_allclose(table.survival[2], 0.5, atol=1e-8)


# Laws --------------------------------------------------------------------------------------


@st.composite
def histories(draw):
    """Up to 12 sections with whole ages, mixed kinds; one is seen through, so that the ages link up."""
    n = draw(st.integers(1, 12))
    entry = np.array(draw(st.lists(st.integers(0, 8), min_size=n, max_size=n)), dtype=float)
    lower = entry + np.array(draw(st.lists(st.integers(0, 8), min_size=n, max_size=n)))
    width = np.array(draw(st.lists(st.sampled_from([0.0, 1.0, 2.0, 5.0, INF]), min_size=n, max_size=n)))
    width[(width == 0) & (lower == entry)] = 1.0
    return np.append(lower, 30.0), np.append(lower + width, INF), np.append(entry, 0.0)


def elementary(lower, upper, entry):
    """Masks (section, piece) of the own interval and of the window, on all pieces between and at the ages.

    Every age is a piece of its own and so is every gap: nothing is assumed about innermost intervals.
    """
    ages = np.unique(np.concatenate([lower, upper[np.isfinite(upper)], entry]))
    middle = np.concatenate([ages, (ages[:-1] + ages[1:]) / 2, ages[-1:] + 1.0])
    window = middle > entry[:, None]
    exact = lower == upper
    own = np.where(exact[:, None], middle == lower[:, None], (middle > lower[:, None]) & (middle <= upper[:, None]))
    return own, window, middle


def log_likelihood(mass, own, window):
    with np.errstate(divide="ignore", invalid="ignore"):
        return float(np.nan_to_num(np.log(own @ mass) - np.log(window @ mass), nan=-INF).sum())


def on_pieces(table, middle):
    """Masses of a Turnbull table placed on one piece inside each interval."""
    mass = np.zeros(middle.size)
    for a, b, m in zip(table.age_lower.values, table.age_upper.values, table.mass.values, strict=True):
        inside = (middle == a) if a == b else (middle > a) & (middle <= b)
        mass[np.flatnonzero(inside)[0]] += m
    return mass


@settings(max_examples=150, deadline=None)
@given(histories())
def test_turnbull_is_a_fixed_point_of_the_1976_equation(history):
    own, window, middle = elementary(*history)
    mass = on_pieces(turnbull(*history), middle)
    # Turnbull's equation with the lives that were never seen: own share, plus (outside the window) / P(window)
    share = own * mass / (own @ mass)[:, None] + ~window * mass / (window @ mass)[:, None]
    np.testing.assert_allclose(share.sum(axis=0) / (1 / (window @ mass)).sum(), mass, atol=1e-7)


@settings(max_examples=100, deadline=None)
@given(histories(), st.integers(0, 2**32 - 1))
def test_no_other_distribution_is_likelier(history, seed):
    own, window, middle = elementary(*history)
    table = turnbull(*history)
    mass = on_pieces(table, middle)
    best = log_likelihood(mass, own, window)
    assert best == pytest.approx(table.attrs["log_likelihood"], abs=1e-8)
    rng = np.random.default_rng(seed)
    for closeness in (1.0, 0.3, 0.01):
        other = (1 - closeness) * mass + closeness * rng.dirichlet(np.full(middle.size, 0.3))
        assert log_likelihood(other, own, window) <= best + 1e-7


@settings(max_examples=100, deadline=None)
@given(histories())
def test_turnbull_is_a_distribution(history):
    table = turnbull(*history)
    assert (table.mass >= 0).all()
    assert table.mass.sum().item() == pytest.approx(1.0)
    assert table.survival.values[-1] == 0.0
    assert (np.diff(table.survival, prepend=1.0) <= 0).all()
    at = survival_at(table, np.linspace(0.0, 40.0, 81))
    assert (at.survival_lower <= at.survival_upper).all()
    assert table.failures.sum().item() == pytest.approx(history[0].size)


@settings(max_examples=100, deadline=None)
@given(histories())
def test_without_late_entries_every_mass_is_determined(history):
    # each cell ends where some section's interval ends, so that the incidence matrix holds a triangle
    assert not turnbull(history[0], history[1]).undetermined.any()


@settings(max_examples=100, deadline=None)
@given(histories(), st.integers(0, 2**32 - 1))
def test_survival_and_incidences_add_up_to_one(history, seed):
    lower, _, entry = history
    age = lower + 1.0
    cause = np.random.default_rng(seed).choice(["", "a", "b"], age.size)
    cause[-1] = ""
    table = cumulative_incidence(age, cause, entry, causes=["a", "b"])
    np.testing.assert_allclose(table.survival + table.incidence.sum("cause"), 1.0)
    assert (np.diff(table.incidence, axis=0) >= 0).all()
    assert (np.diff(table.survival, prepend=1.0) <= 0).all()


@settings(max_examples=50, deadline=None)
@given(histories())
def test_weights_are_repeated_sections(history):
    repeated = turnbull(*(np.repeat(values, 2) for values in history))
    weighted = turnbull(*history, weights=np.full(history[0].size, 2.0))
    assert weighted.attrs["log_likelihood"] == pytest.approx(repeated.attrs["log_likelihood"], abs=1e-9)
    np.testing.assert_array_equal(weighted.undetermined, repeated.undetermined)
    determined = ~weighted.undetermined.values  # others share their mass in many ways of one likelihood
    np.testing.assert_allclose(weighted.mass[determined], repeated.mass[determined], atol=1e-7)
    lower, _, entry = history
    curve = kaplan_meier(np.repeat(lower + 1, 2), np.repeat(lower + 1, 2), np.repeat(entry, 2))
    by_weight = kaplan_meier(lower + 1, lower + 1, entry, np.full(lower.size, 2.0))
    np.testing.assert_allclose(by_weight.standard_error, curve.standard_error)


def test_newton_and_plain_em_meet():
    lower, upper, entry = inspected(np.random.default_rng(12), 60)
    cells = innermost.Cells.of(lower, upper, entry, np.ones(lower.size))
    fast, _ = innermost.maximise(cells, 1e-10, 100)
    slow = np.full(cells.count - 1, 0.1)
    climbed = [innermost.log_likelihood(cells, slow)]
    for _ in range(5000):
        slow = innermost.em_step(cells, slow)
        climbed.append(innermost.log_likelihood(cells, slow))
    assert (np.diff(climbed) > -1e-9).all()
    assert innermost.log_likelihood(cells, fast) == pytest.approx(climbed[-1], abs=1e-3)
    assert innermost.log_likelihood(cells, fast) >= climbed[-1] - 1e-9


# Known truth -------------------------------------------------------------------------------


def test_kaplan_meier_errors_are_the_spread_over_repeats():
    rng = np.random.default_rng(31)
    truth, scores = np.exp(-((25.0 / 30.0) ** 2)), []
    for _ in range(400):
        age, entry = 30.0 * rng.weibull(2.0, 300), rng.uniform(0.0, 15.0, 300)
        entry[:20] = 0.0  # enough sections at the start
        age, entry = age[age > entry], entry[age > entry]
        leave = np.minimum(age, 40.0)
        table = kaplan_meier(leave, np.where(age <= 40.0, age, INF), entry).sel(age=slice(None, 25.0)).isel(age=-1)
        scores.append(float((table.survival - truth) / table.standard_error))
    assert abs(np.mean(scores)) < 4 / np.sqrt(400)
    assert abs(np.std(scores) - 1) < 4 / np.sqrt(2 * 400)


def test_turnbull_finds_the_truth_where_many_are_at_risk():
    n = 2000
    table = turnbull(*inspected(np.random.default_rng(77), n))
    at = survival_at(table, [15.0, 20.0, 30.0, 40.0], given=5.0)
    truth = np.exp(-((np.array([15.0, 20.0, 30.0, 40.0]) / 30) ** 2) + (5 / 30) ** 2)
    # n^(1/3) convergence (Groeneboom & Wellner 1992, page not seen): 4 x 0.5 n^(-1/3)
    np.testing.assert_allclose((at.survival_lower + at.survival_upper) / 2, truth, atol=2 * n ** (-1 / 3))


# Small risk sets ---------------------------------------------------------------------------


def test_an_emptied_risk_set_is_told_and_mended():
    history = ([2, 9, 12, 15], [2, 9, INF, 15], [0, 5, 5, 5])
    with pytest.warns(RiskModelWarning, match=r"every section at risk at age 2 fails there, while 3 .* `from_age` = 2"):
        table = kaplan_meier(*history)
    assert (table.survival == 0).all()
    mended = kaplan_meier(*history, from_age=2.0)
    np.testing.assert_allclose(mended.survival, [2 / 3, 0])


def test_an_age_nobody_is_known_to_cross_is_told():
    with pytest.warns(RiskModelWarning, match="no section is known to have lived across age 8"):
        turnbull([1, 2, 7, 8], [5, 5, 9, INF], [0, 0, 6, 6])
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        turnbull([1, 8, 7, 8], [5, INF, 9, INF], [0, 0, 6, 6])


# Shape and messages ------------------------------------------------------------------------


def test_tables_are_of_their_published_kinds():
    curve, intervals = kaplan_meier(*remission()), turnbull(*retraction())
    check(curve, "life_table")
    check(intervals, "interval_life_table")
    check(cumulative_incidence([1, 2], ["a", ""]), "incidence_table")
    check(survival_at(intervals, [1.0]), "survival")
    assert curve.age.attrs["units"] == "year"


def test_no_failure_at_all_gives_an_empty_table():
    table = kaplan_meier([5, 6], [INF, INF])
    assert table.sizes["age"] == 0
    assert survival_at(table, [10.0]).survival_lower.item() == 1.0


def test_causes_keep_the_order_asked_for():
    table = cumulative_incidence([1, 2], ["b", ""], causes=["wear", "b"])
    assert table.cause.values.tolist() == ["wear", "b"]
    assert table.incidence.sel(cause="wear").values.tolist() == [0.0]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([5, 4], [6, 3]), "`age_upper`: must not lie below `age_lower`; got '3 at position 1'. Swap the two"),
        (([5, -1], [6, 3]), "`age_lower`: a finite number, not negative, is expected; got '-1 at position 1'"),
        (([np.nan], [6]), "`age_lower`: a finite number"),
        (([5], [np.nan]), "`age_upper`: must not lie below"),
        (([5], [6], [7]), "`age_entry`: must lie below the failure age; got '7 at position 0'. It was not seen"),
        (([5], [6], [0], [0]), "`weights`: a weight above zero is expected"),
        (([5, 6], [6]), r"`age_upper`: one number a section is expected; got 'shape \(1,\)'"),
        (([], []), "`age_lower`: one number a section is expected"),
    ],
)
def test_faulty_ages_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        turnbull(*arguments)


def test_all_faults_come_at_once():
    with pytest.raises(InputError) as caught:
        turnbull([-1, 5], [3, 4], [0, -2], [1, 0])
    assert len(caught.value.faults) == 4


def test_kaplan_meier_refuses_intervals():
    with pytest.raises(InputError, match=r"must be exact here .* got '9 at position 1'. Use `turnbull`"):
        kaplan_meier([5, 6], [5, 9])


def test_causes_off_the_list_are_refused():
    with pytest.raises(InputError, match="one of a, b or an empty text is expected; got 'c'"):
        cumulative_incidence([1, 2], ["c", "a"], causes=["a", "b"])
    with pytest.raises(InputError, match="different names"):
        cumulative_incidence([1, 2], ["a", "a"], causes=["a", "a"])


def test_survival_given_an_age_nobody_reached_is_refused():
    with pytest.raises(
        InputError, match=r"`given`: the table must have survivors at this age; got '9.0'. Give a lower"
    ):
        survival_at(kaplan_meier([5, 6], [5, 6]), [10.0], given=9.0)


def test_a_search_cut_short_is_no_result():
    with pytest.raises(RuntimeError, match=r"no self-consistent life table after 1 steps: breach .* Raise"):
        turnbull(*retraction(), tolerance=1e-15, max_iterations=1)
