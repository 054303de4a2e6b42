"""What the sampler does; and a chain of which a draw diverged is run again, once, and the gate says so."""

from __future__ import annotations

import time
from typing import Any

import arviz as az
import numpy as np
import nutpie
import pytest
import xarray as xr
from builders import priors
from nutpie.compiled_pyfunc import from_pyfunc
from scipy import stats
from surveyed import records_of

from riskmodel.calibrate import Calibration, Check, Sampling, calibrate
from riskmodel.chains import DEEPEST, LONGEST_STEP, Chains, Ready
from riskmodel.convergence import bulk_size
from riskmodel.frame import Density
from riskmodel.sampler import DivergedError, one_by_one, walk

PRIORS = priors()
RECORDS = records_of(PRIORS, 10)


def run(monkeypatch: pytest.MonkeyPatch, *, spoiled: int) -> tuple[Calibration, list[tuple[int, float]]]:
    """Two chains, of which the second diverges in its first `spoiled` attempts; and the attempts made."""
    sampled, attempts = Chains._sampled, []

    def diverging(self: Chains, ready: Any, number: int, again: int, *rest: Any) -> tuple[np.ndarray, xr.Dataset]:
        z, found = sampled(self, ready, number, again, *rest)
        attempts.append((number, rest[0]))
        found["diverging"][0, 3] = number == 1 and again < spoiled
        return z, found

    with monkeypatch.context() as patch:
        patch.setattr(Chains, "_sampled", diverging)
        sampling = Sampling(chains=2, draws=12, tune=25, target_accept=0.7, cores=1)
        return calibrate(RECORDS, PRIORS, sampling=sampling, gate=False), attempts


def divergences(found: Calibration) -> Check:
    assert found.gate is not None
    return next(check for check in found.gate.checks if check.name == "share of diverging draws")


def test_a_chain_that_diverged_is_run_again_half_as_far_from_one(monkeypatch: pytest.MonkeyPatch) -> None:
    plain, attempts = run(monkeypatch, spoiled=0)
    assert attempts == [(0, 0.7), (1, 0.7)]
    assert divergences(plain).where == ""
    found, attempts = run(monkeypatch, spoiled=1)
    assert attempts == [(0, 0.7), (1, 0.7), (1, 0.85)]
    assert divergences(found).passed
    assert divergences(found).where == "1 of 2 chains run again at 0.85"
    assert (found.posterior["kappa"] == plain.posterior["kappa"]).sel(chain=0).all()
    assert (found.posterior["kappa"] != plain.posterior["kappa"]).sel(chain=1).any()


def test_a_chain_that_diverges_twice_fails_the_gate(monkeypatch: pytest.MonkeyPatch) -> None:
    found, attempts = run(monkeypatch, spoiled=2)
    assert attempts == [(0, 0.7), (1, 0.7), (1, 0.85)]
    assert not divergences(found).passed
    assert divergences(found).value == pytest.approx(1 / 24)


def test_chains_of_many_sections_have_numbers_of_their_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """Paths of one length, by their own sampler; a chain is the same whatever runs beside it."""
    monkeypatch.setattr("riskmodel.chains.MANY", 5)
    sampling = Sampling(chains=2, draws=6, tune=10)
    chains = Chains(RECORDS, PRIORS, None, sampling, None)
    first, second = (chains(number, lambda _: None) for number in range(2))
    again = Chains(RECORDS, PRIORS, None, sampling, None)(1, lambda _: None)
    xr.testing.assert_identical(again.posterior, second.posterior.drop_attrs())
    assert (first.posterior["kappa"].values != second.posterior["kappa"].values).all()
    assert (first.stats["n_steps"].values != second.stats["n_steps"].values).any()


def test_chains_of_many_sections_begin_with_only_terms_of_large_groups_off_their_modes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert (np.abs(Ready(RECORDS, PRIORS, None, None).begin(1)) == 1.0).all()
    monkeypatch.setattr("riskmodel.chains.MANY", 5)
    monkeypatch.setattr("riskmodel.sharedcoordinates.FEW", 3)
    ready = Ready(RECORDS, PRIORS, None, None)
    begun, spans = ready.begin(1), ready.density.layout.spans
    far = np.zeros(len(begun), bool)
    for group in PRIORS.groups:
        terms = begun[spans[f"{group.column}_raw"]]
        far[spans[f"{group.column}_raw"]] = len(terms) > 3
    assert far.any()
    np.testing.assert_array_equal(np.abs(begun), far.astype(float))


class Funnel:
    """A density in which chains diverge, in place of a study's."""

    def __init__(self) -> None:
        self.evaluations = 0

    def __call__(self, z: np.ndarray) -> tuple[float, np.ndarray]:
        time.sleep(2e-4)
        self.evaluations += 1
        width, rest = np.exp(z[0]), z[1:]
        slope = -np.append(z[0] / 9.0 + 0.5 * (len(rest) - rest @ rest / width), rest / width)
        return float(-(z[0] ** 2) / 18.0 - 0.5 * (len(rest) * z[0] + rest @ rest / width)), slope

    def compiled(self) -> object:
        return from_pyfunc(
            6, lambda: self, lambda *_: lambda z: {"z": z}, [np.dtype(float)], [(6,)], ["z"],
            make_initial_point_fn=self.begin,
        )  # fmt: skip

    def begin(self, seed: Any) -> np.ndarray:
        return np.ones(6)

    @property
    def evaluate(self) -> Density:
        return self


@pytest.mark.parametrize("many", [False, True])
def test_a_chain_that_will_be_run_again_anyway_ends_early(monkeypatch: pytest.MonkeyPatch, many: bool) -> None:
    monkeypatch.setattr("riskmodel.chains.POLL_SECONDS", 0.02)
    monkeypatch.setattr("riskmodel.chains.MANY", 0 if many else 100)
    chains = Chains(RECORDS, PRIORS, None, Sampling(draws=1500, tune=100), None)
    early, late, accept = Funnel(), Funnel(), 0.4 if many else 0.6
    with pytest.raises(DivergedError):
        chains._sampled(early, 0, 0, accept, lambda _: None)  # type: ignore[arg-type]
    z, found = chains._sampled(late, 0, 1, accept, lambda _: None)  # type: ignore[arg-type]
    assert found["diverging"].any()
    assert z.shape == (1, 1500, 6)
    assert early.evaluations < 0.7 * late.evaluations


@pytest.mark.parametrize("size", [30, 3000])
def test_paths_follow_the_normal_part_exactly(size: int) -> None:
    """What we ask of the library: a standard normal takes few steps and errs by nothing, however many its elements.

    Left to itself the step grows to half a turn, from each point to its opposite: good for means, and for nothing else.
    """

    def of(z: np.ndarray) -> tuple[float, np.ndarray]:
        return -0.5 * float(z @ z), -z

    model = from_pyfunc(
        size,
        lambda: of,
        lambda *_: lambda z: {"z": z},
        [np.dtype("float64")],
        [(size,)],
        ["z"],
        make_initial_point_fn=lambda seed: np.random.default_rng(seed).choice([-1.0, 1.0], size),
    )
    how = {"draws": 200, "tune": 100, "chains": 2, "cores": 1, "seed": 1, "progress_bar": False, "target_accept": 0.7}
    exact = nutpie.sample(model, exact_normal_trajectory=True, maxdepth=DEEPEST, max_step_size=LONGEST_STEP, **how)
    plain = nutpie.sample(model, **how)
    steps = [float(tree["sample_stats"]["n_steps"].mean()) for tree in (exact, plain)]
    assert steps[0] <= 3.0 < steps[1]
    assert float(abs(exact["sample_stats"]["energy_error"]).max()) < 1e-6
    assert stats.kstest(exact["posterior"]["z"].values[0, ::5].ravel(), "norm").pvalue > 1e-3
    squares = exact["posterior"]["z"].values[..., :30] ** 2
    assert float(np.median(bulk_size(squares))) > 0.2 * squares.shape[0] * squares.shape[1]


def test_both_samplers_find_the_same() -> None:
    """The library's, and chains in step along paths of one length, on the same density in the same frame."""
    sampling = Sampling(chains=4, draws=400, tune=100)
    found = calibrate(RECORDS, PRIORS, sampling=sampling, gate=False)
    ready = Ready(RECORDS, PRIORS, None, None)

    begun = np.stack([ready.begin(i) for i in range(4)])
    density, how = one_by_one(ready.evaluate), {"draws": 400, "tune": 100, "accept": 0.7, "seeds": range(4)}
    walked = walk(density, begun, tell=lambda _: None, **how)  # type: ignore[arg-type]
    other = ready.density.dataset(ready.place(walked.draws))
    for name in ("kappa", "noise", "early_failure", "compliance", "age_median", "delta", "score_effect"):
        both = [posterior[name] for posterior in (found.posterior, other)]
        errors = [np.asarray(az.mcse(one.to_dataset(name=name))[name]) for one in both]
        means = [one.mean(("chain", "draw")).values for one in both]
        spreads = [one.std(("chain", "draw")).values for one in both]
        apart, allowed = np.abs(means[0] - means[1]), 5.0 * np.hypot(*errors)
        assert (apart <= allowed)[np.isfinite(allowed)].all(), name
        np.testing.assert_allclose(spreads[0], spreads[1], rtol=0.25)
