"""A posterior as prior files: refitted, read again, and refused for the sections it was learnt on."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from runs import SECTIONS, said

from riskmodel.carry import refitted, toml_text
from riskmodel.desk import Desk
from riskmodel.distribution import Distribution
from riskmodel.errors import PriorError
from riskmodel.priors import load_priors
from riskmodel.study import read_study


@pytest.fixture
def exported(run: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    status, out, err = said(capsys, "priors", "export", run, "--out", run.parent / "learnt")
    assert status == 0, err
    assert "correlations.csv says how they go together" in out
    return run.parent / "learnt"


def with_priors(folder: Path, directory: str) -> Path:
    file = folder / "study.toml"
    file.write_text(file.read_text() + f"\n[priors]\ndirectory = '{directory}'\n")
    return folder


def test_files_say_where_they_came_from_and_read_again(run: Path, exported: Path) -> None:
    assert sorted(f.name for f in exported.iterdir()) == ["carried.toml", "correlations.csv", "provenance.json"]
    about = json.loads((exported / "provenance.json").read_text())
    assert about["sections"] == 12
    priors, stated = load_priors(exported), load_priors()
    assert priors.early_failure.status == "carried"
    assert about["posterior_sha256"][:16] in priors.early_failure.source
    assert not any(f"S{i}" in (exported / "carried.toml").read_text().split() for i in range(1, 13))
    # the stand-in's draws are the priors: the marginals are theirs again
    for name in ("early_failure", "removal_lag", "wear_out_shape"):
        new, old = (getattr(one, name).distribution for one in (priors, stated))
        assert new.family == old.family
        assert abs(new.mean - old.mean) < 4.0 * old.sd / np.sqrt(60)
    assert [m.name for m in priors.measures] == [m.name for m in stated.measures]
    ranks = pd.read_csv(exported / "correlations.csv").set_index("quantity")
    assert ["marginal", *ranks.index] == list(ranks.columns)
    np.testing.assert_allclose(np.diag(ranks.drop(columns="marginal")), 1.0)
    assert priors.joint is not None
    assert priors.joint.quantities == tuple(ranks.index)


def test_shares_sum_to_one_and_the_total_is_a_quantity_of_its_own(exported: Path) -> None:
    priors = load_priors(exported)
    for kind in priors.types:
        assert sum(m.share.get(kind.name, 0.0) for m in priors.mechanisms) == pytest.approx(1.0)


def test_the_same_sections_refuse_them_with_the_reason(run: Path, exported: Path) -> None:
    study = read_study(with_priors(run, "../learnt"))
    with pytest.raises(PriorError, match=r"share its one latent life.*S1, S2, S3, S4, S5 and 7 more.*riskmodel update"):
        Desk(study, Path(), progress=lambda *given: None).read_inputs()


def test_one_shared_section_under_another_id_is_found_and_others_are_welcome(run: Path, exported: Path) -> None:
    other = with_priors(Path(shutil.copytree(run, run.parent / "other")), "../learnt")
    shutil.rmtree(other / "results")
    (other / "v.csv").write_text("section,surveyed,pci\n")
    (other / "s.csv").write_text("section,opened,bond,base\nS1,2003-07-01,unbonded,concrete\n")  # another road
    Desk(read_study(other), Path(), progress=lambda *given: None).read_inputs()
    (other / "s.csv").write_text(SECTIONS.split("\n")[0] + "\n" + SECTIONS.split("\n")[4] + "\n")
    with pytest.raises(PriorError, match="S4 in the records"):
        Desk(read_study(other), Path(), progress=lambda *given: None).read_inputs()


def test_a_study_without_records_or_results_exports_nothing(
    run: Path, done: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "the study has no records" in said(capsys, "priors", "export", done, "--out", done.parent / "x")[2]
    (run.parent / "y").mkdir()
    assert "is there already" in said(capsys, "priors", "export", run, "--out", run.parent / "y")[2]
    assert not (done.parent / "x").exists()


@pytest.mark.parametrize(
    "distribution",
    [
        Distribution("normal", (1.0, 2.0)),
        Distribution("lognormal", (0.3, 0.4)),
        Distribution("beta", (3.0, 27.0)),
        Distribution("gamma", (3.0, 0.2)),
        Distribution("skewed", (1.0, 0.5, 0.3)),
    ],
)
def test_a_refit_finds_the_distribution_that_made_the_draws(distribution: Distribution) -> None:
    found = refitted(distribution, distribution.sample(np.random.default_rng(1), 100_000))
    assert found.family == distribution.family
    np.testing.assert_allclose(found.ppf([0.05, 0.5, 0.95]), distribution.ppf([0.05, 0.5, 0.95]), rtol=0.02)


def test_toml_comes_back_as_it_went() -> None:
    tables = {"a": 1.5, "b": {"text": 'quote " and\nline', "list": [1, 2.0, "x"], "deep": {"odd key.": True}},
              "c": [{"d": 1, "e": {"f": 1e-9}}, {"d": 2}], "empty": []}  # fmt: skip
    assert tomllib.loads(toml_text(tables)) == tables
