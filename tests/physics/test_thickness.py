"""Thickness adequacy against the worked examples of the guides that define it."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants
from scipy.stats import norm

from riskmodel.errors import RangeWarning, RiskModelError
from riskmodel.physics import thickness
from riskmodel.physics.thickness import SlabDesign

INCH = constants.inch
PSI = constants.psi / 1e6
PCI = PSI / INCH
ORDINARY = SlabDesign(modulus=28_000, rupture=4.5, subgrade=40, load_transfer=3.2)

# AASHTO Guide 1993, Appendix N, revised chapter 5, two unbonded overlays (pages not seen). In the copy seen the
# subgrade of the first is partly illegible: 53 pci fits one row and leaves four as checks. The slabs of the second are
# missing: each is the tenth of an inch next to the printed traffic, and seven figures matched on a grid of tenths is a
# check.
# The deviate of 80 % reliability is printed to two figures.
FIRST = SlabDesign(
    modulus=5.1e6 * PSI, rupture=710 * PSI, subgrade=53 * PCI, load_transfer=3.2, drainage=1.01, spread=0.39
)
SECOND = SlabDesign(modulus=4.2e6 * PSI, rupture=700 * PSI, subgrade=140 * PCI, load_transfer=3.2, spread=0.35)
PRINTED = [
    (FIRST, 9.30, 0.000, 17_483_863),
    (FIRST, 10.40, 0.841, 17_272_377),
    (FIRST, 11.10, 1.282, 18_026_295),
    (FIRST, 11.60, 1.645, 17_540_132),
    (FIRST, 12.70, 2.327, 17_638_108),
    (SECOND, 9.10, 0.000, 18_868_828),
    (SECOND, 10.10, 0.841, 18_552_355),
    (SECOND, 10.60, 1.282, 17_756_688),
    (SECOND, 11.10, 1.645, 17_885_002),
]


@pytest.mark.parametrize(("design", "inches", "deviate", "printed"), PRINTED)
def test_traffic_of_the_guide_s_overlay_examples(design, inches, deviate, printed):
    design = replace(design, reliability=norm.cdf(deviate))
    assert 10 ** thickness.log10_traffic(inches * INCH, design) == pytest.approx(printed, rel=1e-6)


@pytest.mark.parametrize(("required", "overlay"), [(10.40, 3.62), (11.10, 5.31), (11.60, 6.28), (12.70, 8.14)])
def test_unbonded_overlay_of_the_guide_s_example(required, overlay):
    # AASHTO Guide 1993, Appendix N (page not seen): 10 in slab, factor printed 0.98 with an effective 9.75 in
    effective = thickness.unbonded_effective_thickness(10 * INCH, joints=0.975)
    assert effective / INCH == pytest.approx(9.75)
    got = thickness.unbonded_overlay_thickness(required * INCH, effective)
    assert got / INCH == pytest.approx(overlay, abs=0.01)


EXAMPLE = SlabDesign(
    modulus=5e6 * PSI,
    rupture=650 * PSI,
    subgrade=72 * PCI,
    load_transfer=3.2,
    serviceability_loss=1.7,
    reliability=0.95,
    spread=0.29,
)


def test_new_slab_of_the_guide():
    # AASHTO Guide 1993, rigid design example, from memory: the nomograph prints 10.0, the equation gives 9.72
    inches = thickness.required_thickness(5.1e6, EXAMPLE) / INCH
    assert inches == pytest.approx(9.72, abs=0.05)
    assert inches == pytest.approx(10.0, abs=0.3)


def test_textbook_solution_of_the_same_slab():
    # Huang, Pavement Analysis and Design, from memory: 9.75 in carries 5.2 million
    assert 10 ** thickness.log10_traffic(9.75 * INCH, EXAMPLE) == pytest.approx(5.2e6, rel=0.015)


def test_military_power_form():
    # UFC 3-260-02, ch. 17, pp. 342-343: 478 mm (printed rounded up as 19.0 in from 18.84)
    got = thickness.compensated_overlay_thickness(
        0.521,
        required_old=0.574,
        existing=10 * INCH,
        condition=thickness.STRUCTURE_CONDITION["badly_cracked"],
        power=1.4,
    )
    assert got == pytest.approx(0.4787, abs=5e-4)
    assert got == pytest.approx(0.478, abs=1e-3)
    assert got / INCH == pytest.approx(18.84, abs=0.02)


def test_overlay_identities():
    effective = thickness.unbonded_effective_thickness(8 * INCH, joints=0.95)
    assert thickness.unbonded_overlay_thickness(10 * INCH, effective) / INCH == pytest.approx(6.50, abs=0.005)
    worth = thickness.bonded_effective_thickness(8 * INCH, joints=0.95, durability=0.96, fatigue=0.95)
    assert thickness.bonded_overlay_thickness(10 * INCH, worth) / INCH == pytest.approx(3.07, abs=0.005)


def test_no_more_than_ten_inches_of_an_old_slab_count():
    thick = thickness.unbonded_effective_thickness([10 * INCH, 12 * INCH], joints=0.95)
    assert thick[0] == pytest.approx(thick[1])


def test_a_sound_slab_needs_no_overlay():
    assert thickness.bonded_overlay_thickness(0.2, 0.25) == 0
    assert thickness.unbonded_overlay_thickness(0.2, 0.25) == 0


def test_power_form_holds_the_other_two():
    # with equal strengths, power 2 is the unbonded form and power 1 the bonded one
    common = {"required_old": 0.25, "existing": 0.2, "condition": 1.0}
    unbonded = thickness.compensated_overlay_thickness(0.25, power=2.0, **common)
    bonded = thickness.compensated_overlay_thickness(0.25, power=1.0, **common)
    assert unbonded == pytest.approx(float(thickness.unbonded_overlay_thickness(0.25, 0.2)))
    assert bonded == pytest.approx(float(thickness.bonded_overlay_thickness(0.25, 0.2)))


@given(st.floats(0.1, 0.39), st.floats(1.005, 1.5), st.floats(15, 120), st.floats(20_000, 40_000))
def test_thicker_carries_more(metres, factor, subgrade, modulus):
    design = replace(ORDINARY, subgrade=subgrade, modulus=modulus)
    thicker = min(metres * factor, 0.4)
    if thicker > metres:
        assert thickness.log10_traffic(thicker, design) > thickness.log10_traffic(metres, design)


@given(st.floats(0.12, 0.38), st.floats(0.5, 0.99))
def test_required_thickness_inverts_the_equation(metres, reliability):
    design = replace(ORDINARY, reliability=reliability)
    traffic = 10 ** thickness.log10_traffic(metres, design)
    assert thickness.required_thickness(traffic, design) == pytest.approx(metres, abs=1e-6)


@given(st.floats(0.5, 0.98))
def test_more_reliability_needs_more_thickness(reliability):
    lower = thickness.required_thickness(8e6, replace(ORDINARY, reliability=reliability))
    assert thickness.required_thickness(8e6, replace(ORDINARY, reliability=reliability + 0.01)) > lower


def test_margin_and_chance_agree_with_reliability():
    # a slab sized for 90 % reliability has a 10 % chance to be inadequate, by definition of the two
    design = replace(ORDINARY, reliability=0.9)
    slab = thickness.required_thickness(8e6, design)
    margin = thickness.traffic_margin(slab, 8e6, ORDINARY)
    assert thickness.chance_inadequate(margin, spread=ORDINARY.spread) == pytest.approx(0.1, abs=1e-4)


@given(st.floats(-3, 3), st.floats(0.01, 1), st.floats(0.1, 0.8))
def test_more_margin_less_chance(margin, more, spread):
    before = thickness.chance_inadequate(margin, spread=spread)
    assert thickness.chance_inadequate(margin + more, spread=spread) <= before


def test_samples_broadcast():
    design = replace(ORDINARY, subgrade=np.array([20.0, 40.0, 80.0]), rupture=np.array([[4.0], [5.0]]))
    slabs = thickness.required_thickness(8e6, design)
    assert slabs.shape == (2, 3)
    alone = replace(ORDINARY, subgrade=80.0, rupture=4.0)
    assert slabs[0, 2] == pytest.approx(float(thickness.required_thickness(8e6, alone)))
    assert (np.diff(slabs, axis=1) < 0).all()


def test_ratio_provided_over_required():
    assert thickness.thickness_ratio(0.18, [0.2, 0.15]) == pytest.approx([0.9, 1.2])


def test_tables_lie_in_order():
    for table in (thickness.DURABILITY_FACTOR, thickness.FATIGUE_FACTOR):
        rows = list(table.values())
        assert all(low <= high <= 1 for low, high in rows)
        assert all(better[0] >= worse[1] for better, worse in pairwise(rows))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"modulus": 4e6}, "`modulus` must lie between"),
        ({"rupture": 650}, "`rupture` must lie between 1 and 12 MPa"),
        ({"subgrade": 0}, "`subgrade`"),
        ({"load_transfer": 1}, "`load_transfer`"),
        ({"drainage": 3}, "`drainage`"),
        ({"serviceability_loss": 5}, "`serviceability_loss`"),
        ({"terminal": 5}, "`terminal`"),
        ({"reliability": 95}, "`reliability`"),
        ({"spread": 35}, "`spread`"),
        ({"subgrade": 900, "modulus": 5000}, "too small for so stiff a `subgrade`"),
    ],
)
def test_impossible_designs_stop(change, match):
    with pytest.raises(RiskModelError, match=match):
        thickness.log10_traffic(0.1, replace(ORDINARY, **change))


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: thickness.log10_traffic(9.0, ORDINARY), "`thickness` must lie between 0.02 and 1 m"),
        (lambda: thickness.required_thickness(5, ORDINARY), "`traffic`"),
        (lambda: thickness.required_thickness([8e6, 2e3], ORDINARY), "1 of 2 cases"),
        (lambda: thickness.traffic_margin(0.2, 8e6, replace(ORDINARY, reliability=0.9)), "would count twice"),
        (lambda: thickness.traffic_margin(0.2, 0, ORDINARY), "`traffic`"),
        (lambda: thickness.chance_inadequate(np.nan), "`margin`"),
        (lambda: thickness.chance_inadequate(0, spread=0), "`spread`"),
        (lambda: thickness.thickness_ratio(8, 0.2), "`provided`"),
        (lambda: thickness.thickness_ratio(0.2, 8), "`required`"),
        (lambda: thickness.bonded_effective_thickness(0.2, joints=200, durability=1, fatigue=1), "`joints`"),
        (lambda: thickness.bonded_effective_thickness(0.2, joints=1, durability=0, fatigue=1), "`durability`"),
        (lambda: thickness.bonded_effective_thickness(0.2, joints=1, durability=1, fatigue=2), "`fatigue`"),
        (lambda: thickness.unbonded_effective_thickness(0.2, joints=0), "`joints`"),
        (lambda: thickness.bonded_overlay_thickness(0.2, 8), "`effective`"),
        (lambda: thickness.unbonded_overlay_thickness(8, 0.2), "`required`"),
        (
            lambda: thickness.compensated_overlay_thickness(
                0.3, required_old=0.3, existing=0.2, condition=0.75, power=3
            ),
            "`power`",
        ),
        (
            lambda: thickness.compensated_overlay_thickness(0.3, required_old=0.3, existing=0.2, condition=0, power=1),
            "`condition`",
        ),
    ],
)
def test_impossible_values_stop(call, match):
    with pytest.raises(RiskModelError, match=match):
        call()


def test_thin_slabs_warn():
    with pytest.warns(RangeWarning, match="road test"):
        thickness.log10_traffic(0.08, ORDINARY)
    with pytest.warns(RangeWarning, match="required thickness"):
        thickness.required_thickness(2e9, ORDINARY)
