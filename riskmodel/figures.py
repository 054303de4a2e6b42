"""Figures: each function takes axes and returns them. No global state, and the same bytes each time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

__all__ = ["KINDS", "plot_life", "plot_sawing_chances", "rendered"]

KINDS = ("svg", "png")
"""Kinds of picture `rendered` makes."""

CRACKING, RAVELLING = "#a03a2c", "#2b5d8a"  # far apart in lightness and hue, also for colour-blind readers
CURVES = (("#7a7a7a", ":"), ("#2b5d8a", "-"), ("#b5651d", "--"), ("#5c3a78", "-."))
_STYLE: dict[Any, Any] = {"svg.fonttype": "none", "svg.hashsalt": "riskmodel", "font.size": 10}


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


def plot_life(ax: Axes, simulation: xr.Dataset, portfolios: Sequence[str]) -> Axes:
    """Share of a programme still in good order against age, mean and central 90 % band over draws.

    Parameters
    ----------
    ax : Axes
    simulation : Dataset of kind `simulation`
    portfolios : sequence of str
        At most four.

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
        ax.plot(ages, survival.mean("sample"), color=colour, linestyle=dash, linewidth=2, label=portfolio)
    if 0 < observed < horizon:
        ax.axvline(observed, color="black", linewidth=0.8)
        ax.annotate("extrapolated by the path", (observed, 0.02), xytext=(4, 0), textcoords="offset points", fontsize=8)
    ax.set(xlabel="Age, years", ylabel="Share not yet failed", xlim=(0, horizon), ylim=(0, 1))
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    ax.legend(frameon=False, loc="upper right", title="mean; band: 90 % interval")
    return ax


def rendered(draw: Callable[[Axes], Axes], *, kind: str = "svg", size: tuple[float, float] = (7.0, 4.2)) -> bytes:
    """A picture with one pair of axes.

    Parameters
    ----------
    draw : callable
        Draws on the axes it is given.
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
        draw(figure.add_subplot())
        figure.savefig(content, format=kind, dpi=150, metadata=metadata)
    return content.getvalue()
