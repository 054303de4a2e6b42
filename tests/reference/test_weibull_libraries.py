"""The model without early mechanisms and readings is the libraries' Weibull, on published data.

Right-censored, interval-censored and late-entry histories: same log-likelihood on identical
intervals, same estimates at its maximum (flat priors). Needs the `reference` dependency group.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytensor
import pytest
import surpyval
from lifelines import WeibullFitter
from lifelines.datasets import load_diabetes, load_multicenter_aids_cohort_study, load_waltons
from scipy.optimize import minimize

from riskmodel.condition import Condition
from riskmodel.model import build_model
from riskmodel.priors import load_priors
from riskmodel.records import Vocabulary, read_records

pytestmark = pytest.mark.reference
INF = np.inf
PRIORS = Path(__file__).parents[2] / "studies" / "inservice_histories" / "priors"
STATED = {"status": "judgement", "source": "this test", "rationale": "hard intervals only"}


def intervals(folder, lower, upper, entry):
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


def priors():
    changes = {"removal_lag": {"value": 0, **STATED}, "wear_out": {"sd_common": {"value": 0, **STATED}}}
    return load_priors(PRIORS, changes)


def likelihood(folder, lower, upper, entry=0.0):
    """Our compiled log-likelihood of these intervals, a function of scale and shape as the libraries name them."""
    model = build_model(intervals(folder, lower, upper, entry), priors())
    evaluate = pytensor.function(model.free_RVs, model.riskmodel_per_section.sum(), on_unused_input="ignore")
    names = [variable.name for variable in model.free_RVs]
    assert {"wear_out_by_type", "wear_out_shape"} < set(names)

    def log_likelihood(scale, shape):
        median = scale * np.log(2.0) ** (1.0 / shape)
        given = {"wear_out_by_type": [median], "wear_out_shape": shape}
        return float(evaluate(*(given.get(name, 1.0) for name in names)))

    return log_likelihood


def best(log_likelihood, scale):
    """Scale and shape of the maximum, searched for from a rough scale."""
    found = minimize(
        lambda x: -log_likelihood(*np.exp(x)),
        np.log([scale, 1.5]),
        method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10},
    )
    assert found.success
    return tuple(np.exp(found.x))


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
    ours = likelihood(tmp_path, np.where(failed, age - 1e-3, age), np.where(failed, age, INF))
    assert best(ours, 60.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-4)
    # an exact age counts with its density, a narrow interval with density times width
    widths = failed.sum() * np.log(1e-3)
    assert ours(library.lambda_, library.rho_) - widths == pytest.approx(library.log_likelihood_, abs=1e-2)


def test_intervals_as_lifelines(tmp_path):
    lower, upper = proteinuria()
    library = WeibullFitter().fit_interval_censoring(lower, upper)
    ours = likelihood(tmp_path, lower, upper)
    assert ours(library.lambda_, library.rho_) == pytest.approx(library.log_likelihood_, abs=1e-6)
    assert best(ours, 20.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-4)


def test_exact_ages_with_late_entries_as_lifelines(tmp_path):
    age, failed, entry = cohort()
    library = WeibullFitter().fit(age, failed, entry=entry)
    ours = likelihood(tmp_path, np.where(failed, age - 1e-4, age), np.where(failed, age, INF), entry)
    assert best(ours, 6.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-3)


def test_intervals_with_late_entries_as_lifelines(tmp_path):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    library = WeibullFitter().fit_interval_censoring(lower, upper, entry=entry)
    ours = likelihood(tmp_path, lower, upper, entry)
    assert ours(library.lambda_, library.rho_) == pytest.approx(library.log_likelihood_, abs=1e-6)
    assert best(ours, 6.0) == pytest.approx((library.lambda_, library.rho_), rel=1e-3)


def test_intervals_with_late_entries_as_surpyval(tmp_path):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    library = surpyval.Weibull.fit(xl=lower, xr=np.where(failed, upper, lower), c=np.where(failed, 2, 1), tl=entry)
    ours = likelihood(tmp_path, lower, upper, entry)
    assert ours(*library.params) == pytest.approx(-library.neg_ll(), abs=1e-6)
    assert best(ours, 6.0) == pytest.approx(tuple(library.params), rel=1e-3)


@pytest.mark.parametrize(("scale", "shape"), [(3.0, 0.8), (6.0, 1.7), (40.0, 3.5)])
def test_anywhere_off_the_maximum_the_values_agree_too(tmp_path, scale, shape):
    age, failed, entry = cohort()
    lower, upper = between_visits(age, failed, entry)
    survival = surpyval.Weibull.from_params([scale, shape]).sf
    after = np.where(failed, survival(np.where(failed, upper, 1.0)), 0.0)
    expected = np.log(survival(lower) - after) - np.log(survival(entry))
    assert likelihood(tmp_path, lower, upper, entry)(scale, shape) == pytest.approx(expected.sum(), abs=1e-6)
