"""The PyMC model's priors against the same priors drawn with NumPy, and what a model holds."""

from __future__ import annotations

import numpy as np
import pymc as pm
import pytest
from builders import effect, fixed, measure, overlay_type, priors, quantity
from scipy import stats

from riskmodel.model import build_model, variable, vector
from riskmodel.priordraws import prior_draws
from riskmodel.priors import load_priors

DRAWS = 1500


@pytest.fixture(scope="module", params=["packaged", "small"])
def both(request):
    p = load_priors() if request.param == "packaged" else priors(
        measures=(
            measure(
                "pre_survey", [effect(["support_loss"], 0.6)], score_shift={"existing": quantity("normal", 0.4, 0.1)}
            ),
            measure("internal_curing", [], time_ratio=quantity("lognormal", 0.1, 0.05)),
        ),
    )  # fmt: skip
    model = build_model(None, p)
    tree = pm.sample_prior_predictive(DRAWS, model=model, random_seed=3, compile_kwargs={"mode": "FAST_COMPILE"})
    return tree["prior"].to_dataset(), prior_draws(p, draws=DRAWS, seed=8)


def test_prior_draws_without_the_sampler_follow_the_same_law(both):
    """Two-sample Kolmogorov-Smirnov on every element (scipy.stats), at 0.1 % over all of them."""
    symbolic, plain = both
    p_values = {}
    for name, variable_ in plain.data_vars.items():
        a = symbolic[name].values.reshape(DRAWS, -1)
        b = variable_.values.reshape(DRAWS, -1)
        assert a.shape == b.shape, name
        for i in range(a.shape[1]):
            if np.std(b[:, i]) > 0:
                p_values[f"{name}[{i}]"] = stats.ks_2samp(a[:, i], b[:, i]).pvalue
            else:
                np.testing.assert_allclose(a[:, i], b[:, i], rtol=1e-12, err_msg=name)
    worst = min(p_values, key=p_values.__getitem__)
    assert p_values[worst] > 1e-3 / len(p_values), (worst, p_values[worst])


def test_prior_draws_keep_the_order_of_dependence(both):
    """Rank correlation of intercepts with the stated total is the same in both."""
    symbolic, plain = both
    found = [
        stats.spearmanr(d["early_failure"].values.ravel(), d["intercept"].values.reshape(DRAWS, -1)[:, 0]).statistic
        for d in (symbolic, plain)
    ]
    assert found[0] == pytest.approx(found[1], abs=0.1)
    assert min(found) > 0.2


@pytest.mark.parametrize(
    "distributions",
    [
        [quantity("normal", 0, 1), quantity("fixed", 2.0)],
        [quantity("beta", 2, 3), quantity("lognormal", 0, 0.1)],
        [quantity("skewed", 1.0, 0.2, 0.3)],
        [quantity("gamma", 2, 1), quantity("gamma", 3, 1)],
        [quantity("fixed", 1.0), quantity("fixed", 2.0)],
    ],
    ids=["part fixed", "two families", "skewed", "gamma", "all fixed"],
)
def test_a_vector_of_priors_of_any_family(distributions):
    laws = [q.distribution for q in distributions]
    with pm.Model(coords={"x": [str(i) for i in range(len(laws))]}) as model:
        vector("v", laws, "x")
    tree = pm.sample_prior_predictive(400, model=model, random_seed=1, compile_kwargs={"mode": "FAST_COMPILE"})
    drawn = tree["prior"]["v"].values[0]
    for i, law in enumerate(laws):
        if law.family == "fixed":
            assert (drawn[:, i] == law.mean).all()
        else:
            assert stats.kstest(drawn[:, i], law.cdf).pvalue > 1e-4


def test_an_unknown_family_is_refused():
    from types import SimpleNamespace

    with pm.Model(), pytest.raises(ValueError, match=r"`family` must be a known family; got 'cauchy' for x"):
        variable("x", SimpleNamespace(family="cauchy", parameters=(0.0, 1.0)))


def test_a_prior_set_without_early_mechanisms_has_wear_out_alone():
    p = priors(mechanisms=(), measures=(), groups=(), types=(overlay_type(odds=fixed(1.0)),))
    names = {v.name for v in build_model(None, p).free_RVs}
    assert "early_failure" not in names
    assert {"wear_out_shape", "wear_out_by_type"} <= names
