"""A chain of which a draw diverged is run again, once, at a higher acceptance, and the gate says so."""

from __future__ import annotations

from typing import Any

import pytest
import xarray as xr
from builders import priors
from surveyed import records_of

from riskmodel.calibrate import Calibration, Check, Sampling, calibrate
from riskmodel.chains import Chains

PRIORS = priors()
RECORDS = records_of(PRIORS, 10)


def run(monkeypatch: pytest.MonkeyPatch, *, spoiled: int) -> tuple[Calibration, list[tuple[int, float]]]:
    """Two chains, of which the second diverges in its first `spoiled` attempts; and the attempts made."""
    sampled, attempts = Chains._sampled, []

    def diverging(self: Chains, ready: Any, number: int, again: int, accept: float, tell: Any) -> xr.DataTree:
        tree = sampled(self, ready, number, again, accept, tell)
        attempts.append((number, accept))
        tree["sample_stats"]["diverging"][0, 3] = number == 1 and again < spoiled
        return tree

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
