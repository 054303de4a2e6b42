"""Fits of other lives of the same roads use one compiled model, and nothing else does."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from register import Register, roads_of, write_records
from wholeruns import STUDY, the_priors, truth

from riskmodel.calibrate import Sampling, calibrate, records_log_likelihood
from riskmodel.compiler import Compiler, same_but_records
from riskmodel.condition import Condition
from riskmodel.desk import Desk
from riskmodel.distribution import Distribution
from riskmodel.model import build_model
from riskmodel.records import Records
from riskmodel.study import read_study


@cache
def few_roads(design: int) -> list[dict[str, Any]]:
    return roads_of(the_priors(), design, 24)


def records_of(folder: Path, design: int, number: int) -> Records:
    roads = few_roads(design)
    folder.mkdir()
    write_records(
        folder, Register(the_priors(), truth(number, roads), np.random.default_rng(number), Condition(), roads)
    )
    (folder / "study.toml").write_text(STUDY)
    records = Desk(read_study(folder), folder, progress=lambda *_: None).records
    assert records is not None
    return records


def test_only_lives_of_the_same_roads_share_a_compiled_model(tmp_path: Path):
    p = the_priors()
    first, lives, roads = (
        records_of(tmp_path / str(n), design, number) for n, (design, number) in enumerate([(0, 1), (0, 2), (1, 1)])
    )
    model = build_model(first, p, shared=True)
    assert same_but_records(model, build_model(lives, p, shared=True))
    assert not same_but_records(model, build_model(roads, p, shared=True))
    wider = replace(p.label_error, distribution=Distribution("beta", (4.0, 12.0)))
    assert not same_but_records(model, build_model(lives, replace(p, label_error=wider), shared=True))


@pytest.mark.slow
def test_exchanged_records_give_the_draws_of_a_fresh_model(tmp_path: Path):
    p, sampling = the_priors(), Sampling(chains=2, draws=20, tune=40, cores=1, seed=3)
    first, second = (records_of(tmp_path / str(number), 0, number) for number in (1, 2))
    shared = Compiler()
    calibrate(first, p, sampling=sampling, gate=False, compiler=shared)
    exchanged = calibrate(second, p, sampling=sampling, gate=False, compiler=shared)
    fresh = calibrate(second, p, sampling=sampling, gate=False, compiler=Compiler())
    for name in ("kappa", "early_failure", "delta"):
        assert np.array_equal(exchanged.posterior[name], fresh.posterior[name])
    plain = records_log_likelihood(second, p, exchanged.posterior)  # of constants
    own = exchanged.tree["log_likelihood"].to_dataset()["records"]
    np.testing.assert_allclose(own, plain, rtol=1e-9)
