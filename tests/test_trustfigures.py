"""Figures of the checks: what is drawn is what the tables say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import stats

from riskmodel.trustfigures import (
    plot_differences,
    plot_group_curve,
    plot_groups,
    plot_predicted,
    plot_reading_chances,
    plot_sensitivity,
)


@pytest.fixture
def ax() -> Axes:
    return Figure().subplots()


def names(ax: Axes) -> list[str]:
    return [text.get_text() for text in ax.get_yticklabels()]


def test_predicted_rows_are_drawn_to_the_scale_of_the_priors(ax: Axes) -> None:
    table = pd.DataFrame({"statistic": ["removed", "mean pci"], "recorded": [15.0, 90.0], "prior_lower": [5.0, 80.0],
                          "prior_upper": [15.0, 100.0], "lower": [9.0, 89.0], "upper": [11.0, 92.0]})  # fmt: skip
    plot_predicted(ax, table)
    marks = ax.get_lines()[0].get_xdata()
    assert marks.tolist() == [1.0, 0.0]  # at the highest that the priors expect, and in their middle
    assert names(ax) == ["removed", "mean pci"]
    assert {"15.0", "90.0"} <= {text.get_text() for text in ax.texts}


GROUPS = pd.DataFrame({
    "what": "removed for condition",
    "split": ["all"] * 2 + ["district"] * 3 + ["root"], "group": ["all sections"] * 2 + ["b", "b", "a"] + ["wear_out"],
    "sections": 40, "age": [1.0, 2.0, 1.0, 3.0, 2.0, 2.0], "at_risk": 30, "recorded": [0.1, 0.2, 0.1, 0.3, 0.0, 0.05],
    "recorded_error": 0.02, "middle": 0.15, "lower": 0.1, "upper": 0.25,
})  # fmt: skip


def test_groups_stand_at_their_last_age_in_the_order_of_the_table(ax: Axes) -> None:
    plot_groups(ax, GROUPS)
    assert names(ax) == ["all sections, by 2", "b, by 3", "a, by 2", "cause wear out, by 2"]
    assert ax.get_lines()[0].get_xdata().tolist() == [0.2, 0.3, 0.0, 0.05]


def test_a_group_has_its_curve(ax: Axes) -> None:
    plot_group_curve(ax, GROUPS[GROUPS["group"] == "b"])
    assert ax.get_title(loc="left") == "b"
    assert ax.get_lines()[0].get_ydata().tolist() == [0.1, 0.3]


def test_chances_of_a_right_model_stay_in_the_band_and_others_leave_it() -> None:
    uniform = (np.arange(400) + 0.5) / 400
    for power, inside in ((1.0, True), (1.6, False)):
        ax = Figure().subplots()
        score = stats.norm.ppf(uniform**power)
        plot_reading_chances(ax, pd.DataFrame({"what": "reading", "score": score}))
        band = ax.collections[0].get_datalim(ax.transData).y1
        assert (np.abs(ax.get_lines()[0].get_ydata()).max() < band) == inside


def test_both_weights_of_each_quantity_are_marked(ax: Axes) -> None:
    table = pd.DataFrame({"words": ["early failures"] * 2 + ["mean life"] * 2, "component": ["priors", "records"] * 2,
                          "sensitivity": [0.1, 0.2, 0.01, 0.02]})  # fmt: skip
    plot_sensitivity(ax, table)
    assert [line.get_xdata().tolist() for line in ax.get_lines()[:2]] == [[0.1, 0.01], [0.2, 0.02]]
    assert names(ax) == ["early failures", "mean life"]


def test_only_compared_variants_are_drawn(ax: Axes) -> None:
    table = pd.DataFrame({"what": ["a", "b"], "difference": [np.nan, -5.0], "standard_error": [np.nan, 2.0]})
    plot_differences(ax, table)
    assert names(ax) == ["b"]
    assert ax.get_lines()[0].get_xdata().tolist() == [-5.0]
