"""Life tables equal to those of general survival libraries, on published data.

Needs the `reference` dependency group: lifelines and SurPyval.
"""

import numpy as np
import pytest
from lifelines import AalenJohansenFitter, KaplanMeierFitter
from lifelines.datasets import load_diabetes, load_multicenter_aids_cohort_study, load_waltons
from lifelines.fitters.npmle import npmle
from surpyval import Turnbull
from surpyval.datasets import load_pbc2

from riskmodel.lifetable import cumulative_incidence, kaplan_meier, survival_at, turnbull

pytestmark = pytest.mark.reference
INF = np.inf


def cohort():
    """Late entries: years from diagnosis to entry, exit, death.

    Cole & Hudgens (2010), AIDS 24, 2423-2431 (page not seen), as shipped with lifelines.
    """
    data = load_multicenter_aids_cohort_study()
    age = data["T"].to_numpy()
    return age, np.where(data["D"] == 1, age, INF), data["W"].to_numpy()


def proteinuria():
    """Intervals in whole years; both ends are possible, so half a year is taken off the lower one.

    Borch-Johnsen, Andersen & Deckert (1985), Diabetologia 28, 590-596 (page not seen), as shipped
    with lifelines. One year is added to all ages: some begin at birth.
    """
    data = load_diabetes()
    return data["left"].to_numpy(dtype=float) + 0.5, data["right"].to_numpy(dtype=float) + 1.0


def liver():
    """Years to death, transplantation or the end of follow-up.

    Murtaugh et al. (1994), Hepatology 20, 126-134 (page not seen), as shipped with SurPyval.
    """
    patients = load_pbc2().drop_duplicates("id")
    return patients["years"].to_numpy(), patients["status"].replace("alive", "").to_numpy(dtype=str)


def test_late_entries_as_lifelines():
    age, upper, entry = cohort()
    library = KaplanMeierFitter().fit(age, np.isfinite(upper), entry=entry)
    table = kaplan_meier(age, upper, entry)
    expected = library.survival_function_["KM_estimate"].reindex(table.age.values)
    np.testing.assert_allclose(table.survival, expected, atol=1e-12)
    at_risk = library.event_table["at_risk"].reindex(table.age.values)
    np.testing.assert_array_equal(table.at_risk, at_risk)


def test_greenwood_errors_as_lifelines():
    # Walton's flies, shipped with lifelines (source not stated there)
    data = load_waltons()
    age = data["T"].to_numpy(dtype=float)
    library = KaplanMeierFitter().fit(age, data["E"])
    table = kaplan_meier(age, np.where(data["E"] == 1, age, INF))
    np.testing.assert_allclose(
        table.survival, library.survival_function_["KM_estimate"].reindex(table.age.values), atol=1e-12
    )
    # the library keeps Greenwood's sum for its log(-log) interval: back from interval to error
    band = library.confidence_interval_survival_function_.reindex(table.age.values).iloc[:-1]
    log_survival = np.log(table.survival.values[:-1])
    spread = np.log(np.log(band.iloc[:, 0].to_numpy()) / log_survival) / 1.959963984540054
    error = np.abs(spread * log_survival) * table.survival.values[:-1]
    np.testing.assert_allclose(table.standard_error[:-1], error, rtol=1e-6)


def test_interval_censored_estimate_as_lifelines():
    lower, upper = proteinuria()
    masses, intervals = npmle(lower + 0.5, upper, tol=1e-10)
    table = turnbull(lower, upper)
    np.testing.assert_array_equal(table.age_upper, [float(interval.right) for interval in intervals])
    np.testing.assert_allclose(table.mass, masses, atol=1e-6)


def test_interval_censored_estimate_as_surpyval():
    lower, upper = proteinuria()
    library = Turnbull.fit(xl=lower, xr=upper, turnbull_estimator="Kaplan-Meier", tol=1e-12, max_iter=100_000)
    ages = np.arange(2.0, 46.0)
    np.testing.assert_allclose(survival_at(turnbull(lower, upper), ages).survival_upper, library.sf(ages), atol=1e-8)


def test_intervals_with_late_entries_as_surpyval():
    # the cohort above, its deaths known only between visits half a year apart (visits invented)
    age, upper, entry = cohort()
    seen = np.isfinite(upper)
    lower = np.where(seen, np.maximum(entry, np.ceil(age * 2) / 2 - 0.5), age)
    by = np.where(seen, np.ceil(age * 2) / 2, INF)
    table = turnbull(lower, by, entry)
    library = Turnbull.fit(xl=lower, xr=by, tl=entry, turnbull_estimator="Kaplan-Meier", tol=1e-13, max_iter=200_000)
    ages = np.arange(0.5, 9.0, 0.5)
    np.testing.assert_allclose(survival_at(table, ages).survival_upper, library.sf(ages), atol=1e-6)


@pytest.mark.parametrize("cause", ["dead", "transplanted"])
def test_incidence_and_its_error_as_lifelines(cause):
    age, causes = liver()
    # the library takes no ties between causes; there are none in these data
    library = AalenJohansenFitter().fit(age, np.where(causes == "", 0, np.where(causes == cause, 1, 2)), 1)
    table = cumulative_incidence(age, causes).sel(cause=cause)
    np.testing.assert_allclose(table.incidence, library.cumulative_density_.iloc[:, 0].reindex(table.age), atol=1e-12)
    np.testing.assert_allclose(table.incidence_error**2, library.variance_.reindex(table.age), atol=1e-12)


def test_incidence_with_late_entries_is_one_minus_the_library_curve():
    age, upper, entry = cohort()
    table = cumulative_incidence(age, np.where(np.isfinite(upper), "death", ""), entry)
    library = KaplanMeierFitter().fit(age, np.isfinite(upper), entry=entry)
    expected = 1.0 - library.survival_function_["KM_estimate"].reindex(table.age.values)
    np.testing.assert_allclose(table.incidence.sel(cause="death"), expected, atol=1e-12)
