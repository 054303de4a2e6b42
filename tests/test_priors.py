"""Prior files: every number recomputed, every refusal provoked. Nothing here comes from the code under test."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import math
import re
import shutil
import tomllib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from wrong_priors import WRONG

from riskmodel.errors import PriorError, RiskModelWarning
from riskmodel.priors import default_directory, load_priors, with_overrides

HERE = default_directory()
FILES = sorted(HERE.glob("*.toml"))
RAW = {path.name: tomllib.loads(path.read_text(encoding="utf-8")) for path in FILES}
PRIORS = load_priors()
QUANTITIES = {quantity.key: quantity for quantity in PRIORS.quantities()}
STATUSES = {"published", "elicited", "judgement", "common_practice", "from_memory"}


def library(distribution: Any) -> Any:
    """The same law as a frozen distribution of scipy.stats."""
    return {
        "normal": lambda m, s: stats.norm(m, s),
        "lognormal": lambda m, s: stats.lognorm(s, scale=math.exp(m)),
        "beta": stats.beta,
        "gamma": lambda k, s: stats.gamma(k, scale=s),
        "skewed": lambda m, s, k: stats.lognorm(k, loc=m - s / k, scale=s / k),
    }[distribution.family](*distribution.parameters)


def stated_quantities(table: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every table of a file that states a number with its uncertainty, found without our reader."""
    if isinstance(table, list):
        for number, item in enumerate(table, start=1):
            yield from stated_quantities(item, (*path, str(number)))
    elif isinstance(table, dict):
        if {"distribution", "quantiles", "experts", "value"} & table.keys():
            yield ".".join(path), table
        else:
            for key, item in table.items():
                if key != "constants":  # arguments of a function; the indicator's status and source speak for them
                    yield from stated_quantities(item, (*path, key))


STATED = [(file, key, table) for file, tables in RAW.items() for key, table in stated_quantities(tables)]
IDS = [key for _, key, _ in STATED]


# ----------------------------------------------------------------------- the files that come with it


@pytest.mark.parametrize(("file", "key", "table"), STATED, ids=IDS)
def test_every_entry_is_complete_and_its_interval_is_right(file, key, table):
    quantity = QUANTITIES[key]
    assert table["status"] in STATUSES
    assert table["unit"].strip()
    assert table["source"].strip()
    assert table["rationale"].strip()
    if table["status"] == "judgement":
        assert table["source"].startswith("judgement")
    if "value" in table:
        assert quantity.distribution.parameters == (table["value"],)
        assert "interval_90" not in table
        return
    law = library(quantity.distribution)
    low, high = law.ppf([0.05, 0.95])
    np.testing.assert_allclose(table["interval_90"], [low, high], rtol=0, atol=0.02 * (high - low))
    assert quantity.interval_90 == tuple(table["interval_90"])
    if "parameters" in table:
        assert_same_parameters(table["distribution"], table["parameters"], quantity.distribution.parameters)
    else:
        for name, value in table["quantiles"].items():
            assert law.cdf(value) == pytest.approx(int(name[1:]) / 100, abs=0.03)


def assert_same_parameters(family, stated, parameters):
    first, second = stated.values()
    if "median" in stated:
        first = math.log(first)
    assert parameters == pytest.approx((first, second))
    assert family in ("normal", "lognormal", "beta", "gamma")


def test_reading_finds_every_entry_and_no_other():
    assert sorted(IDS) == sorted(QUANTITIES)
    assert len(IDS) == len(set(IDS))
    assert {key: PRIORS.files[key] for key in RAW} == {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in FILES
    }
    assert sorted(RAW) == ["costs.toml", "life.toml", "measures.toml", "mechanisms.toml", "quality.toml"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_shares_indicators_and_causes_say_where_they_come_from(path):
    for kind in ("mechanism", "indicator"):
        for name, table in RAW[path.name].get(kind, {}).items():
            assert table["status"] in STATUSES, name
            assert table["source"].strip(), name
            assert table["rationale"].strip(), name


def test_shares_are_the_product_of_root_and_mechanism_and_sum_to_one():
    raw = RAW["mechanisms.toml"]
    for kind in [t.name for t in PRIORS.types]:
        shares = {m.name: m.share[kind] for m in PRIORS.mechanisms if kind in m.share}
        assert sum(shares.values()) == pytest.approx(1.0, abs=1e-12)
        for name, share in shares.items():
            table = raw["mechanism"][name]
            if table["root"] == "other":
                assert share == pytest.approx(0.05)
            else:
                root = raw["root_share"][kind][table["root"]]
                assert share == pytest.approx(0.95 * root * table["within_root"][kind])
    assert "unbonded_asphalt" not in PRIORS.mechanism("debonding").applies_to  # nothing to debond
    assert PRIORS.mechanism("debonding").applies_to == ("bonded_asphalt", "bonded_composite", "bonded_concrete")


# Stated ranges of the age at failure, years (judgement of the trade, no source).
AGES = {
    "reflective_cracking": (0.5, 4),
    "support_loss": (3, 10),
    "old_slab_distress": (2, 10),
    "joint_mismatch": (0.5, 4),
    "panel_breaks": (2, 8),
    "faulting": (4, 10),
    "random_cracking": (1, 5),
    "debonding": (0.1, 2),
    "joint_deterioration": (5, 12),
}


@pytest.mark.parametrize("name", AGES)
def test_median_and_shape_put_ninety_percent_of_ages_in_the_stated_range(name):
    mechanism = PRIORS.mechanism(name)
    median, shape = mechanism.median.distribution.median, mechanism.shape.distribution.median
    law = stats.weibull_min(shape, scale=median / math.log(2) ** (1 / shape))
    np.testing.assert_allclose(law.cdf(AGES[name]), [0.05, 0.95], atol=0.002)
    low, high = mechanism.median.distribution.interval()
    assert high / low == pytest.approx(1.35**2, rel=0.01)
    low, high = mechanism.shape.distribution.interval()
    assert high / low == pytest.approx(1.5**2, rel=0.01)


def test_the_spread_of_shares_is_that_of_eleven_observations():
    """Shares p exp(0.85 z), normalised, against a Dirichlet law of concentration 11 (numpy's)."""
    rng = np.random.default_rng(3)
    for kind in [t.name for t in PRIORS.types]:
        mine = [m for m in PRIORS.mechanisms if kind in m.share]
        p = np.array([m.share[kind] for m in mine])
        ours = p * np.exp(PRIORS.share_sd.distribution.mean * rng.standard_normal((20000, p.size)))
        ours /= ours.sum(axis=1, keepdims=True)
        theirs = rng.dirichlet(11 * p, 20000)
        np.testing.assert_allclose(theirs.std(axis=0), np.sqrt(p * (1 - p) / 12), rtol=0.05)
        assert (ours.std(axis=0) / theirs.std(axis=0)).mean() == pytest.approx(1.0, abs=0.10)
        by_root = np.array([[m.root == root for m in mine] for root in ("existing", "design", "workmanship")], float).T
        assert ((ours @ by_root).std(axis=0) / (theirs @ by_root).std(axis=0)).mean() == pytest.approx(1.0, abs=0.15)


def test_life_numbers_mean_what_their_rationale_says():
    # mean of a beta law a / (a + b), common practice, no source
    assert PRIORS.early_failure.distribution.mean == pytest.approx(0.10)
    assert stats.beta(3, 57).mean() == pytest.approx(0.05)
    assert stats.beta(3, 22).mean() == pytest.approx(0.12)
    assert PRIORS.label_error.distribution.mean == pytest.approx(0.25)
    for overlay in PRIORS.types:
        low, high = overlay.odds_multiplier.distribution.interval()
        assert high / low == pytest.approx(1.6**2, rel=0.01)
        own, common = overlay.wear_out_median.distribution.parameters[1], PRIORS.wear_out_sd_common.distribution.mean
        assert math.hypot(own, common) == pytest.approx(0.25)
    # with shape 3.5 and median 45 years 8 % wear out before 25
    law = stats.weibull_min(3.5, scale=45 / math.log(2) ** (1 / 3.5))
    assert law.cdf(25) == pytest.approx(0.08, abs=0.005)
    assert PRIORS.wear_out_shape.distribution.median == pytest.approx(3.5, rel=0.02)


def test_rater_scatter_is_constant_on_the_z_scale():
    """Scatter 3 + 0.12 (100 - index) points becomes the stated noise at every index, by finite differences."""
    index, step = np.array([95.0, 80.0, 60.0, 40.0]), 1e-4

    def z(y):
        return -np.log1p(0.04 * (100 - y)) / 0.04

    slope = (z(index + step) - z(index - step)) / (2 * step)
    noise = (3 + 0.12 * (100 - index)) * slope
    np.testing.assert_allclose(noise, PRIORS.path.noise.distribution.median, rtol=1e-6)


def test_a_hazard_ratio_of_trucks_is_a_ratio_of_ages():
    """Hazard of a Weibull age goes with age^-shape when ages are stretched: ln time ratio = -ln(HR) / shape."""
    low, high = PRIORS.drivers[0].coefficient.distribution.interval()
    shape = 3.5
    hazard = [math.exp(-shape * x) for x in (high, PRIORS.drivers[0].coefficient.distribution.median, low)]
    np.testing.assert_allclose(hazard, [1.05, 1.3, 1.7], rtol=0.035)  # stated: 1.3 (1.05 to 1.7), judgement
    early = PRIORS.drivers[1].coefficient.distribution
    np.testing.assert_allclose(np.exp(early.interval()), [1.05, 1.7], rtol=0.03)
    frost = PRIORS.drivers[2].coefficient.distribution
    np.testing.assert_allclose(np.exp(frost.interval()), [1.0, 1.8], rtol=0.03)


def test_crews_from_good_to_poor_span_the_contractor_sd():
    sd = next(group.sd for group in PRIORS.groups if group.column == "contractor").distribution
    assert sd.mean == pytest.approx(math.log(2.0 / 0.6) / (2 * 1.6449), abs=0.01)  # odds 0.6 good, 2.0 poor: judgement


def survey_ratio(with_it, without, rng, size=100000):
    """Ratio of surviving failures: (1 - found with it x acted x (1 - hazard)) / the same without it."""
    acted = 0.75
    hazard = np.exp(rng.normal(math.log(0.40), math.log(0.7 / 0.2) / (2 * 1.6449), size)).clip(0, 1)
    return (1 - rng.beta(*with_it, size) * acted * (1 - hazard)) / (1 - rng.beta(*without, size) * acted * (1 - hazard))


@pytest.mark.parametrize(
    ("number", "with_it", "without"),
    [(0, (16, 4), (3.2, 12.8)), (1, (18, 2), (14, 6))],  # found 0.80 against 0.20 (0.05 to 0.40); 0.90 against 0.70
    ids=["hidden", "visible"],
)
def test_the_survey_s_ratio_follows_from_what_it_finds(number, with_it, without):
    ratio = survey_ratio(with_it, without, np.random.default_rng(5))
    stated = PRIORS.measure("pre_survey").effects[number].ratio.distribution
    assert stated.median == pytest.approx(np.median(ratio), abs=0.03)
    np.testing.assert_allclose(stated.interval(), np.quantile(ratio, [0.05, 0.95]), atol=0.07)


def test_the_sawing_ratio_follows_from_late_days():
    stated = PRIORS.measure("prompt_sawing").effects[0].ratio.distribution
    gone = 1 - 0.03 / 0.10  # days past the limit: good crew 3 %, average 10 %, judgement
    np.testing.assert_allclose([stated.median, *stated.interval()], [1 - s * gone for s in (0.6, 0.9, 0.3)], atol=0.06)


@pytest.mark.parametrize(
    ("name", "odds", "contrast", "most"),
    [
        ("existing_pci", 1.25**1.5, 1.0, 0.48),
        ("stripping_seen", 2.8, 1 / math.sqrt(0.15 * 0.85), 0.53),
        ("old_slab_distress_seen", 4.0, 1 / math.sqrt(0.25 * 0.75), 0.86),
        ("drained", 1.5, 2.0, 0.29),
        ("thickness", 0.80**-2, 1.0, 0.64),
        ("panel_length", 1.5, 2.5, 0.23),
    ],
)
def test_loadings_do_not_exceed_what_their_odds_ratio_gives(name, odds, contrast, most):
    effect = PRIORS.mechanism("faulting").score_effect.distribution.median
    assert math.log(odds) / (effect * contrast) == pytest.approx(most, abs=0.01)
    indicator = PRIORS.indicator_columns[name]
    assert 0 < abs(indicator.loading) <= most + 0.005
    if indicator.kind == "yes_no":
        assert indicator.scale == pytest.approx(1 / contrast, abs=1e-3)


def test_each_measure_is_priced_and_knows_its_roots():
    main = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")
    assert tuple(m.name for m in PRIORS.measures)[:4] == main  # a new study begins with these
    assert {cost.measure for cost in PRIORS.costs} == {"", *(m.name for m in PRIORS.measures)}
    assert all(cost.price_year == 2024 and cost.unit == cost.amount.unit for cost in PRIORS.costs)
    roots = {m.name: tuple(m.selection) for m in PRIORS.measures}
    assert roots == {
        "pre_survey": ("existing",),
        "separation_fabric": ("existing", "design"),
        "prompt_sawing": ("workmanship",),
        "internal_curing": ("design", "workmanship"),
        "full_depth_cut": ("existing", "design", "workmanship"),
        "curing_compound": ("design", "workmanship"),
        "drainage": ("existing", "design", "workmanship"),
        "fibres": ("design", "workmanship"),
        "joint_layout": ("design",),
        "mixture_control": ("workmanship",),
    }
    assert PRIORS.measure("full_depth_cut").applies_to == ("bonded_concrete",)
    for name in ("curing_compound", "fibres"):  # nothing to debond where nothing is bonded
        debonding = next(e for e in PRIORS.measure(name).effects if "debonding" in e.mechanisms)
        assert all(kind.startswith("bonded") for kind in debonding.applies_to)
    fabric = PRIORS.measure("separation_fabric")
    side = [effect for effect in fabric.effects if effect.side_effect]
    assert fabric.applies_to == ("unbonded_concrete", "unbonded_composite")
    assert [set(effect.applies_to) for effect in side] == [{"bonded_asphalt", "unbonded_asphalt"}]
    assert side[0].ratio.distribution.median > 1
    assert all("would have failed early this way" in m.question and m.caution for m in PRIORS.measures)


def test_the_prior_set_answers_by_name():
    assert PRIORS.uses_types
    assert PRIORS.roots == ("existing", "design", "workmanship", "other")
    assert PRIORS.mechanism("other").score_effect is None
    assert PRIORS.indicator_columns["wcm"].score == "workmanship"
    with pytest.raises(KeyError, match="no measure is called 'fabric'; known: pre_survey"):
        PRIORS.measure("fabric")
    with pytest.raises(KeyError, match="no mechanism is called"):
        PRIORS.mechanism("potholes")
    with pytest.raises(dataclasses.FrozenInstanceError):
        PRIORS.year_centre = 2000.0


def test_standard_scores_take_centre_and_scale_after_the_transformation():
    trucks = PRIORS.drivers[0]
    np.testing.assert_allclose(trucks.standardise([1000.0, 2000.0, 250.0, np.nan]), [0, 1, -2, np.nan])
    delay = PRIORS.indicator_columns["saw_delay_h"]
    np.testing.assert_allclose(delay.standardise([10.0, 10 * math.exp(0.4)]), [0, 1], atol=1e-12)
    assert PRIORS.indicator_columns["existing_pci"].standardise(65.0) == pytest.approx(1.0)


# ------------------------------------------------------------------------------ sets of your own

ABOUT = 'status = "judgement"\nsource = "invented for a test"\n'


def amount(key: str, unit: str, text: str) -> str:
    return f'[{key}]\nunit = "{unit}"\n{ABOUT}{text}\n'


LOGNORMAL = 'distribution = "lognormal"\nparameters = { median = 2.0, sigma = 0.3 }\ninterval_90 = [1.22, 3.28]'
PATIENT = "\n".join(
    [
        "year_centre = 2000",
        amount("early_failure", "probability", "value = 0.1"),
        "[type.any]",
        amount("type.any.odds_multiplier", "odds ratio", "value = 1.0"),
        amount("type.any.wear_out_median", "years", "value = 30"),
        amount("wear_out.sd_common", "ln years", "value = 0.2"),
        amount("wear_out.shape", "dimensionless", LOGNORMAL),
        amount("path.start", "index points", "value = 90"),
        amount("path.start_spread", "z", LOGNORMAL),
        amount("path.noise", "z", LOGNORMAL),
        amount("path.kappa", "dimensionless", LOGNORMAL),
        amount("path.kappa_early_ratio", "ln ratio", "value = 0.0"),
        amount("share_sd", "ln share", "value = 0.5"),
        amount("removal_lag", "years", "value = 0"),
        amount("label_error", "probability", "value = 0.2"),
        amount("year_slope", "log-odds per decade", "value = 0"),
    ]
)


def own_mechanism(name: str, share: str, root: str = "existing") -> str:
    effect = "" if root == "other" else amount(f"mechanism.{name}.score_effect", "log-odds per score sd", LOGNORMAL)
    return "\n".join(
        [
            f'[mechanism.{name}]\nroot = "{root}"\n{share}\n{ABOUT}',
            amount(f"mechanism.{name}.median", "years", LOGNORMAL),
            amount(f"mechanism.{name}.shape", "dimensionless", LOGNORMAL),
            effect,
        ]
    )


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


def test_a_set_without_types_and_without_early_failures(tmp_path):
    priors = load_priors(write(tmp_path, all=PATIENT))
    assert not priors.uses_types
    assert (priors.types[0].name, priors.types[0].bond, priors.types[0].base) == ("any", "", "")
    assert (priors.mechanisms, priors.roots, priors.measures, priors.costs) == ((), (), (), ())
    assert priors.removal_lag.distribution.parameters == (0.0,)
    assert priors.removal_lag.interval_90 is None


def test_a_set_without_types_states_shares_as_plain_numbers(tmp_path):
    mechanisms = own_mechanism("frost", "share = 0.7") + own_mechanism("rest", "share = { any = 0.3 }", "other")
    priors = load_priors(write(tmp_path, life=PATIENT, mechanisms=mechanisms))
    assert {m.name: m.share for m in priors.mechanisms} == {"frost": {"any": 0.7}, "rest": {"any": 0.3}}
    assert priors.mechanism("frost").label == "frost"


def test_tables_of_a_collection_may_be_spread_over_files_and_a_root_may_have_no_failures(tmp_path):
    shares = f"[root_share]\nother = 0.0\nany = {{ existing = 0.4, design = 0.6, workmanship = 0 }}\n{ABOUT}"
    priors = load_priors(
        write(
            tmp_path,
            a=PATIENT,
            b=own_mechanism("frost", "within_root = 1.0"),
            c=own_mechanism("warp", "within_root = { any = 1.0 }", "design") + shares,
        )
    )
    assert [dict(m.share) for m in priors.mechanisms] == [{"any": 0.4}, {"any": 0.6}]
    write(tmp_path, d=own_mechanism("late_cut", "within_root = 1.0", "workmanship"))
    with pytest.raises(PriorError, match="has no share in any overlay type; got 'late_cut'"):
        load_priors(tmp_path)


def test_windows_line_ends_and_a_byte_order_mark_are_fine(tmp_path):
    (tmp_path / "all.toml").write_bytes(b"\xef\xbb\xbf" + PATIENT.replace("\n", "\r\n").encode())
    assert load_priors(tmp_path).year_centre == 2000


def test_experts_are_pooled(tmp_path):
    experts = """experts = [
      { name = "A", p05 = 1.0, p50 = 2.0, p95 = 4.0, weight = 2 },
      { name = "B", p05 = 1.2, p50 = 2.4, p95 = 4.8 },
    ]
    family = "lognormal"
    pooling = "logarithmic"
    """
    # the logarithmic pool of lognormals of one spread is that spread about the weighted mean of the logs
    middle, sigma = (2 * math.log(2.0) + math.log(2.4)) / 3, math.log(4) / (2 * 1.6448536)
    low, high = stats.lognorm(sigma, scale=math.exp(middle)).ppf([0.05, 0.95])
    text = amount("path.kappa", "dimensionless", f"{experts}interval_90 = [{low:.4f}, {high:.4f}]")
    priors = load_priors(write(tmp_path, all=PATIENT.replace(amount("path.kappa", "dimensionless", LOGNORMAL), text)))
    assert priors.path.kappa.distribution.parameters == pytest.approx((middle, sigma), rel=1e-3)


def test_a_poor_fit_warns_with_file_and_key(tmp_path):
    poor = 'quantiles = { p05 = 1, p50 = 2, p95 = 20 }\nfamily = "gamma"\ninterval_90 = [0, 20]'
    text = PATIENT.replace(amount("path.noise", "z", LOGNORMAL), amount("path.noise", "z", poor))
    with (
        pytest.warns(RiskModelWarning, match=r"all\.toml, path\.noise: the gamma distribution misses"),
        pytest.raises(PriorError, match=r"all\.toml, `path\.noise\.interval_90`"),
    ):
        load_priors(write(tmp_path, all=text))


# ------------------------------------------------------------------------------------- overrides

EXPERIENCED = {
    "distribution": "beta",
    "parameters": {"a": 3, "b": 57},
    "status": "judgement",
    "source": "our own first ten jobs",
}


def test_an_override_changes_one_thing_and_is_in_the_digests():
    changed = load_priors(overrides={"early_failure": EXPERIENCED})
    assert changed.early_failure.distribution.mean == pytest.approx(0.05)
    assert changed.early_failure.interval_90 == pytest.approx(stats.beta(3, 57).interval(0.9))
    assert changed.early_failure.source == "our own first ten jobs"
    assert changed.early_failure.rationale == ""  # the old one spoke of another number
    assert set(changed.files) - set(PRIORS.files) == {"[priors.override]"}
    assert dataclasses.replace(changed, early_failure=PRIORS.early_failure, files=PRIORS.files) == PRIORS


def test_overrides_reach_into_tables_and_can_follow_each_other():
    median = {"quantiles": {"p05": 3.0, "p50": 5.0, "p95": 8.3}, "status": "elicited", "source": "three inspectors"}
    first = with_overrides(PRIORS, {"mechanism": {"faulting": {"median": median, "label": "steps at joints"}}})
    second = with_overrides(first, {"early_failure": EXPERIENCED, "year_centre": 2015})
    assert second.mechanism("faulting").median.distribution.median == pytest.approx(5.0, rel=0.01)
    assert second.mechanism("faulting").label == "steps at joints"
    assert second.mechanism("faulting").shape == PRIORS.mechanism("faulting").shape
    assert second.year_centre == 2015
    assert len({first.files["[priors.override]"], second.files["[priors.override]"]}) == 2
    assert with_overrides(PRIORS, {}) == PRIORS


def test_an_override_may_add_an_optional_key():
    own = {"mean": 0.4, "sd": 0.2}
    selection = {"distribution": "normal", "parameters": own, "unit": "log-odds", "status": "elicited", "source": "us"}
    changed = with_overrides(PRIORS, {"measure": {"pre_survey": {"selection": {"existing": selection}}}})
    assert changed.measure("pre_survey").selection["existing"].distribution.parameters == (0.4, 0.2)
    assert changed.measure("prompt_sawing").selection == PRIORS.measure("prompt_sawing").selection


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"early_failur": EXPERIENCED}, "`early_failur`: the key is not known here. Did you mean `early_failure`."),
        (
            {"mechanism": {"faultin": {"label": "x"}}},
            "`mechanism.faultin`: the prior files have no such mechanism. Did you mean `faulting`.",
        ),
        (
            {"measure": {"dowels": {}}},
            "`measure.dowels`: the prior files have no such measure. Add [measure.NAME] to a prior directory of yours.",
        ),
        ({"mechanism": [1]}, "`mechanism`: a table of changes is expected; got 'a list of 1'."),
        ({"mechanism": {"faulting": {"medium": 3}}}, "`mechanism.faulting.medium`: the key is not known here. Did you"),
        ({"early_failure": {"value": 0.1}}, "`early_failure`: `source` is missing."),
        ({"label_error": {"interval_90": [0.1, 0.9]}}, "`label_error.interval_90`: the central 90 % interval of the"),
        ({"year_centre": 1492}, "`year_centre`: a number from 1900 to 2100 is expected; got '1492'."),
    ],
)
def test_overrides_that_fit_nothing(change, message):
    with pytest.raises(PriorError, match=re.escape(f"[priors.override], {message}")):
        with_overrides(PRIORS, change)


def test_overrides_are_refused_all_at_once_with_the_study_as_place():
    with pytest.raises(PriorError) as caught:
        load_priors(
            overrides={"mechanism": {"faultin": {}}, "early_failur": {}, "cost": {"core": {"amount": {"value": -1}}}}
        )
    assert len(caught.value.faults) >= 4
    assert {fault.file for fault in caught.value.faults} == {"[priors.override]"}
    deep: dict[str, Any] = {}
    for _ in range(5000):
        deep = {"a": deep}
    with pytest.raises(PriorError, match="nested too deeply"):
        load_priors(overrides={"early_failure": deep})


# -------------------------------------------------------------------------------------- refusals


@pytest.fixture
def copy(tmp_path) -> Callable[..., Path]:
    """A copy of the prior files in which one text is replaced by another."""

    def edit(file: str, old: str, new: str) -> Path:
        shutil.copytree(
            HERE, tmp_path / "priors", ignore=lambda _, names: [n for n in names if not n.endswith(".toml")]
        )
        path = tmp_path / "priors" / file
        text = path.read_text(encoding="utf-8")
        assert text.count(old) >= 1
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        return path.parent

    return edit


@pytest.mark.parametrize(("file", "old", "new", "message"), WRONG, ids=range(len(WRONG)))
def test_a_wrong_file_is_refused_with_place_rule_and_remedy(copy, file, old, new, message):
    with pytest.raises(PriorError, match=re.escape(message)) as caught:
        load_priors(copy(file, old, new))
    assert all(fault.file in (*RAW, "prior files") and fault.rule for fault in caught.value.faults)
    assert "!" not in str(caught.value)


def test_another_currency_is_fine(copy):
    priors = load_priors(copy("costs.toml", 'unit = "USD/yd2-in"', 'unit = "EUR/m2-mm"'))
    assert priors.costs[0].unit == "EUR/m2-mm"


def test_every_fault_of_every_file_comes_at_once(tmp_path):
    shutil.copytree(HERE, tmp_path / "p", ignore=lambda _, names: [n for n in names if not n.endswith(".toml")])
    for path, (old, new) in zip(
        sorted((tmp_path / "p").iterdir()),
        [
            ("price_year = 2024", "price_yaer = 2024"),
            ('unit = "probability"', 'unit = "percent"'),
            ('scale = "risk_ratio"', 'scale = "ratio"'),
            ('root = "design"', 'root = "desing"'),
            ("loading = 0.40", "loading = 2"),
        ],
        strict=True,
    ):
        path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(PriorError) as caught:
        load_priors(tmp_path / "p")
    assert {fault.file for fault in caught.value.faults} >= set(RAW)


def test_a_table_in_two_files_is_refused(tmp_path):
    write(tmp_path, a=PATIENT, b="[early_failure]\nvalue = 0.2\n" + own_mechanism("frost", "share = 1.0"))
    write(tmp_path, c=own_mechanism("frost", "share = 1.0"))
    with pytest.raises(PriorError) as caught:
        load_priors(tmp_path)
    text = str(caught.value)
    assert "b.toml, `early_failure`: the table is already defined in a.toml. Keep one of the two." in text
    assert "c.toml, `mechanism.frost`: the table is already defined in b.toml." in text


def test_folders_and_files_that_cannot_be_read(tmp_path):
    with pytest.raises(PriorError, match=r"holds no \.toml file; got .*Name the folder with the prior files"):
        load_priors(tmp_path)
    with pytest.raises(PriorError, match="the prior directory does not exist"):
        load_priors(tmp_path / "absent")
    write(tmp_path, a="[early_failure]\nvalue = = 3\n", d="[a]\nb = [" + "[" * 5000)
    (tmp_path / "b.toml").write_bytes(b"x = 'caf\xe9'\n")
    (tmp_path / "c.toml").write_text("x = 'open")
    with pytest.raises(PriorError) as caught:
        load_priors(tmp_path)
    text = str(caught.value)
    assert re.search(r"a\.toml, row 2: column 9: not valid TOML \(Invalid value\)\.", text)
    assert "b.toml: the file is text in UTF-8, but byte 9 is not. Save it as UTF-8." in text
    assert re.search(r"c\.toml.*: not valid TOML", text)
    assert "d.toml: tables and lists are nested too deeply. Flatten them." in text


def test_numbers_of_a_thousand_digits_and_deep_tables_are_faults_not_crashes(tmp_path):
    write(tmp_path, a=f"early_failure.value = {'9' * 5000}\n", b="x." * 3000 + "y = 1\n")
    with pytest.raises(PriorError, match=r"a\.toml"):
        load_priors(tmp_path)
    write(tmp_path, a="early_failure.value = 1\n")
    with pytest.raises(PriorError, match=r"b\.toml: tables and lists are nested too deeply"):
        load_priors(tmp_path)


ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**400), 10**400),
    st.floats(),
    st.text(max_size=8),
    st.just(date(1979, 5, 27)),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=5), st.integers(), max_size=2),
    st.just([{"name": 3}]),
    st.just([["a"], {"b": 1}]),
)


def paths(table: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    items = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    for key, item in items:
        yield (*path, key)
        yield from paths(item, (*path, key))


MERGED = dict(PRIORS.raw.data)
PATHS = list(paths(MERGED))


def changed(table: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = dict(table) if isinstance(table, dict) else list(table)
    if value is None and len(path) == 1:
        del copy[path[0]]
    else:
        copy[path[0]] = changed(copy[path[0]], path[1:], value)
    return copy


@pytest.mark.filterwarnings("ignore::riskmodel.errors.RiskModelWarning")
@settings(max_examples=60, deadline=None)
@given(st.sampled_from(PATHS), ODD)
def test_whatever_stands_in_a_place_it_is_read_or_refused(path, value):
    raw = dataclasses.replace(PRIORS.raw, data=changed(MERGED, path, value))
    with contextlib.suppress(PriorError):  # any other error fails the test
        result = with_overrides(dataclasses.replace(PRIORS, raw=raw), {})
        for quantity in result.quantities():
            assert np.isfinite(quantity.distribution.interval()).all(), quantity.key
