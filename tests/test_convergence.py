"""R-hat and effective sample sizes of many quantities, against ArviZ one by one."""

from __future__ import annotations

from collections.abc import Callable

import arviz as az
import numpy as np
import pytest
import xarray as xr
from scipy.signal import lfilter

from riskmodel.convergence import BLOCK, bulk_size, in_blocks, r_hat, tail_size

RNG = np.random.default_rng(1)


def chains(keep: float, draws: int = 200, count: int = 40) -> np.ndarray:
    """Autoregressive chains (chain, draw, quantity)."""
    return np.asarray(lfilter([1.0], [1.0, -keep], RNG.standard_normal((4, draws, count)), axis=1))


CASES = {
    "independent": chains(0.0),
    "slow": chains(0.95),
    "turning": chains(-0.7),
    "odd number of draws": chains(0.5, 151),
    "few draws": chains(0.9, 16),
    "apart": chains(0.3) + np.arange(4.0)[:, None, None],
    "wider": chains(0.3) * np.array([1.0, 1.0, 1.0, 4.0])[:, None, None],
    "ties": np.round(chains(0.5)),
    "two chains": chains(0.8)[:2],
    "skewed": np.exp(2.0 * chains(0.5)),
}


def table(x: np.ndarray) -> xr.Dataset:
    return xr.Dataset({"x": (("chain", "draw", "quantity"), x)})


STATISTICS: list[tuple[Callable[[np.ndarray], np.ndarray], Callable[[np.ndarray], np.ndarray]]] = [
    (r_hat, lambda x: az.rhat(table(x))["x"].values),
    (bulk_size, lambda x: az.ess(table(x), method="bulk")["x"].values),
    (tail_size, lambda x: az.ess(table(x), method="tail")["x"].values),
]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("number", range(3), ids=["rhat", "bulk", "tail"])
def test_as_the_library(case: str, number: int) -> None:
    ours, theirs = STATISTICS[number]
    np.testing.assert_allclose(ours(CASES[case]), theirs(CASES[case]), rtol=1e-9)


def test_a_quantity_that_does_not_vary_tells_nothing() -> None:
    x = np.ones((4, 50, 2))
    assert np.isnan(r_hat(x)).all()
    np.testing.assert_array_equal(bulk_size(x), 200.0)


def test_blocks_keep_the_shape() -> None:
    x = chains(0.5, 20, 2 * BLOCK + 6).reshape(4, 20, 2, -1)
    found = in_blocks(bulk_size, x)
    assert found.shape == x.shape[2:]
    np.testing.assert_allclose(found[1], bulk_size(x[:, :, 1]), rtol=1e-12)
