"""The model without early mechanisms and readings is the libraries' Weibull, on published data.

Right-censored, interval-censored and late-entry histories: same log-likelihood on identical
intervals, same estimates at its maximum (flat priors). Needs the `reference` dependency group.
"""

from dataclasses import replace

import numpy as np
import pytest
import surpyval
from hard_intervals import best, likelihood, priors
from lifelines import WeibullFitter
from lifelines.datasets import load_diabetes, load_multicenter_aids_cohort_study, load_waltons

from riskmodel.condition import Condition
from riskmodel.records import Vocabulary, read_records

pytestmark = pytest.mark.reference
INF = np.inf


def intervals(folder, lower, upper, entry=0.0):
    """Records that state an interval, in years, for each section and nothing else."""
    rows = "\n".join(f"s{i},2000-01-01" for i in range(len(lower)))
    table = folder / "sections.csv"
    table.write_text(f"section,opened\n{rows}\n", encoding="utf-8")
    records = read_records(table, None, vocabulary=Vocabulary.of(priors()), condition=Condition())
    lower, upper, entry = (
        np.array(np.broadcast_to(values, len(lower)), dtype=float) for values in (lower, upper, entry)
    )
    stated = {"age_lower": lower, "age_upper": upper, "age_entry": entry, "age_in_service": lower}
    kept = {name: records.sections[name].copy(data=values) for name, values in stated.items()}
    return replace(records, sections=records.sections.assign(kept))


def flies():
    """Walton's flies, shipped with lifelines (source not stated there): days, exact or right-censored."""
    data = load_waltons()
    return data["T"].to_numpy(dtype=float), data["E"].to_numpy(dtype=bool)


def cohort():
    """Cole & Hudgens (2010), AIDS 24, 2423-2431 (page not seen), with lifelines: years, late entries."""
    data = load_multicenter_aids_cohort_study()
    return data["T"].to_numpy(), data["D"].to_numpy(dtype=bool), data["W"].to_numpy()


def proteinuria():
    """Borch-Johnsen et al. (1985), Diabetologia 28, 590-596 (page not seen), with lifelines: years."""
    data = load_diabetes()
    return np.maximum(data["left"].to_numpy(dtype=float) - 0.5, 0.0), data["right"].to_numpy(dtype=float)


def between_visits(age, failed, entry, step=0.5):
    """Failures known only between invented visits every half year after the entry."""
    visits = entry + step * np.floor((age - entry) / step)
    return np.where(failed, visits, age), np.where(failed, visits + step, INF)


def test_right_censored_ages_as_lifelines(tmp_path):
    age, failed = flies()
    library = WeibullFitter().fit(age, failed)
    ours = likelihood(intervals(tmp_path, np.where(failed, age - 1e-3, age), np.where(failed, age, INF)))
    assert best(ours, 60.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-4)
    # an exact age counts with its density, a narrow interval with density times width
    widths = failed.sum() * np.log(1e-3)
    assert ours(library.lambda_, library.rho_) - widths == pytest.approx(library.log_likelihood_, abs=1e-2)


def test_intervals_as_lifelines(tmp_path):
    lower, upper = proteinuria()
    library = WeibullFitter().fit_interval_censoring(lower, upper)
    ours = likelihood(intervals(tmp_path, lower, upper))
    assert ours(library.lambda_, library.rho_) == pytest.approx(library.log_likelihood_, abs=1e-6)
    assert best(ours, 20.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-4)


def test_exact_ages_with_late_entries_as_lifelines(tmp_path):
    age, failed, entry = cohort()
    library = WeibullFitter().fit(age, failed, entry=entry)
    ours = likelihood(intervals(tmp_path, np.where(failed, age - 1e-4, age), np.where(failed, age, INF), entry))
    assert best(ours, 6.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-3)


def test_intervals_with_late_entries_as_lifelines(tmp_path):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    library = WeibullFitter().fit_interval_censoring(lower, upper, entry=entry)
    ours = likelihood(intervals(tmp_path, lower, upper, entry))
    assert ours(library.lambda_, library.rho_) == pytest.approx(library.log_likelihood_, abs=1e-6)
    assert best(ours, 6.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-3)


def test_intervals_with_late_entries_as_surpyval(tmp_path):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    library = surpyval.Weibull.fit(xl=lower, xr=np.where(failed, upper, lower), c=np.where(failed, 2, 1), tl=entry)
    ours = likelihood(intervals(tmp_path, lower, upper, entry))
    assert ours(*library.params) == pytest.approx(-library.neg_ll(), abs=1e-6)
    assert best(ours, 6.0) == pytest.approx(tuple(library.params), rel=1e-3)


@pytest.mark.parametrize(("scale", "shape"), [(3.0, 0.8), (6.0, 1.7), (40.0, 3.5)])
def test_anywhere_off_the_maximum_the_values_agree_too(tmp_path, scale, shape):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    survival = surpyval.Weibull.from_params([scale, shape]).sf
    after = np.where(failed, survival(np.where(failed, upper, 1.0)), 0.0)
    expected = np.log(survival(lower) - after) - np.log(survival(entry))
    assert likelihood(intervals(tmp_path, lower, upper, entry))(scale, shape) == pytest.approx(expected.sum(), abs=1e-6)
