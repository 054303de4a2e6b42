"""The whole pipeline is calibrated: ranks of the truth are uniform (see `wholeruns`), and rerun they are the same."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from misfits import MISFITS
from register import FROM, Register, write_records
from wholeruns import RANKS, SECTIONS, STUDY, design, run_case, the_priors, truth
from wholetables import HERE, outside, ranks_in

from riskmodel.condition import Condition
from riskmodel.desk import Desk
from riskmodel.records import Records
from riskmodel.study import read_study

RERUN = int(os.environ.get("RISKMODEL_WHOLE_CASES", "2"))


@pytest.fixture(scope="module")
def committed() -> pd.DataFrame:
    return pd.read_csv(HERE / "ranks.csv")


def test_ranks_stay_within_the_band_of_all_quantities_together(committed):
    assert committed["case"].is_unique
    assert outside(ranks_in(committed), joint=True) == []
    assert outside(ranks_in(committed, diverged=True), joint=True) == []


def test_quantities_outside_their_own_band_are_as_few_as_chance_allows(committed):
    ranks = ranks_in(committed)
    # one in a hundred each; quantities of one data set hang together, so twice the binomial's bound is allowed
    assert len(outside(ranks, joint=False)) <= 2 + 0.04 * ranks.shape[1]


def register_of(kind: str = "none") -> Register:
    roads = design(0)
    return MISFITS[kind](
        the_priors(), MISFITS[kind].changed(truth(0, roads)), np.random.default_rng(4), Condition(), roads
    )


def read_back(register: Register, folder: Path) -> Records:
    write_records(folder, register)
    (folder / "study.toml").write_text(STUDY)
    records = Desk(read_study(folder), folder, progress=lambda *_: None).records
    assert records is not None
    return records


def test_records_read_from_files_are_what_was_drawn(tmp_path: Path):
    """Ages to the day, readings to the sixth digit, and no road that the records could not hold."""
    register = register_of()
    records = read_back(register, tmp_path)
    assert records.sections.sizes["section"] == SECTIONS
    drawn = [history for _, history in register.kept]
    for column, key in (("age_removed", "removed"), ("age_in_service", "in_service")):
        read, meant = records.sections[column].values, np.array([h[key] for h in drawn])
        np.testing.assert_array_equal(np.isnan(read), np.isnan(meant))
        np.testing.assert_allclose(read, meant, atol=0.006)
    z = np.array([z for h in drawn for _, _, z, _ in h["readings"]])
    np.testing.assert_allclose(records.readings["z"], np.clip(z, Condition().to_z(0.0), 0.0), atol=1e-4)


@pytest.mark.parametrize("kind", [kind for kind in MISFITS if kind != "none"])
def test_every_misfit_is_in_the_records_and_nothing_else(kind: str, tmp_path: Path):
    """What is broken shows in tables that the reader accepts; lives stay those of the agency that breaks nothing."""
    records, plain = read_back(register_of(kind), tmp_path), register_of().keep(SECTIONS, FROM)
    assert records.sections.sizes["section"] == SECTIONS
    broken = register_of(kind).keep(SECTIONS, FROM)
    lives_are_others = kind in ("late_onset", "confounded_choice")
    assert ([h["life"] for _, h in broken] != [h["life"] for _, h in plain]) == lives_are_others
    told = [(road.get("written opening"), h["readings"], h["in_service"]) for road, h in broken]
    assert told != [(None, h["readings"], h["in_service"]) for _, h in plain]


@pytest.mark.slow
def test_rerun_data_sets_rank_as_they_did(committed, tmp_path: Path):
    """Two by default. Ranks differ by Monte Carlo error alone."""
    for number in committed["case"][:RERUN]:
        case = run_case(int(number), tmp_path / f"{number}")
        row = committed.set_index("case").loc[number]
        assert case["facts"]["readings"] == row["readings"]
        assert case["facts"]["removed"] == row["removed"]
        for name in ranks_in(committed):
            share = np.clip(row[name] / RANKS, 0.02, 0.98)
            allowed = 4.5 * np.sqrt(2 * RANKS * share * (1 - share) * 2.0)  # draws are thinned, not independent
            assert abs(case["ranks"][name] - row[name]) <= allowed, (number, name)
