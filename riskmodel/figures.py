"""Figures: each function takes axes and returns them. No global state, and the same bytes each time."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, PercentFormatter

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from .deletion import Line
    from .exclusion import Exclusion, LifeShift

__all__ = [
    "KINDS",
    "plot_acceptability",
    "plot_fit",
    "plot_frontier",
    "plot_intervals",
    "plot_life",
    "plot_lines",
    "plot_readings",
    "plot_sawing_chances",
    "plot_trial_sizes",
    "plot_with_and_without",
    "rendered",
]

KINDS = ("svg", "png")
"""Kinds of picture `rendered` makes."""

CRACKING, RAVELLING = "#a03a2c", "#2b5d8a"  # far apart in lightness and hue, also for colour-blind readers
CURVES = (("#7a7a7a", ":"), ("#2b5d8a", "-"), ("#b5651d", "--"), ("#5c3a78", "-."))
MOST_POINTS = 4000
MOST_NAMED = 6
"""Curves of one chart that are told apart."""
MARKS = "osD^vP"
_STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "riskmodel",
    "font.size": 10,
    "text.parse_math": False,
}


def plot_sawing_chances(ax: Axes, chances: pd.DataFrame) -> Axes:
    """Chance of a random crack and of a ravelled joint against the hour of the cut.

    Parameters
    ----------
    ax : Axes
    chances : DataFrame
        `hours_after_placing` and, for `random_cracking` and `ravelling`, the mean and its columns
        `_lower` and `_upper` (`questions.SawingAnswer.chances`).

    Returns
    -------
    Axes
    """
    hours = chances["hours_after_placing"].to_numpy()
    styles = (
        ("ravelling", RAVELLING, "--", "ravelling of the joint"),
        ("random_cracking", CRACKING, "-", "random crack"),
    )
    for name, colour, dash, words in styles:
        low, high = (chances[f"{name}_{end}"].to_numpy() for end in ("lower", "upper"))
        ax.fill_between(hours, low, high, color=colour, alpha=0.15, linewidth=0)
        ax.plot(hours, chances[name].to_numpy(), color=colour, linestyle=dash, linewidth=2, label=words)
    ax.set(xlabel="Hours from placing to the cut", ylabel="Chance", xlim=(hours[0], hours[-1]), ylim=(0, 1))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, loc="upper right", title="mean; band: nine in ten samples")
    ax.set_title("Too early ravels the joint, too late cracks the slab", loc="left")
    return ax


def plot_life(
    ax: Axes, simulation: xr.Dataset, portfolios: Sequence[str], *, words: Mapping[str, str] | None = None
) -> Axes:
    """Share of a programme still in good order against age, mean and central 90 % band over draws.

    Parameters
    ----------
    ax : Axes
    simulation : Dataset of kind `simulation`
    portfolios : sequence of str
        At most four.
    words : mapping of str to str, optional
        What the legend says instead of a portfolio's name.

    Returns
    -------
    Axes
    """
    horizon, observed = float(simulation.attrs["horizon"]), float(simulation.attrs["observed_to"])
    ages = simulation["age"].values
    ages = ages[ages <= horizon]
    for portfolio, (colour, dash) in zip(portfolios, CURVES, strict=False):
        survival = simulation["survival"].sel(portfolio=portfolio, age=ages)
        low, high = survival.quantile((0.05, 0.95), "sample").values
        ax.fill_between(ages, low, high, color=colour, alpha=0.15, linewidth=0)
        ax.plot(ages, survival.mean("sample"), color=colour, linestyle=dash, linewidth=2,
                label=(words or {}).get(portfolio, portfolio))  # fmt: skip
    if 0 < observed < horizon:
        ax.axvline(observed, color="black", linewidth=0.8)
        ax.annotate("extrapolated by the path", (observed, 0.02), xytext=(4, 0), textcoords="offset points", fontsize=8)
    ax.set(xlabel="Age, years", ylabel="Share not yet failed", xlim=(0, horizon), ylim=(0, 1))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, loc="upper right", fontsize=8, title="mean; band: 90 % interval", title_fontsize=8)
    return ax


def plot_lines(ax: Axes, exclusion: Exclusion) -> Axes:
    """Readings, the pooled lines through them, and where they reach the threshold.

    Parameters
    ----------
    ax : Axes
    exclusion : Exclusion
        With at least one line; that of all sections, the first deletion and the survivors are drawn.

    Returns
    -------
    Axes
        Lines are solid over the ages that were read and dashed beyond.
    """
    seen, oldest = exclusion.sightings, exclusion.sightings.oldest
    step = -(-int(seen.used.sum()) // MOST_POINTS)
    words = "reading" if step == 1 else f"one reading in {step}"
    ax.scatter(seen.age[seen.used][::step], seen.index[seen.used][::step], s=5, color="#7a7a7a", alpha=0.25,
               linewidths=0, label=words, rasterized=step > 1)  # fmt: skip
    shown = (exclusion.lines[0], *exclusion.lines[1:2], *exclusion.lines[2:][-1:])
    end = _last_age(exclusion)
    for line, (colour, _), mark in zip(shown, (CURVES[1], CURVES[2], CURVES[3]), "osD", strict=False):
        _draw_line(ax, line, seen.threshold, (oldest, end), colour, mark)
    ax.axhline(seen.threshold, color="black", linewidth=0.8)
    ax.annotate(f"threshold {seen.threshold:g}", (0, seen.threshold), xytext=(4, -10), textcoords="offset points",
                fontsize=8)  # fmt: skip
    top = seen.highest + 0.02 * (seen.highest - seen.lowest)
    ax.set(xlabel="Age, years", ylabel="Condition index, points", xlim=(0, end), ylim=(_lowest(exclusion), top))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    title = "line through sections (dashed: beyond the readings)"
    ax.legend(frameon=False, loc="lower right", fontsize=8, title=title, title_fontsize=8)
    ax.set_title("Deleting sections moves a line", loc="left")
    return ax


def _draw_line(ax: Axes, line: Line, threshold: float, ages: tuple[float, float], colour: str, mark: str) -> None:
    """A line over the ages read, dashed beyond them, with a mark where it reaches the threshold."""
    oldest, end = ages
    crossing = line.age[0]
    words = f"{line.words}: {crossing:.1f} years" if math.isfinite(crossing) else f"{line.words}: never"
    last = min(max(crossing, oldest), end)
    for part, dash in (((0.0, oldest), "-"), ((oldest, last), "--")):
        ax.plot(part, [line.start + line.slope * age for age in part], color=colour, linestyle=dash, linewidth=2,
                label=words if dash == "-" else None)  # fmt: skip
    if crossing <= end:
        ax.plot([crossing], [threshold], marker=mark, color=colour, markersize=7, markeredgecolor="white", zorder=3)


def plot_with_and_without(ax: Axes, exclusion: Exclusion) -> Axes:
    """Share not yet failed with the early mechanisms and without them.

    Parameters
    ----------
    ax : Axes
    exclusion : Exclusion

    Returns
    -------
    Axes
    """
    end = _last_age(exclusion)
    inside = slice(int(np.searchsorted(exclusion.ages, end)) + 1)
    ages = exclusion.ages[inside]
    curves = exclusion.survival[:, :, inside]
    drawn = len(curves) > 1
    for j, (words, (colour, dash)) in enumerate(
        (("with the early mechanisms", (CRACKING, "-")), ("without them", (RAVELLING, "--")))
    ):
        if drawn:
            low, high = np.quantile(curves[:, j], (0.05, 0.95), axis=0)
            ax.fill_between(ages, low, high, color=colour, alpha=0.15, linewidth=0)
        ax.plot(ages, curves[:, j].mean(axis=0), color=colour, linestyle=dash, linewidth=2, label=words)
    for name, share, words in (("b10_age", 0.9, "nine in ten outlive"), ("median_age", 0.5, "half outlive")):
        _draw_gain(ax, exclusion.quantity(name), share, words)
    if 0 < exclusion.observed_to < end:
        ax.axvline(exclusion.observed_to, color="black", linewidth=0.8)
        ax.annotate("extrapolated by the path", (exclusion.observed_to, 0.02), xytext=(4, 0),
                    textcoords="offset points", fontsize=8)  # fmt: skip
    ax.set(xlabel="Age, years", ylabel="Share not yet failed", xlim=(0, end), ylim=(0, 1.02))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, loc="lower left", fontsize=8, title="mean; band: 90 % interval" if drawn else None,
              title_fontsize=8)  # fmt: skip
    ax.set_title("Preventing every early failure moves life", loc="left")
    return ax


def _draw_gain(ax: Axes, shift: LifeShift, share: float, words: str) -> None:
    """An arrow from the age with the early mechanisms to that without, and the years between."""
    start, stop = shift.with_early[0], shift.without_early[0]
    arrow = {"arrowstyle": "-|>", "color": "black", "linewidth": 1, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", (stop, share), xytext=(start, share), arrowprops=arrow)
    ax.annotate(f"{words}: {shift.gain[0]:+.1f} years", (max(start, stop), share), xytext=(7, 0), va="center",
                textcoords="offset points", fontsize=8)  # fmt: skip


def _last_age(exclusion: Exclusion) -> float:
    """Common end of the two panels, years."""
    crossings = [line.age[0] for line in exclusion.lines if math.isfinite(line.age[0])]
    wanted = max([exclusion.sightings.oldest, 1.5 * exclusion.quantity("median_age").without_early[0], *crossings])
    return min(10.0 * math.ceil(1.05 * wanted / 10.0), 150.0)


def _lowest(exclusion: Exclusion) -> float:
    seen = exclusion.sightings
    low = min(float(seen.index[seen.used].min()), seen.threshold)
    return max(low - 0.25 * (seen.highest - low), seen.lowest)


# ------------------------------------------------------------------------------------ results of a study


def plot_intervals(
    ax: Axes, words: Sequence[str], sets: Mapping[str, Sequence[tuple[float, float, float]]], *, quantity: str
) -> Axes:
    """Numbers with their 90 % intervals, one row a name, first at the top.

    Parameters
    ----------
    ax : Axes
    words : sequence of str
        Names of the rows.
    sets : mapping of str to sequence of tuple
        Name of each set to (mean, lower, upper) by row; one set needs no name. NaN: no mark.
    quantity : str
        Label of the axis.

    Returns
    -------
    Axes
    """
    styles = (CURVES[1], CURVES[2]) if len(sets) == 1 else (CURVES[2], CURVES[1])
    step = 0.0 if len(sets) == 1 else 0.34
    for place, ((name, rows), (colour, _), mark) in enumerate(zip(sets.items(), styles, MARKS, strict=False)):
        mean, lower, upper = np.array(rows, float).reshape(-1, 3).T
        height = -np.arange(len(mean)) + step * (0.5 * (len(sets) - 1) - place)
        ax.hlines(height, lower, upper, color=colour, linewidth=2.5, alpha=0.55)
        ax.plot(mean, height, linestyle="none", marker=mark, color=colour, markersize=6, label=name)
    if ax.get_xlim()[0] < 0 < ax.get_xlim()[1]:
        ax.axvline(0.0, color="black", linewidth=0.8)
    ax.set(xlabel=quantity, ylim=(-len(words) + 0.4, 0.6))
    ax.set_yticks(-np.arange(len(words)), words)
    ax.spines[["top", "right", "left"]].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", alpha=0.3)
    if len(sets) > 1:
        ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=len(sets))
    return ax


def plot_frontier(ax: Axes, frontier: pd.DataFrame, *, money: str) -> Axes:
    """Years gained against extra first cost, and the line through the portfolios that nothing cheaper matches.

    Parameters
    ----------
    ax : Axes
    frontier : DataFrame
        Columns `words`, `extra_first_cost`, `years_gained`, `status` (`on the frontier` for those on the line).
    money : str
        What costs are stated in.

    Returns
    -------
    Axes
    """
    on = (frontier["status"] == "on the frontier").to_numpy()
    cost, years = (frontier[name].to_numpy(float) for name in ("extra_first_cost", "years_gained"))
    order = np.flatnonzero(on)[np.argsort(cost[on], kind="stable")]
    ax.plot(cost[order], years[order], color=CURVES[1][0], linewidth=2, marker="o", label="nothing else gains as much")
    ax.plot(cost[~on], years[~on], color=CURVES[0][0], linestyle="none", marker="D", markersize=5,
            label="another gains more for its cost")  # fmt: skip
    middle = float(np.median(cost))
    for i in order:
        side = "left" if cost[i] <= middle else "right"
        ax.annotate(str(frontier["words"].iloc[i]), (cost[i], years[i]), fontsize=8, ha=side,
                    xytext=(6 if side == "left" else -6, 6), textcoords="offset points")  # fmt: skip
    ax.set(ylabel="Years gained within the horizon")
    _money_axis(ax, "Extra first cost", money, float(np.abs(cost).max()))
    ax.margins(x=0.08, y=0.18)
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(alpha=0.3)
    ax.legend(frameon=False, fontsize=8, loc="lower right")
    return ax


def _money_axis(ax: Axes, words: str, money: str, largest: float) -> None:
    """Amounts along the axis in units, thousands or millions, few enough to be read."""
    unit, name = next((u, n) for u, n in ((1e6, "million "), (1e3, "thousand "), (1.0, "")) if largest >= u or u == 1.0)
    ax.xaxis.set_major_locator(MaxNLocator(6))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / unit:g}".replace("-", "\N{MINUS SIGN}")))
    ax.set_xlabel(f"{words}, {name}{money}")


def plot_acceptability(ax: Axes, acceptability: pd.DataFrame, *, money: str) -> Axes:
    """Chance that a portfolio is the best buy against what a section-year is worth.

    Parameters
    ----------
    ax : Axes
    acceptability : DataFrame
        Columns `payment_per_section_year`, `words`, `chance_best`, `on_frontier` ("yes" where it has the
        greatest expected benefit). Of more than six portfolios those with the greatest chance anywhere are
        named, the others drawn in grey.
    money : str

    Returns
    -------
    Axes
    """
    wide = acceptability.pivot(index="payment_per_section_year", columns="words", values="chance_best")
    first = acceptability[acceptability["on_frontier"] == "yes"].set_index("payment_per_section_year")["words"]
    named = wide.max().sort_values(ascending=False).index[:MOST_NAMED]
    for words in wide.columns.difference(named):
        ax.plot(wide.index, wide[words], color=CURVES[0][0], linewidth=0.8, alpha=0.6)
    styles = [(colour, dash) for dash in ("-", "--") for colour in (CURVES[1][0], CURVES[2][0], CURVES[3][0])]
    for words, (colour, dash), mark in zip(named, styles, MARKS, strict=False):
        best = (first == words).reindex(wide.index, fill_value=False).to_numpy()
        ax.plot(wide.index, wide[words], color=colour, linestyle=dash, linewidth=2, label=words)
        ax.plot(wide.index[best], wide[words][best], color=colour, linestyle="none", marker=mark, markersize=4)
    ax.set(ylabel="Chance of being the best buy", ylim=(0, 1))
    _money_axis(ax, "What a section-year is worth", money, float(wide.index.max()))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, fontsize=8, title="marks: greatest expected benefit", title_fontsize=8)
    return ax


def plot_fit(ax: Axes, fit: pd.DataFrame, *, quantity: str) -> Axes:
    """A life table of the records beside the model.

    Parameters
    ----------
    ax : Axes
    fit : DataFrame
        One curve of `criticism.fit_table`.
    quantity : str
        Label of the axis.

    Returns
    -------
    Axes
    """
    age = fit["age"].to_numpy(float)
    ax.fill_between(age, fit["lower"], fit["upper"], color=RAVELLING, alpha=0.18, linewidth=0)
    ax.plot(age, fit["model"], color=RAVELLING, linewidth=2, label="model (band: nine in ten)")
    ax.plot(age, fit["recorded"], color=CURVES[2][0], drawstyle="steps-post", linewidth=2, label="records")
    if fit["recorded_lower"].notna().any():
        for end in ("recorded_lower", "recorded_upper"):
            ax.plot(age, fit[end], color=CURVES[2][0], drawstyle="steps-post", linestyle=":", linewidth=1.2)
    lowest = float(min(fit[["recorded", "lower"]].min()))
    floor = max(math.floor(10.0 * lowest - 1.0) / 10.0, 0.0) if lowest > 0.5 else 0.0
    ax.set(xlabel="Age, years", ylabel=quantity, xlim=(age[0], age[-1]), ylim=(floor, 1.01))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, fontsize=8, loc="lower left")
    return ax


def plot_readings(ax: Axes, readings: pd.DataFrame) -> Axes:
    """Where the readings of each age lie among simulated ones, as normal scores.

    Parameters
    ----------
    ax : Axes
    readings : DataFrame
        See `criticism.readings_table`.

    Returns
    -------
    Axes
    """
    classes = readings[["age_from", "age_to"]].drop_duplicates().to_numpy()
    place = {start: i for i, (start, _) in enumerate(classes)}
    for level in sorted(readings["level"].unique().tolist()):
        rows = readings[readings["level"] == level]
        x = np.array([place[start] for start in rows["age_from"]], float)
        ax.bar(x, rows["upper"] - rows["lower"], bottom=rows["lower"], width=0.5, color=RAVELLING, alpha=0.25,
               label="simulated, nine in ten" if level == 0.5 else None)  # fmt: skip
        ax.plot(x, rows["recorded"], linestyle="none", marker="D", color=CURVES[2][0], markersize=6,
                label="records" if level == 0.5 else None)  # fmt: skip
        ax.annotate(f"{100 * level:g} of 100", (x[-1] + 0.32, rows["expected"].iloc[-1]), fontsize=8, va="center")
    ax.hlines(0.0, -0.5, len(classes) - 0.7, color="black", linewidth=0.8)
    ax.set_xticks(range(len(classes)), [f"{start:g} to {stop:.0f}" for start, stop in classes])
    ax.set(xlabel="Age at the reading, years", ylabel="Against simulated, sd")
    ax.set_xlim(-0.5, len(classes) + 0.1)
    ax.spines[["top", "right"]].set_visible(False)
    ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    return ax


def plot_trial_sizes(ax: Axes, trials: pd.DataFrame, *, unit: str) -> Axes:
    """Net value of a trial against its size, one line a length.

    Parameters
    ----------
    ax : Axes
    trials : DataFrame
        Columns `sections` (in each arm), `years`, `net`, `net_error`.
    unit : str

    Returns
    -------
    Axes
    """
    lengths = sorted(trials["years"].unique())
    for years, (colour, dash), mark in zip(lengths, CURVES[1:], MARKS, strict=False):
        rows = trials[trials["years"] == years].sort_values("sections")
        ax.errorbar(rows["sections"], rows["net"], yerr=2.0 * rows["net_error"], color=colour, linestyle=dash,
                    marker=mark, capsize=3, label=f"{years:g} years")  # fmt: skip
    ax.axhline(0.0, color="black", linewidth=0.8)
    ax.set(xlabel="Sections with the measure, and as many without", ylabel=f"Net value, {unit}")
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, fontsize=8, title="yearly surveys for", title_fontsize=8)
    return ax


def rendered(*panels: Callable[[Axes], Axes], kind: str = "svg", size: tuple[float, float] = (7.0, 4.2)) -> bytes:
    """A picture with one pair of axes a panel, one below the other.

    Parameters
    ----------
    *panels : callable
        Each draws on the axes it is given.
    kind : {"svg", "png"}
    size : tuple of float
        Inches.

    Returns
    -------
    bytes
        The same for the same drawing: no date, no version, no random names.
    """
    metadata = {"svg": {"Date": None, "Creator": None}, "png": {"Software": None}}[kind]
    content = BytesIO()
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=size, layout="constrained")
        for axes, draw in zip(figure.subplots(len(panels), squeeze=False)[:, 0], panels, strict=True):
            draw(axes)
        figure.savefig(content, format=kind, dpi=150, metadata=metadata)
    return content.getvalue()
