"""Planned overlays: the fair split against slow loops and laws, and the rest against the closed form. Invented data."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import xarray as xr
from builders import effect, measure, mechanism, overlay_type, priors, quantity

from riskmodel.attribution import AverageSection, fair_parts
from riskmodel.lives import Draws
from riskmodel.measures import Portfolio
from riskmodel.newsections import new_lives
from riskmodel.planned import COLUMNS, planned_sections, planned_table
from riskmodel.priordraws import prior_draws
from riskmodel.programme import programme_from_table
from riskmodel.shares import shapley_values
from riskmodel.simulate import simulate

AGE = 10.0
TYPES = ("bonded_asphalt", "unbonded_asphalt", "unbonded_concrete")


def typed_priors():
    """Three overlay types; a fabric that only unbonded overlays can have."""
    share = dict.fromkeys(TYPES, 0.5)
    return priors(
        types=tuple(overlay_type(name, odds=quantity("lognormal", 0.3 * i, 0.2)) for i, name in enumerate(TYPES)),
        mechanisms=(
            mechanism("support_loss", "existing", share, 5.0),
            mechanism("random_cracking", "workmanship", share, 2.5),
        ),
        measures=(
            measure("fabric", [effect(["support_loss"], 0.5, types=TYPES[1:])], types=TYPES[1:]),
            measure("prompt_sawing", [effect(["random_cracking"], 0.4, types=TYPES)], types=TYPES),
        ),
    )


def table_of(rows: list[dict[str, object]], measures: tuple[str, ...] = ("fabric", "prompt_sawing")) -> xr.Dataset:
    """Planned sections; what a row does not name is not recorded."""
    columns: dict[str, object] = {"bond": "", "base": "", "contractor": "", "district": "", "project": "p"}
    columns |= dict.fromkeys(("opened_year", "trucks_per_day", "existing_pci", "wcm"), np.nan)
    data = {name: ("section", np.array([row.get(name, usual) for row in rows])) for name, usual in columns.items()}
    required = np.array([[row.get(name, np.nan) for name in measures] for row in rows], float)
    flags = (("section", "measure"), np.zeros(required.shape, bool))
    coords = {"section": [f"n{i}" for i in range(len(rows))], "measure": list(measures)}
    return xr.Dataset(
        data | {"required": (("section", "measure"), required), "verified": flags, "randomised": flags}, coords=coords
    )


FULL = {
    "bond": "bonded", "base": "asphalt", "opened_year": 2014.0, "trucks_per_day": 2500.0, "existing_pci": 30.0,
    "wcm": 0.46, "fabric": 0.0, "prompt_sawing": 1.0,
}  # fmt: skip
RECORDS = [
    {"bond": "unbonded", "base": "asphalt", "opened_year": 2001.0, "trucks_per_day": 700.0, "fabric": 1.0},
    {"bond": "unbonded", "base": "concrete", "opened_year": 2006.0, "trucks_per_day": 1200.0, "fabric": 0.0,
     "existing_pci": 55.0, "prompt_sawing": 0.0},
    {"bond": "bonded", "base": "asphalt", "opened_year": 2011.0, "trucks_per_day": 900.0, "prompt_sawing": 0.0},
]  # fmt: skip


@pytest.fixture(scope="module")
def case():
    p = typed_priors()
    return p, prior_draws(p, draws=60, seed=1), table_of(RECORDS)


def test_shapley_values_by_every_order():
    rng = np.random.default_rng(1)
    game = rng.normal(size=(16, 3))
    slow = np.zeros((4, 3))
    orders = list(itertools.permutations(range(4)))
    for order in orders:
        inside = 0
        for player in order:
            slow[player] += (game[inside | 1 << player] - game[inside]) / len(orders)
            inside |= 1 << player
    np.testing.assert_allclose(shapley_values(game), slow)


def test_parts_add_up_and_the_whole_is_the_closed_form(case):
    p, posterior, records = case
    draws, average = Draws.of(posterior), AverageSection.of(records, p)
    section = table_of([FULL])
    own, of_average, parts = fair_parts(section, average, draws, p, early_age=AGE)
    np.testing.assert_allclose(sum(part.draws for part in parts), own - of_average, atol=1e-12)
    lives, at = new_lives(draws, section.assign(randomised=~section["randomised"]), p), np.array([AGE])
    survival = lives.early_survival(at) * np.exp(lives.log_wear_survival(at))
    np.testing.assert_allclose(own, 1 - survival[:, 0, 0], rtol=1e-9)
    names = {part.name for part in parts}
    assert names == {"overlay type", "opening year", "trucks per day", "old pavement, as recorded",
                     "workmanship, as recorded", "fabric not required", "prompt_sawing required"}  # fmt: skip
    means = [abs(float(part.draws.mean())) for part in parts]
    assert means == sorted(means, reverse=True)


def test_the_average_section_has_no_parts(case):
    p, posterior, records = case
    average = AverageSection.of(records, p)
    np.testing.assert_allclose(average.types, 1 / 3)
    np.testing.assert_allclose(average.rates, [0.5, 0.0])
    own, of_average, parts = fair_parts(
        table_of([{"bond": "bonded", "base": "asphalt"}]), average, Draws.of(posterior), p, early_age=AGE
    )
    assert [part.name for part in parts] == ["overlay type"]
    np.testing.assert_allclose(parts[0].draws, own - of_average)


def test_an_input_that_moves_nothing_has_no_part(case):
    """A fabric that this overlay type cannot have, and traffic that no driver reads."""
    p, posterior, records = case
    *_, parts = fair_parts(table_of([FULL]), AverageSection.of(records, p), Draws.of(posterior), p, early_age=AGE)
    part = {one.name: one.draws for one in parts}
    fabric = part["fabric not required"]
    assert abs(fabric.mean()) < abs(part["prompt_sawing required"].mean())
    assert part["prompt_sawing required"].mean() < 0 < part["old pavement, as recorded"].mean()
    none = priors(types=p.types, mechanisms=p.mechanisms, measures=p.measures, drivers=())
    *_, parts = fair_parts(
        table_of([FULL]), AverageSection.of(records, none), Draws.of(prior_draws(none, draws=5, seed=1)), none,
        early_age=AGE,
    )  # fmt: skip
    assert "trucks per day" not in {one.name for one in parts}


def test_measures_and_bonds_equal_the_simulation(case):
    """Early failures under each portfolio, from the module that makes the study's own results."""
    p, posterior, records = case
    p = priors(types=p.types, mechanisms=p.mechanisms, measures=p.measures, groups=())
    posterior = prior_draws(p, draws=60, seed=2)
    section = table_of([{**FULL, "bond": "unbonded"}])
    found = planned_sections(section, records, posterior, p, early_age=AGE)[0]
    result = simulate(
        posterior, programme_from_table(section), p, portfolios=[Portfolio("fabric", ("fabric",))], early_age=AGE,
        seed=1, samples=60,
    )["value"].sel(quantity="early_failure_probability")  # fmt: skip
    now, then = (result.sel(portfolio=name).values for name in ("current_practice", "fabric"))
    np.testing.assert_allclose(found.early_failure, now, rtol=1e-6)
    assert [part.name for part in found.helps] == ["fabric"]  # sawing is required already
    np.testing.assert_allclose(found.helps[0].draws, now - then, atol=1e-9)
    assert set(found.bonds) == {"bonded", "unbonded"}
    np.testing.assert_allclose(found.bonds["unbonded"], found.early_failure)
    assert planned_sections(table_of([RECORDS[1]]), records, posterior, p, early_age=AGE)[0].bonds == {}


def test_a_known_contractor_keeps_its_term(case):
    p, posterior, records = case
    term = -3.0 * posterior["contractor_sd"].values[..., None]
    posterior = posterior.assign(contractor_effect=(("chain", "draw", "contractor"), term))
    posterior = posterior.assign_coords(contractor=["good crew"])
    both = table_of([{**FULL, "contractor": "good crew"}, {**FULL, "contractor": "nobody knows"}])
    known, new = planned_sections(both, records, posterior, p, early_age=AGE)
    assert (known.early_failure < new.early_failure).all()
    part = {one.name: one.draws.mean() for one in known.parts}
    assert part["contractor good crew"] < 0
    assert not any(one.name.startswith("contractor") for one in new.parts)


def test_table_holds_everything(case):
    p, posterior, records = case
    table = planned_table(planned_sections(table_of([FULL, RECORDS[0]]), records, posterior, p, early_age=AGE))
    assert tuple(table.columns) == COLUMNS
    assert (table["lower"] <= table["upper"]).all()
    for _, one in table.groupby("section"):
        mean = one.set_index(["subject", "item"])["mean"]
        total = mean["early_failure", "planned"] - mean["early_failure", "average section"]
        assert mean["driver"].sum() == pytest.approx(total)


def test_many_inputs_are_worked_in_pieces(case, monkeypatch):
    p, posterior, records = case
    whole = fair_parts(table_of([FULL]), AverageSection.of(records, p), Draws.of(posterior), p, early_age=AGE)
    monkeypatch.setattr("riskmodel.attribution.LARGEST", 1000)
    pieces = fair_parts(table_of([FULL]), AverageSection.of(records, p), Draws.of(posterior), p, early_age=AGE)
    np.testing.assert_array_equal(whole[0], pieces[0])
    for one, other in zip(whole[2], pieces[2], strict=True):
        np.testing.assert_allclose(one.draws, other.draws, rtol=1e-12)
