"""The sampler on densities whose answer is known."""

from __future__ import annotations

from collections.abc import Callable

import arviz as az
import numpy as np
import pytest
from scipy import stats

from riskmodel.sampler import LOST, QUARTER, State, StepSize, Walk, follow, walk


def normal(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return -0.5 * (z**2).sum(axis=-1), -z


def laws(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Log of a gamma quantity of shape 3, a normal of sd 2 about 1, a logistic quantity, and a standard normal."""
    g, n, s, _ = np.moveaxis(z, -1, 0)
    value = 3.0 * g - np.exp(g) - 0.5 * ((n - 1.0) / 2.0) ** 2 - s - 2.0 * np.log1p(np.exp(-s)) - 0.5 * z[..., 3] ** 2
    slopes = [3.0 - np.exp(g), -(n - 1.0) / 4.0, -1.0 + 2.0 / (1.0 + np.exp(s)), -z[..., 3]]
    return value, np.stack(slopes, axis=-1)


def walked(densities: Callable[..., object], size: int, chains: int = 2, **more: object) -> Walk:
    start = np.random.default_rng(1).choice([-1.0, 1.0], (chains, size))
    how = {"draws": 400, "tune": 100, "accept": 0.8, "seeds": range(chains), "tell": lambda _: None} | more
    return walk(densities, start, **how)  # type: ignore[arg-type]


def test_a_standard_normal_takes_one_step_a_path_and_loses_no_energy() -> None:
    """However many elements there are."""
    found = walked(normal, 3000)
    np.testing.assert_allclose(found.error, 0.0, atol=1e-8)
    assert found.step == pytest.approx(QUARTER, rel=1e-3)
    assert set(found.steps) <= {1, 2}
    assert float(az.ess(found.draws[..., 0])) > 700
    assert stats.kstest(found.draws[:, ::4].ravel()[:200_000], "norm").statistic < 0.005


def test_known_laws_are_found() -> None:
    found = walked(laws, 4, chains=4, draws=3000)
    thin = found.draws[:, ::3].reshape(-1, 4)
    expected = [stats.loggamma(3.0), stats.norm(1.0, 2.0), stats.logistic(), stats.norm()]
    for i, law in enumerate(expected):
        assert stats.kstest(thin[:, i], law.cdf).statistic < 0.03
    assert max(float(az.rhat(found.draws[..., i])) for i in range(4)) < 1.01
    assert not found.diverging.any()


def energy(state: State) -> np.ndarray:
    return np.asarray(0.5 * (state[1] ** 2).sum(axis=-1) - state[2])


@pytest.fixture
def begun() -> State:
    z, p = np.random.default_rng(2).normal(size=(2, 50, 4))
    return z, p, *laws(z)


def test_a_path_keeps_its_energy_to_the_second_order_of_the_step(begun: State) -> None:
    """Half the step, a quarter of the error: the path is a leapfrog of the rest of the density."""
    errors = [np.abs(energy(follow(laws, begun, 1.2, count)) - energy(begun)) for count in (40, 80)]
    assert np.median(errors[0] / errors[1]) == pytest.approx(4.0, rel=0.02)


def test_a_path_back_leads_to_where_it_began(begun: State) -> None:
    z, p, value, gradient = follow(laws, begun, 1.2, 7)
    z, p, value, gradient = follow(laws, (z, -p, value, gradient), 1.2, 7)
    for found, expected in zip((z, -p, value, gradient), begun, strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-9)


def test_the_acceptance_is_the_one_wanted() -> None:
    """In thirty elements far from normal."""

    def steep(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return -(z**4).sum(axis=-1), -4.0 * z**3

    found = walked(steep, 30, tune=600, draws=1500, accept=0.8)
    assert np.exp(-np.maximum(found.error, 0.0)).mean() == pytest.approx(0.8, abs=0.1)


def test_a_chain_does_not_depend_on_those_beside_it_but_for_the_step() -> None:
    """Same random numbers, same lengths; on a standard normal the step is the same too."""
    two, three = walked(normal, 5), walked(normal, 5, chains=3)
    np.testing.assert_array_equal(two.draws, three.draws[:2])
    np.testing.assert_array_equal(walked(laws, 4).draws, walked(laws, 4).draws)
    assert (walked(laws, 4).draws != walked(laws, 4, seeds=[2, 3]).draws).any()


def test_where_there_is_no_density_a_path_is_not_taken() -> None:
    def half(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.where(z[..., 0] > -0.5, -0.5 * (z**2).sum(axis=-1), np.nan), -z

    start = np.full((2, 3), 1.0)
    found = walk(half, start, draws=300, tune=50, accept=0.8, seeds=[1, 2], tell=lambda _: None)
    assert (found.draws[..., 0] > -0.5).all()
    assert found.diverging.any()
    assert (found.error[found.diverging] > LOST).all()


def test_whoever_waits_can_end_a_walk() -> None:
    told: list[int] = []

    def tell(done: int) -> None:
        told.append(done)
        if done == 7:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        walked(normal, 3, tell=tell)
    assert told == list(range(8))


def test_the_step_is_learnt_from_what_is_accepted() -> None:
    wanted = StepSize(0.8)
    for _ in range(500):
        wanted.learn(float(np.exp(-2.0 * wanted.trial)))
    assert np.exp(-2.0 * wanted.learnt) == pytest.approx(0.8, abs=0.02)


def test_elements_and_their_squares_are_new_after_a_path() -> None:
    """Correlations with what they were: means of cos a and of its square, 0 and 0.12."""
    found = walked(normal, 2000, draws=300)
    for values, expected in ((found.draws, 0.0), (found.draws**2 - 1.0, 0.12)):
        now, then = values[:, 1:], values[:, :-1]
        assert (now * then).mean() / (values**2).mean() == pytest.approx(expected, abs=0.05)
