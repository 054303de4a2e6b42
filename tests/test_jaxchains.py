"""A calibration with the density in JAX finds what one with the compiled density finds."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import arviz as az
import numpy as np
import pytest
from builders import priors
from runs import files_of, said, write_study
from surveyed import records_of

from riskmodel.calibrate import Calibration, Sampling, calibrate
from riskmodel.crew import Threads
from riskmodel.sampler import Walk, walk

if os.environ.get("RISKMODEL_NEED_JAX"):
    import jax
else:
    jax = pytest.importorskip("jax", reason="the extra gpu is not installed")

PRIORS = priors()
RECORDS = records_of(PRIORS, 24)
SAMPLING = Sampling(chains=4, draws=250, tune=100)


@pytest.fixture(scope="module")
def crew() -> Any:
    from riskmodel.jaxchains import Graphics

    return Graphics(jax.devices("cpu")[0], Threads(2))


@pytest.fixture(scope="module")
def in_jax(crew: Any) -> Calibration:
    told: list[tuple[int, int]] = []
    found = calibrate(
        RECORDS, PRIORS, sampling=SAMPLING, gate=False, crew=crew,
        progress=lambda done, total, text: told.append((done, total)),
    )  # fmt: skip
    assert told[-1] == (1400, 1400)
    return found


def test_the_posterior_is_that_of_the_compiled_density(in_jax: Calibration) -> None:
    """Two samplers, two densities: means of all variables within five standard errors, and the gate's figures fair."""
    plain = calibrate(RECORDS, PRIORS, sampling=SAMPLING, gate=False)
    assert in_jax.gate is not None
    assert in_jax.gate.checks[0].passed
    for name in ("kappa", "noise", "wear_out_median", "early_failure", "delta", "compliance", "intercept"):
        both = [one.posterior[name] for one in (in_jax, plain)]
        errors = [np.asarray(az.mcse(one.to_dataset(name=name))[name]) for one in both]
        means = [one.mean(("chain", "draw")).values for one in both]
        apart, allowed = np.abs(means[0] - means[1]), 5.0 * np.hypot(*errors)
        assert (apart <= allowed)[np.isfinite(allowed)].all(), name
    assert float(az.rhat(in_jax.posterior[["kappa", "early_failure"]]).to_array().max()) < 1.05


def test_the_likelihood_of_its_draws_is_that_of_the_compiled_density(in_jax: Calibration) -> None:
    from riskmodel.calibrate import records_log_likelihood

    few = in_jax.posterior.isel(draw=slice(0, 3))
    expected = records_log_likelihood(RECORDS, PRIORS, few)
    found = in_jax.tree["log_likelihood"].to_dataset()["records"].isel(draw=slice(0, 3))
    np.testing.assert_allclose(found.values, expected.transpose(*found.dims).values, rtol=1e-9, atol=1e-9)


def test_of_chains_in_step_those_that_diverged_are_run_again(crew: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    walks: list[Walk] = []

    def spoiling(*arguments: Any, **settings: Any) -> Walk:
        found = walk(*arguments, **settings)
        found.diverging[:] = False
        found.diverging[-1, 4] = not walks
        walks.append(found)
        return found

    monkeypatch.setattr("riskmodel.chains.walk", spoiling)
    sampling = Sampling(chains=2, draws=12, tune=25, target_accept=0.7)
    found = calibrate(RECORDS, PRIORS, sampling=sampling, gate=False, crew=crew)
    assert [len(one.draws) for one in walks] == [2, 1]
    stats = found.tree["sample_stats"].to_dataset()
    np.testing.assert_array_equal(stats["target_accept"], [0.7, 0.85])
    np.testing.assert_array_equal(stats["energy"], [walks[0].energy[0], walks[1].energy[0]])
    assert found.gate is not None
    told = next(check for check in found.gate.checks if check.name == "share of diverging draws")
    assert told.passed
    assert told.where == "1 of 2 chains run again at 0.85"


def test_other_work_goes_to_threads(crew: Any) -> None:
    assert crew.map(_doubled, [1, 2, 3]) == [2, 4, 6]
    assert len(crew.cut(10)) == 2


def _doubled(item: int, tell: Any) -> int:
    tell(1)
    return 2 * item


@pytest.fixture
def without(monkeypatch: pytest.MonkeyPatch) -> None:
    """JAX finds no graphics processor."""

    def none_here(kind: str | None = None) -> list[Any]:
        if kind == "gpu":
            raise RuntimeError("Unknown backend gpu")
        return list(jax.local_devices(backend="cpu"))

    monkeypatch.setattr(jax, "devices", none_here)


@pytest.mark.usefixtures("without")
def test_without_a_graphics_processor_the_command_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write_study(tmp_path / "north")
    before = files_of(folder)
    status, out, err = said(capsys, "run", folder, "--device", "gpu")
    assert (status, out) == (2, "")
    assert "finds no graphics processor here, only cpu." in err
    assert "Without one leave out --device" in err
    assert files_of(folder) == before


def test_a_posterior_is_noted_beside_its_device(crew: Any) -> None:
    assert crew.notes == {"device": "cpu"}
