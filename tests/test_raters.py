"""Raters: read from the surveys, pooled about nought, and where readings are predicted. Invented data."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from builders import PATH
from generator import RATERS, Generator, truth_of
from knowntruth import PRIORS as KNOWN
from knowntruth import records_of_truth, truth_times
from record_tables import read, section, survey
from recovery import small_priors
from runs import calibrated_from_priors, write_recorded
from scipy import stats
from surveyed import full_prior
from test_readingscores import even

from riskmodel import calibrate as calibration
from riskmodel import pipeline, recalibrate
from riskmodel.calibrate import Sampling, calibrate, records_log_likelihood
from riskmodel.cellposterior import section_posterior
from riskmodel.cells import AgeGrid, CellData
from riskmodel.census import census_table, census_text
from riskmodel.condition import Condition
from riskmodel.density import LogDensity
from riskmodel.desk import Desk
from riskmodel.distribution import Distribution
from riskmodel.errors import PriorError, RecordsError
from riskmodel.inputs import every_level
from riskmodel.lifesettings import LifeSettings
from riskmodel.lives import Draws
from riskmodel.priordraws import prior_draws
from riskmodel.priors import default_directory, load_priors
from riskmodel.ratercoordinates import RaterCoordinates
from riskmodel.raters import NOT_RECORDED, raters_of
from riskmodel.ratertable import rater_sentence, rater_table
from riskmodel.readingscores import reading_scores
from riskmodel.records import Records
from riskmodel.replicas import draw_replicas
from riskmodel.reweigh import changed_sections, with_new_levels
from riskmodel.study import read_study
from riskmodel.supposed import read_below
from riskmodel.trial import rater_of, with_new_rater
from riskmodel.updatecommand import take_in

PRIORS = small_priors()
GRID = LifeSettings(grid=AgeGrid(cells=48))
SEEN = [survey("2004-07-01", "90", rater="crew 7"), survey("2006-07-01", "85"), survey("2008-07-01", "80", rater="Bry")]


def records_of(count: int, seed: int = 3, sd: float = 2.0) -> tuple[Generator, Records]:
    """Records that name raters, and who made them."""
    truth = truth_of(full_prior(PRIORS, draws=1, seed=seed), 0) | {"rater_sd": np.array(sd)}
    generator = Generator(PRIORS, truth, np.random.default_rng(seed), Condition())
    made = generator.records(count)
    return generator, Records(made.sections, made.readings, None, Condition(), None, {})  # type: ignore[arg-type]


def drawn(records: Records, draws: int = 3, **offsets: float) -> xr.Dataset:
    """Prior draws with every term of the records; given offsets take the place of those drawn."""
    prior = full_prior(PRIORS, draws=draws, seed=1).assign(rater_sd=(("chain", "draw"), np.full((1, draws), 1.5)))
    found = with_new_levels(prior, records.sections, PRIORS, seed=1, raters=raters_of(records.readings))
    for name, value in offsets.items():
        found["rater_effect"].loc[{"rater": name}] = value
        found["rater_raw"].loc[{"rater": name}] = value / 1.5
    return found


# ------------------------------------------------------------------------------------ what is read


def test_readings_keep_their_rater_and_those_without_share_one() -> None:
    readings = read(surveys=SEEN).readings
    assert list(readings["rater"].values) == ["crew 7", NOT_RECORDED, "Bry"]
    assert raters_of(readings) == ("Bry", "crew 7", NOT_RECORDED)


@pytest.mark.parametrize("rows", [[survey()], [survey(rater="")]], ids=["no column", "an empty column"])
def test_without_a_name_nothing_is_known_of_raters(rows: list[dict[str, str]]) -> None:
    records = read(surveys=rows)
    assert "rater" not in records.readings
    assert raters_of(records.readings) == ()
    assert "rater" not in " ".join(census_table(records)["item"]) + census_text(records)


def test_the_census_counts_raters() -> None:
    records = read(surveys=SEEN)
    assert (records.census.raters, records.census.readings_without_rater) == (2, 1)
    assert "by 2 raters; 1 without a name, taken as one more" in census_text(records)
    told = census_table(records).set_index("item")["value"]
    assert (told["raters"], told["readings_without_rater"]) == (2, 1)


@pytest.mark.parametrize(
    ("name", "rule"),
    [("Bry\u200b", "no line breaks, control or invisible characters"), ("x" * 201, "no longer than 200 characters")],
)
def test_a_name_that_cannot_be_seen_or_is_too_long_is_refused(name: str, rule: str) -> None:
    with pytest.raises(RecordsError, match=rf"surveys\.csv, row 2, `rater`: .*{rule}"):
        read(surveys=[survey(rater=name)])


def test_a_rater_belongs_to_a_reading_not_to_a_section() -> None:
    with pytest.raises(RecordsError, match="belongs to the surveys table"):
        read([section(rater="Bry")])
    with pytest.raises(ValueError, match="names the column of the index"):
        Condition(column="rater")


def test_a_column_of_another_name_is_mapped() -> None:
    records = read(surveys=[survey(crew="7")], columns={"rater": "crew"})
    assert list(records.readings["rater"].values) == ["7"]


# -------------------------------------------------------------------------------------- the prior


def test_the_stated_spread_means_what_its_rationale_says() -> None:
    """From the definition of the worked scale: points for 1.2 z at 80 and 60; the part of the scatter's variance."""
    path, condition = load_priors().path, Condition()
    assert path.rater_sd is not None
    middle, noise = path.rater_sd.distribution.median, path.noise.distribution.median
    points = [float(condition.from_z(condition.to_z(y) + middle)) - y for y in (80.0, 60.0)]
    np.testing.assert_allclose(points, [2.2, 3.1], atol=0.1)
    assert (middle / noise) ** 2 == pytest.approx(1 / 6, abs=0.01)
    low, high = path.rater_sd.distribution.interval()
    assert high / low == pytest.approx(2.7**2, rel=0.02)


def test_records_with_raters_need_a_prior_of_their_spread(tmp_path: Path) -> None:
    _, records = records_of(4)
    bare = replace(PRIORS, path=replace(PATH, rater_sd=None))
    with pytest.raises(PriorError, match=r"`path\.rater_sd`.*Add \[path\.rater_sd\]"):
        LogDensity.of(records, bare)
    folder = write_recorded(tmp_path / "north")
    (folder / "v.csv").write_text("section,surveyed,pci,rater\nS1,2005-06-01,95,Bry\n")
    own = Path(shutil.copytree(default_directory(), folder / "own"))
    life = (own / "life.toml").read_text(encoding="utf-8")
    text = life[: life.index("[path.rater_sd]")] + life[life.index("[removal_lag]") :]
    (own / "life.toml").write_text(text, encoding="utf-8")
    (folder / "study.toml").write_text((folder / "study.toml").read_text() + "[priors]\ndirectory = 'own'\n")
    with pytest.raises(PriorError, match=r"`path\.rater_sd`"):
        Desk(read_study(folder), Path(), progress=lambda *given: None).read_inputs()


def test_prior_draws_hold_the_spread_only_where_there_are_raters() -> None:
    plain, rated = (prior_draws(PRIORS, draws=4000, seed=1, raters=raters) for raters in (False, True))
    assert set(rated.data_vars) - set(plain.data_vars) == {"rater_sd"}
    for name, values in plain.data_vars.items():
        np.testing.assert_array_equal(values, rated[name])
    law = PATH.rater_sd.distribution
    np.testing.assert_allclose(np.quantile(rated["rater_sd"], [0.05, 0.95]), law.interval(), rtol=0.06)


# --------------------------------------------------------------------------------- where it enters


def moved(cells: CellData, offset: np.ndarray) -> CellData:
    """Readings and limits less the raters' offsets, raters forgotten."""
    sided = replace(cells.sided, limit=cells.sided.limit - offset[cells.sided.rater])
    return replace(cells, z=cells.z - offset[cells.rater], sided=sided, raters=())


def test_an_offset_is_a_shift_of_the_readings_and_limits() -> None:
    """The likelihood at an offset is that without raters of readings and limits moved by it, in every section."""
    _, records = records_of(20)
    cells = CellData.of(records, GRID.grid)
    assert len(cells.sided.section)
    draws = drawn(records).isel(draw=[0])
    offset = draws["rater_effect"].sel(rater=list(cells.raters)).values[0, 0]
    found = records_log_likelihood(records, PRIORS, draws, settings=GRID)
    plain = draws.drop_dims("rater").drop_vars("rater_sd")
    same = records_log_likelihood(records, PRIORS, plain, settings=GRID, cells=moved(cells, offset))
    np.testing.assert_allclose(found, same, rtol=1e-10)
    assert np.abs(found - records_log_likelihood(records, PRIORS, plain, settings=GRID)).max() > 0.1


def test_the_watch_list_reads_a_section_as_a_rater_without_offset_would() -> None:
    _, records = records_of(6, seed=5)
    kept = records.readings.isel(reading=np.flatnonzero(records.readings["status"].values == "used"))
    records = replace(records, readings=kept)
    draws = drawn(records, draws=2)
    offset = draws["rater_effect"].isel(chain=0, draw=0)
    draws["rater_effect"], draws["rater_raw"] = (draws[n] * 0 + v for n, v in
                                                 (("rater_effect", offset), ("rater_raw", offset / 1.5)))  # fmt: skip
    own = offset.sel(rater=list(kept["rater"].values)).values
    plain = replace(records, readings=kept.drop_vars("rater").assign(z=("reading", kept["z"].values - own)))
    found = section_posterior(records, PRIORS, draws, grid=AgeGrid(cells=48))
    same = section_posterior(plain, PRIORS, draws, grid=AgeGrid(cells=48))
    for name in ("worn", "early", "scatter_tail"):
        np.testing.assert_allclose(getattr(found, name), getattr(same, name), atol=1e-10)


def test_simulated_readings_hold_the_offset_of_their_rater() -> None:
    made = records_of_truth()
    names = np.array(["Ardel", "Bry"])[np.arange(made.readings.sizes["reading"]) % 2]
    made.readings = made.readings.assign(rater=("reading", names))
    plain = truth_times(40)
    shape = (plain.sizes["chain"], plain.sizes["draw"], 2)
    effect = np.broadcast_to([0.0, -4.0], shape)
    rated = plain.assign_coords(rater=["Ardel", "Bry"]).assign(rater_effect=(("chain", "draw", "rater"), effect))
    first, second = (draw_replicas(one, made, KNOWN, seed=5, samples=40) for one in (plain, rated))
    change = second.z - first.z
    inside = (np.abs(first.z) > 1e-9) & (second.z > second.z.min() + 1e-9)
    assert {round(float(x), 6) for x in np.unique(change[inside].round(6))} == {0.0, -4.0}
    recorded = np.isfinite(first.recorded)
    lowered = (change < -1e-9).any(axis=0)[recorded]
    assert 0.3 < lowered.mean() < 0.7


def test_a_reading_asked_of_a_rater_is_asked_less_the_offset() -> None:
    _, records = records_of(8)
    cells = CellData.of(records, GRID.grid)
    rater = np.arange(8) % len(cells.raters)
    asked = read_below(cells, np.full(8, 30.0), np.full(8, -9.0), rater)
    last = asked.sided.time == 30.0
    np.testing.assert_array_equal(asked.sided.rater[last], rater)
    np.testing.assert_array_equal(asked.sided.section[last], np.arange(8))


def test_chances_of_readings_follow_their_raters() -> None:
    """Who is known to read low: the same readings stand higher among those expected."""
    _, records = records_of(25)
    names = [str(n) for n in records.sections["section"].values]
    scores = []
    for value in (0.0, -4.0):
        posterior = drawn(records, draws=2, **(dict.fromkeys(RATERS, 0.0) | {"Bry": value}))
        scores.append(reading_scores(posterior, even(names, 2), records, PRIORS, settings=GRID, seed=1))
    first = [table[(table["what"] == "reading") & (table["number"] == 0)].set_index("section") for table in scores]
    change = first[1]["score"] - first[0]["score"]
    opening = records.readings.to_dataframe().groupby("section_index").first()
    by_bry = {names[i] for i in opening.index[opening["rater"] == "Bry"]}
    here = change.index.isin(by_bry)
    assert here.any()
    assert (change[here] > 0.3).all()
    np.testing.assert_allclose(change[~here], 0.0, atol=1e-9)


def test_a_trial_is_read_by_a_new_rater() -> None:
    plain = Draws.of(prior_draws(PRIORS, draws=3000, seed=1))
    assert with_new_rater(plain, 1) is plain
    assert not rater_of(plain).any()
    rated = with_new_rater(Draws.of(prior_draws(PRIORS, draws=3000, seed=1, raters=True)), 1)
    standard = rater_of(rated) / rated["rater_sd"]
    assert stats.kstest(standard, "norm").pvalue > 0.01


# ------------------------------------------------------------------------------------ later rounds


def test_a_new_rater_draws_from_the_prior_and_known_ones_keep_theirs() -> None:
    _, records = records_of(6)
    draws = drawn(records, draws=3000)
    out = with_new_levels(draws, records.sections, PRIORS, seed=1, raters=("Ardel", "Zor"))
    np.testing.assert_array_equal(out["rater_effect"].sel(rater="Ardel"), draws["rater_effect"].sel(rater="Ardel"))
    assert stats.kstest(out["rater_effect"].sel(rater="Zor").values.ravel() / 1.5, "norm").pvalue > 0.01
    assert list(out["rater"].values) == ["Ardel", "Zor"]


def test_another_name_beside_a_reading_is_news_of_its_section() -> None:
    _, before = records_of(6)
    names = before.readings["rater"].values.copy()
    names[0] = "Zor"
    now = replace(before, readings=before.readings.assign(rater=("reading", names)))
    owner = int(before.readings["section_index"].values[0])
    assert changed_sections(before, now) == (str(before.sections["section"].values[owner]),)


def test_raters_named_for_the_first_time_are_fitted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A study of unnamed readings, then a round that names one: the last fit's draws know no raters."""
    monkeypatch.setattr(calibration, "calibrate", calibrated_from_priors)
    folder = write_recorded(tmp_path / "north")
    pipeline.run_study(read_study(folder))
    (tmp_path / "NEW.csv").write_text("section,surveyed,pci,rater\nS1,2017-06-01,88,Bry\n")
    take_in(read_study(folder), None, tmp_path / "NEW.csv")
    study = read_study(folder)
    desk = Desk(study, folder / "results/.unfinished", progress=lambda *given: None)
    found = recalibrate._Fit(folder / "results/posterior.nc", {}, "")
    published = recalibrate.Published(folder / "results")
    why = recalibrate._why_fit(study, desk.records, published, found, "", fresh=False)
    assert why == ["raters are named for the first time"]


# --------------------------------------------------------------------------------- tables and words


def test_the_table_says_who_reads_low_in_trade_words() -> None:
    _, records = records_of(12)
    rng = np.random.default_rng(1)
    centre = dict(zip(sorted(RATERS), (-1.7, 1.1, 0.3, 0.0, -0.05, 0.2), strict=True))
    z = np.stack([c + (0.1 if abs(c) > 1 else 0.5) * rng.standard_normal((2, 400)) for c in centre.values()], axis=-1)
    posterior = xr.Dataset({"rater_effect": (("chain", "draw", "rater"), z)}, coords={"rater": list(centre)})
    table = rater_table(posterior, records).set_index("rater")
    assert table.index[0] == "Ardel"
    assert (table["index"] == 80.0).all()
    assert table.loc["Ardel", "words"] == "rates 3 points low"
    assert table.loc["Bry", "words"] == "rates 2 points high"
    assert table.loc["Dunmor", "words"] == "rates 1 point high, which may be chance"
    assert table.loc["Eskel", "words"] == "rates like the average"
    taken = pd.Series(records.readings["rater"].values).value_counts()
    assert table["readings"].to_dict() == {name: int(taken.get(name, 0)) for name in centre}
    # by hand, from the definition of z with s = 0.04 at index 80, where ln(1 + s 20) = ln 1.8
    expected = 20.0 - (1.8 * np.exp(0.04 * 1.7) - 1.0) / 0.04
    assert table.loc["Ardel", "points"] == pytest.approx(expected, abs=0.05)
    told = rater_sentence(table.reset_index())
    assert told.startswith("Raters: 6 named, each with an offset of its own; Ardel rates 3 points low; Bry rates 2")
    alike = rater_table(posterior * 0.0, records)
    assert "none stands out" in rater_sentence(alike)


def test_a_run_writes_raters_and_its_report_names_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stood_in(records: Any, priors: Any, **settings: Any) -> calibration.Calibration:
        made = calibrated_from_priors(records, priors, **settings)
        posterior = with_new_levels(
            made.posterior, records.sections, priors, seed=1, raters=raters_of(records.readings)
        )
        made.tree["posterior"] = xr.DataTree(posterior)
        return made

    monkeypatch.setattr(calibration, "calibrate", stood_in)
    folder = write_recorded(tmp_path / "north")
    rows = (folder / "v.csv").read_text().splitlines()
    text = "\n".join([f"{rows[0]},rater", *(f"{row},{'Bry' if i % 2 else ''}" for i, row in enumerate(rows[1:]))])
    (folder / "v.csv").write_text(text + "\n")
    pipeline.run_study(read_study(folder))
    table = pd.read_csv(folder / "results/tables/raters.csv")
    assert set(table["rater"]) == {"Bry", NOT_RECORDED}
    assert (table["basis"] == "priors and records").all()
    parameters = pd.read_csv(folder / "results/tables/parameters.csv")["parameter"]
    assert {"rater_sd", "rater_effect[Bry]"} <= set(parameters)
    assert "Raters: 1 named" in (folder / "results/report.txt").read_text(encoding="utf-8")


# ------------------------------------------------------------------------------------- the sampler


@pytest.fixture(scope="module")
def turned() -> tuple[LogDensity, RaterCoordinates]:
    """A density whose raters have taken many readings each."""
    _, records = records_of(90)
    density = LogDensity.of(records, replace(PRIORS, path=replace(PATH, rater_sd=_wide())), settings=GRID)
    return density, RaterCoordinates.of(density)


def _wide() -> Any:
    return replace(PATH.rater_sd, distribution=Distribution("lognormal", (np.log(2.0), 0.4)))


def test_coordinates_are_the_same_density_of_another_variable(turned: tuple[LogDensity, RaterCoordinates]) -> None:
    """They undo each other; the density differs by the log determinant; the gradient is that of differences."""
    density, coordinates = turned
    assert len(coordinates.raw) == len(RATERS)
    rng = np.random.default_rng(1)
    x = density.layout.centre + 0.3 * rng.standard_normal((2, density.layout.size))
    np.testing.assert_allclose(coordinates.place(coordinates.undo(x)), x, rtol=1e-12, atol=1e-12)
    of, y = coordinates.density(density.value_and_gradient), coordinates.undo(x[0])
    value, gradient = of(y)
    eye = 1e-5 * np.eye(len(y))
    columns = [(coordinates.place(y + step) - coordinates.place(y - step)) / 2e-5 for step in eye]
    volume = np.linalg.slogdet(np.array(columns))[1]
    assert value == pytest.approx(density.value_and_gradient(x[0])[0] + volume, abs=1e-5)
    for i in [coordinates.spread, *coordinates.raw, 0, 5]:
        slope = (of(y + eye[i])[0] - of(y - eye[i])[0]) / 2e-5
        assert gradient[i] == pytest.approx(slope, rel=1e-5, abs=1e-4)


def test_few_readings_or_no_raters_change_no_coordinate() -> None:
    _, records = records_of(4)
    for one in (records, replace(records, readings=records.readings.drop_vars("rater"))):
        density = LogDensity.of(one, PRIORS, settings=GRID)
        coordinates = RaterCoordinates.of(density)
        x = density.layout.centre
        assert coordinates.place(x) is x
        assert coordinates.density(density.value_and_gradient) == density.value_and_gradient
    assert "rater" not in every_level(one, PRIORS)
    assert not [name for name in density.layout.places if name.startswith("rater")]


@pytest.mark.slow
def test_offsets_are_recovered_and_the_noise_is_no_longer_inflated() -> None:
    """Six raters, 150 sections: intervals cover; without the column their spread is taken for scatter."""
    inside, inflated = [], []
    sampling = Sampling(chains=2, draws=600, tune=150, gate_ess=200, gate_rhat=1.05)
    for seed in (3, 4, 5):
        generator, records = records_of(150, seed=seed, sd=2.5)
        found = calibrate(records, PRIORS, sampling=sampling).posterior
        low, high = found["rater_effect"].quantile([0.01, 0.99], ("chain", "draw"))
        true = np.array([generator.raters[str(name)] for name in found["rater"].values])
        inside += list((low.values <= true) & (true <= high.values))
        noise = float(generator.truth["noise"])
        assert np.quantile(found["noise"], 0.005) <= noise <= np.quantile(found["noise"], 0.995)
        unnamed = replace(records, readings=records.readings.drop_vars("rater"))
        plain = calibrate(unnamed, PRIORS, sampling=sampling).posterior
        spread = float(np.std(list(generator.raters.values())))
        inflated.append((float(plain["noise"].mean()) ** 2 - float(found["noise"].mean()) ** 2) / spread**2)
    assert np.mean(inside) >= stats.binom(18, 0.98).ppf(0.001) / 18
    # the variance between raters adds to that of the scatter
    assert np.mean(inflated) == pytest.approx(1.0, abs=0.35)
