"""Leaving sections and contracts out, against the library and against fits that really leave them out."""

from __future__ import annotations

import arviz as az
import numpy as np
import pytest
import xarray as xr
from scipy import stats

from riskmodel.leaveout import leave_out, leave_projects_out, trusted_k

CHAINS, DRAWS, COUNT = 4, 500, 40


def normal_case(outlier: float = 0.0) -> tuple[np.ndarray, xr.DataArray]:
    """Readings N(mean, 1) with a flat prior on the mean: every predictive density is known. Invented data."""
    rng = np.random.default_rng(1)
    y = rng.standard_normal(COUNT)
    y[0] += outlier
    mean = y.mean() + rng.standard_normal((CHAINS, DRAWS)) / np.sqrt(COUNT)
    values = stats.norm.logpdf(y, mean[..., None], 1.0)
    names = [f"s{i}" for i in range(COUNT)]
    return y, xr.DataArray(values, dims=("chain", "draw", "section"), coords={"section": names})


def test_the_same_as_the_library() -> None:
    _, likelihood = normal_case()
    found = leave_out(likelihood)
    posterior = xr.Dataset({"m": (("chain", "draw"), np.zeros((CHAINS, DRAWS)))})
    tree = xr.DataTree.from_dict({"log_likelihood": likelihood.to_dataset(name="y"), "posterior": posterior})
    library = az.loo(tree, pointwise=True, reff=1.0)
    assert found.total == pytest.approx(float(library.elpd), abs=1e-8)
    assert found.standard_error == pytest.approx(float(library.se), rel=1e-6)
    np.testing.assert_allclose(found.pareto_k, library.pareto_k.values, atol=1e-8)
    assert np.exp(found.log_weight).sum(axis=0) == pytest.approx(np.ones(COUNT))


def test_the_same_as_leaving_out_in_earnest() -> None:
    """Without reading i the mean is N(mean of the others, 1 / (n - 1)), so the reading is N(that, 1 + 1 / (n - 1))."""
    y, likelihood = normal_case()
    others = (y.sum() - y) / (COUNT - 1)
    exact = stats.norm.logpdf(y, others, np.sqrt(1.0 + 1.0 / (COUNT - 1)))
    np.testing.assert_allclose(leave_out(likelihood).elpd, exact, atol=0.02)


def test_a_section_unlike_all_others_is_named() -> None:
    _, likelihood = normal_case(outlier=60.0)
    found = leave_out(likelihood)
    assert list(np.flatnonzero(found.distrusted)) == [0]
    assert not leave_out(normal_case()[1]).distrusted.any()


def test_contracts_are_left_out_whole() -> None:
    _, likelihood = normal_case()
    contracts = np.repeat(["a", "b", "c", ""], COUNT // 4)
    found = leave_projects_out(likelihood, contracts)
    assert found is not None
    assert len(found.unit) == 3 + COUNT // 4
    whole = likelihood.isel(section=slice(0, COUNT // 4)).sum("section").expand_dims(project=["a"], axis=2)
    assert found.elpd[found.unit.index("a")] == pytest.approx(leave_out(whole).elpd[0])
    assert leave_projects_out(likelihood, np.full(COUNT, "")) is None


def test_few_draws_are_trusted_less() -> None:
    """min(1 - 1 / log10 S, 0.7): 0.5 at a hundred draws, 0.667 at a thousand."""
    assert trusted_k(100) == pytest.approx(0.5)
    assert trusted_k(1000) == pytest.approx(2.0 / 3.0)
    assert trusted_k(10_000) == pytest.approx(0.7)
