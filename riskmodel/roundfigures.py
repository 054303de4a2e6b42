"""The figure of how results went from round to round; as in `figures`, axes in and axes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .figures import CRACKING, CURVES, MARKS

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["plot_rounds"]

ROUNDS = (*CURVES[1:], (CRACKING, ":"), ("#7a7a7a", "-"), ("#000000", "--"))


def plot_rounds(ax: Axes, drift: pd.DataFrame, *, quantity: str) -> Axes:
    """How results went from round to round, with 90 % intervals, one line a portfolio.

    Parameters
    ----------
    ax : Axes
    drift : DataFrame
        Rows of one quantity, a share (see `changes.drift_rows`).
    quantity : str
        Label of the axis, a number of 100.

    Returns
    -------
    Axes
    """
    rounds = list(dict.fromkeys(drift["round"]))
    names = list(dict.fromkeys(drift["portfolio"]))[: len(ROUNDS)]
    for n, (name, (colour, dash), mark) in enumerate(zip(names, ROUNDS, MARKS, strict=False)):
        rows = drift[drift["portfolio"] == name]
        x = np.array([float(rounds.index(one)) for one in rows["round"]]) + 0.06 * (n - (len(names) - 1) / 2)
        middle = 100.0 * rows["mean"].to_numpy()
        ends = np.abs(100.0 * rows[["lower", "upper"]].to_numpy().T - middle)
        ax.errorbar(x, middle, yerr=ends, color=colour, linestyle=dash, marker=mark, capsize=3,
                    label=name.replace("_", " "))  # fmt: skip
    ax.set_xticks(range(len(rounds)), rounds)
    ax.set_xlim(-0.4, len(rounds) - 0.6)
    ax.set_ylabel(quantity)
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", alpha=0.3)
    if len(names) > 1:
        ax.legend(frameon=False, fontsize=8, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    return ax
