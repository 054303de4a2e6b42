"""Figures of the checks of a calibrated model: each function takes axes and returns them (see `figures`)."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter
from scipy import stats

from .figures import CURVES, MARKS, RAVELLING
from .groupfit import REMOVALS

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "plot_differences",
    "plot_group_curve",
    "plot_groups",
    "plot_predicted",
    "plot_reading_chances",
    "plot_sensitivity",
]

RECORDED = CURVES[2][0]
BAND = 0.99
BEFORE = {"age": "now ", "root": "cause "}
"""Before the name of a group."""


def plot_predicted(ax: Axes, predicted: pd.DataFrame) -> Axes:
    """What the priors, and the calibrated model, expect of the records, and what is on record.

    Each row is drawn to the scale of the priors' own interval, which spans from -1 to 1; the number on record
    stands beside it.

    Parameters
    ----------
    ax : Axes
    predicted : DataFrame
        From `predicted.predicted_table`.

    Returns
    -------
    Axes
    """
    height = -np.arange(len(predicted), dtype=float)
    first, last = (predicted[name].to_numpy(float) for name in ("prior_lower", "prior_upper"))
    half = np.maximum(0.5 * (last - first), 1e-9)
    numbers = predicted[["lower", "upper", "recorded"]].to_numpy(float).T
    low, high, found = (numbers - 0.5 * (first + last)) / half
    ax.hlines(height, -1.0, 1.0, color=CURVES[0][0], linewidth=8, alpha=0.35, label="priors")
    ax.hlines(height, low, high, color=RAVELLING, linewidth=4, alpha=0.8, label="calibrated model")
    ax.plot(found, height, linestyle="none", marker="D", markersize=5, color=RECORDED, label="records")
    most = max(1.6, 1.1 * float(np.nanmax(np.abs([low, high, found]))))
    for at, value in zip(height, predicted["recorded"], strict=True):
        ax.annotate(f"{value:.1f}", (1.02 * most, at), fontsize=8, va="center", annotation_clip=False)
    _named(ax, height, predicted["statistic"])
    ax.set(xlim=(-most, most))
    ax.set_xticks([-1.0, 1.0], ["lowest", "highest"])
    ax.set_xlabel("that the priors expect, nine in ten")
    ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.3, 1.0), ncols=3)
    return ax


def _named(ax: Axes, height: np.ndarray, words: Iterable[object]) -> None:
    """Rows with names at the left, first at the top."""
    ax.set_yticks(height, [str(text) for text in words], fontsize=8)
    ax.set_ylim(height[-1] - 0.6 if len(height) else -1.0, 0.6)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", alpha=0.3)


def plot_groups(ax: Axes, by_group: pd.DataFrame) -> Axes:
    """Share of every group removed by the last age at which enough of it is seen: records and simulated records.

    Parameters
    ----------
    ax : Axes
    by_group : DataFrame
        From `groupfit.fit_by_group`.

    Returns
    -------
    Axes
    """
    removals = by_group[by_group["what"] == REMOVALS]
    last = removals.sort_values("age", kind="stable").drop_duplicates(["split", "group"], keep="last")
    last = last.sort_values(["split", "group"], key=_order_of(by_group), ignore_index=True)
    height = -np.arange(len(last), dtype=float)
    ax.hlines(height, last["lower"], last["upper"], color=RAVELLING, linewidth=6, alpha=0.35,
              label="simulated records, nine in ten")  # fmt: skip
    error = 1.645 * last["recorded_error"].to_numpy()
    ax.errorbar(last["recorded"], height, xerr=np.minimum(error, last["recorded"]), linestyle="none", marker="D",
                markersize=5, color=RECORDED, elinewidth=1.2, label="records, 90 % interval")  # fmt: skip
    rows = zip(last["split"], last["group"], last["age"], strict=True)
    _named(ax, height, [f"{BEFORE.get(split, '')}{name.replace('_', ' ')}, by {age:.0f}" for split, name, age in rows])
    ax.set(xlabel="Removed for condition by the age stated")
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.4, 1.0), ncols=2)
    return ax


def _order_of(by_group: pd.DataFrame) -> Callable[[pd.Series], pd.Series]:
    """Key that sorts splits and groups as they first come."""
    places = {name: i for i, name in enumerate(dict.fromkeys([*by_group["split"], *by_group["group"]]))}
    return lambda column: column.map(places)


def plot_group_curve(ax: Axes, rows: pd.DataFrame) -> Axes:
    """Share of one group removed, or read low, against age: records with their 90 % interval, and simulated records.

    Parameters
    ----------
    ax : Axes
    rows : DataFrame
        One group of `groupfit.fit_by_group`; an interval where its estimate has one.

    Returns
    -------
    Axes
    """
    age, error = rows["age"].to_numpy(), 1.645 * rows["recorded_error"].to_numpy()
    ax.fill_between(age, rows["lower"], rows["upper"], color=RAVELLING, alpha=0.2, linewidth=0,
                    label="simulated records, nine in ten")  # fmt: skip
    ax.plot(age, rows["recorded"], color=RECORDED, drawstyle="steps-post", linewidth=2, label="records")
    for side in (-1.0, 1.0):
        ends = np.clip(rows["recorded"] + side * error, 0.0, 1.0)
        ax.plot(age, ends, color=RECORDED, drawstyle="steps-post", linestyle=":", linewidth=1.2)
    ax.set(xlabel="Age, years", ylabel=str(rows["what"].iloc[0]).capitalize(), xlim=(age[0], age[-1]), ylim=(0.0, None))
    ax.set_title(str(rows["group"].iloc[0]).replace("_", " "), loc="left", fontsize=9)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def plot_reading_chances(ax: Axes, scores: pd.DataFrame) -> Axes:
    """Share of readings below each chance that the model gave them, less that chance.

    Parameters
    ----------
    ax : Axes
    scores : DataFrame
        From `readingscores.reading_scores`.

    Returns
    -------
    Axes

    Notes
    -----
    The band is that of the Kolmogorov-Smirnov distance at 99 %.
    """
    readings = scores[(scores["what"] == "reading") & scores["score"].notna()]
    chance = np.sort(stats.norm.cdf(readings["score"].to_numpy(float)))
    count = len(chance)
    share = (np.arange(count) + 0.5) / count
    half = float(stats.kstwo.ppf(BAND, count))
    ax.fill_between([0.0, 1.0], -half, half, color=RAVELLING, alpha=0.2, linewidth=0, label="right model, 99 of 100")
    ax.plot(chance, share - chance, color=RECORDED, linewidth=1.6, label="readings, each without its section")
    ax.axhline(0.0, color="black", linewidth=0.8)
    most = max(1.6 * half, 1.1 * float(np.abs(share - chance).max()))
    ax.set(xlabel="Chance of a reading so low", ylabel="Too many below", xlim=(0, 1), ylim=(-most, most))
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    return ax


def plot_sensitivity(ax: Axes, sensitivity: pd.DataFrame, *, least: float = 0.05) -> Axes:
    """How far what is decided hangs on the priors and on the records.

    Parameters
    ----------
    ax : Axes
    sensitivity : DataFrame
        Columns `words`, `component`, `sensitivity`; components `priors` and `records` are drawn.
    least : float
        Sensitivity worth a look.

    Returns
    -------
    Axes
    """
    names = list(dict.fromkeys(sensitivity["words"]))
    height = -np.arange(len(names), dtype=float)
    for component, mark, colour in (("priors", MARKS[0], CURVES[0][0]), ("records", MARKS[1], RAVELLING)):
        rows = sensitivity[sensitivity["component"] == component].set_index("words")["sensitivity"].reindex(names)
        ax.plot(
            rows.to_numpy(float), height, linestyle="none", marker=mark, markersize=6, color=colour, label=component
        )
    ax.axvline(least, color="black", linewidth=0.8, linestyle=":")
    _named(ax, height, names)
    ax.set(xlabel="Change when the weight doubles")
    ax.set_xlim(left=0.0)
    ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.4, 1.0), ncols=2, title="weight of")
    return ax


def plot_differences(ax: Axes, variants: pd.DataFrame) -> Axes:
    """How much better or worse other models predict the records, with two standard errors.

    Parameters
    ----------
    ax : Axes
    variants : DataFrame
        Columns `what`, `difference`, `standard_error`; those without a difference are left out.

    Returns
    -------
    Axes
    """
    known = variants[variants["difference"].notna()]
    height = -np.arange(len(known), dtype=float)
    ax.errorbar(known["difference"], height, xerr=2.0 * known["standard_error"], linestyle="none", marker="o",
                color=RAVELLING, capsize=3)  # fmt: skip
    ax.axvline(0.0, color="black", linewidth=0.8)
    _named(ax, height, known["what"])
    ax.set(xlabel="Log predictive density less the study's model (two standard errors)")
    return ax
