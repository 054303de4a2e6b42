"""Tables and figure of the runs in `wholeruns`, for `studies/calibration_of_the_whole`.

python tests/wholetables.py [--folder .statistics/whole]
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from misfits import MISFITS
from rankbands import Band, cumulative
from wholeruns import FOLDER, RANKS, TOP, stored

HERE = TOP / "studies" / "calibration_of_the_whole"
LEVEL = 0.99
LIFE = ("early_failure_probability", "b10_age", "life_gain")
Cases = dict[int, dict[str, Any]]


def rank_table(cases: Cases) -> pd.DataFrame:
    """One row a data set: its number, what the gate said, and the rank of every quantity."""
    rows = []
    for number, case in sorted(cases.items()):
        verdicts = {name: passed for name, (_, passed) in case["checks"].items()}
        head = {"case": number, **{name: case["facts"][name] for name in ("readings", "removed")}}
        head |= {"diverged": int(not verdicts["share of diverging draws"]), "gate": int(all(verdicts.values()))}
        # intercepts are worked out from other parameters
        rows.append(head | {name: rank for name, rank in case["ranks"].items() if not name.startswith("intercept")})
    return pd.DataFrame(rows)


def ranks_in(table: pd.DataFrame, *, diverged: bool = False) -> pd.DataFrame:
    """Ranks alone, (data set, quantity), without those whose draws diverged unless asked for."""
    kept = table if diverged else table[table["diverged"] == 0]
    return kept.drop(columns=["case", "readings", "removed", "diverged", "gate"])


def outside(ranks: pd.DataFrame, *, joint: bool) -> list[str]:
    """Quantities whose ranks leave the band, of all quantities together or each on its own."""
    band = Band(len(ranks), RANKS, LEVEL, ranks.shape[1] if joint else 1)
    return [name for name, holds in zip(ranks, band.holds(ranks.to_numpy().T), strict=True) if not holds]


def misfit_table(folder: Path) -> pd.DataFrame:
    """Bias and coverage of the life quantities by kind of misfit, beside the same data sets without one."""
    without, rows = stored(folder / "none"), []
    for kind in MISFITS:
        cases = stored(folder / kind)
        shared = sorted(set(cases) & set(without)) if kind != "none" else sorted(cases)
        for name in without[min(without)]["quantities"] if shared else ():
            rows.append({"misfit": kind, "quantity": name} | _bias(cases, without, shared, name))
    return pd.DataFrame(rows)


def _bias(cases: Cases, without: Cases, shared: list[int], name: str) -> dict[str, float]:
    """Of one quantity: how far posterior means lie from the truth, and how often the interval holds it."""
    own, plain = ([c[i]["quantities"][name] for i in shared] for c in (cases, without))
    error = np.array([[q["mean"] - q["truth"] for q in side] for side in (own, plain)])
    sd = np.array([q["sd"] for q in own])
    return {
        "data_sets": len(shared),
        "truth": float(np.mean([q["truth"] for q in own])),
        "bias": float(error[0].mean()),
        "bias_without": float(error[1].mean()),
        "bias_in_sd": float((error[0] / sd).mean()),
        "moved_in_sd": float(((error[0] - error[1]) / sd).mean()),
        "inside_90": sum(q["lower"] <= q["truth"] <= q["upper"] for q in own),
        "inside_90_without": sum(q["lower"] <= q["truth"] <= q["upper"] for q in plain),
    }


def plot_ranks(path: Path, ranks: pd.DataFrame) -> None:
    """Cumulative share of ranks less its expectation, with both bands."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "ranks"
    import matplotlib.pyplot as plt

    expected = np.arange(1, RANKS) / RANKS
    curves = cumulative(ranks.to_numpy().T, RANKS) / len(ranks) - expected
    fig, axes = plt.subplots(1, 2, figsize=(10, 4), sharey=True, layout="constrained")
    life = np.array([name.startswith(LIFE) for name in ranks])
    for ax, own, title in ((axes[0], life, "life quantities"), (axes[1], ~life, "parameters")):
        for joint, shade in ((True, "0.9"), (False, "0.8")):
            band = Band(len(ranks), RANKS, LEVEL, ranks.shape[1] if joint else 1)
            low, high = (np.asarray(edge) / len(ranks) - expected for edge in (band.lower, band.upper))
            words = f"99 % band, {'all quantities together' if joint else 'one quantity'}"
            ax.fill_between(expected, low, high, color=shade, step="post", label=words)
        names = [n for n, here in zip(ranks, own, strict=True) if here]
        for name, curve in zip(names, curves[own], strict=True):
            many = {} if own is life else {"color": "C0", "alpha": 0.4, "linewidth": 0.7, "rasterized": True}
            ax.step(expected, curve, where="post", label=name if own is life else None, **many)
        ax.set(title=f"{title}, {len(ranks)} data sets", xlabel="rank of the truth (share)")
        ax.legend(fontsize=6)
    axes[0].set_ylabel("cumulative share less expected")
    fig.savefig(path, dpi=110, metadata={"Date": None})
    plt.close(fig)


def main(folder: Path) -> None:
    """Write the tables and the figure."""
    HERE.mkdir(exist_ok=True)
    table = rank_table(stored(folder / "none"))
    table.to_csv(HERE / "ranks.csv", index=False, lineterminator="\n")
    misfit_table(folder).round(4).to_csv(HERE / "misfits.csv", index=False, lineterminator="\n")
    plot_ranks(HERE / "ranks.svg", ranks_in(table))
    for diverged in (False, True):
        ranks = ranks_in(table, diverged=diverged)
        words = "with" if diverged else "without"
        print(f"{len(ranks)} data sets {words} those that diverged, {ranks.shape[1]} quantities")
        print("outside the joint band:", outside(ranks, joint=True))
        print("outside their own band:", outside(ranks, joint=False))
    print(f"gate passed: {table['gate'].sum()} of {len(table)}; diverged: {table['diverged'].sum()}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=FOLDER)
    main(parser.parse_args().folder)
