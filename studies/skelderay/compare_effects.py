"""Elicited against physical priors of the four measures' effects, as the tables of README.md.

    python studies/skelderay/compare_effects.py

Nothing is calibrated: the second table holds the priors' own answer for the sections of the demo.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from riskmodel.measures import CURRENT_PRACTICE, REFERENCES, Portfolio
from riskmodel.physicalpriors import compare_effects
from riskmodel.priordraws import prior_draws
from riskmodel.priors import PriorSet
from riskmodel.simulate import simulate
from riskmodel.stages import Desk
from riskmodel.study import read_study

HERE = Path(__file__).resolve().parent
MEASURES = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")
DRAWS, EVERY = 400, 7  # of the priors; and every so manyth section


def effects_table(priors: PriorSet) -> str:
    """Odds ratios, 5 / 50 / 95 %, of every effect that has both priors."""
    lines = [
        "| measure | on | elicited | physical | sub-model | tail area |",
        "|---|---|---|---|---|---|",
    ]
    for found in compare_effects(priors):
        if found.measure in MEASURES:
            both = (" / ".join(f"{ratio:.2f}" for ratio in ratios) for ratios in (found.elicited, found.physical))
            causes = " and ".join(name.replace("_", " ") for name in found.mechanisms)
            verdict = " (conflict)" if found.conflict else ""
            elicited, physical = both
            lines.append(
                f"| {found.measure} | {causes} | {elicited} | {physical} | {found.model} "
                f"| {found.tail_area:.2f}{verdict} |"
            )
    return "\n".join(lines)


def cut_by_each(desk: Desk) -> dict[str, str]:
    """Early failures in 100 that each measure prevents on top of current practice, mean and 90 % interval."""
    study, alone = desk.study, tuple(Portfolio(name, (name,)) for name in MEASURES)
    drawn = prior_draws(desk.priors, draws=DRAWS, seed=study.seed, early_age=study.life["early_age"])
    result = simulate(
        drawn,
        desk.programme.isel(section=slice(None, None, EVERY)),
        desk.priors,
        portfolios=(*REFERENCES, *alone),
        **study.life,
        seed=study.seed,
        samples=DRAWS,
    )
    failing = 100.0 * result["value"].sel(quantity="early_failure_probability")
    return {name: _said(failing.sel(portfolio=CURRENT_PRACTICE) - failing.sel(portfolio=name)) for name in MEASURES}


def _said(draws: xr.DataArray) -> str:
    low, high = np.quantile(draws.values, (0.05, 0.95))
    return f"{float(draws.mean()):.2f} ({low:.2f} to {high:.2f})"


def prevented_table(elicited: Desk, physical: Desk) -> str:
    """What each measure prevents under both priors."""
    one, other = cut_by_each(elicited), cut_by_each(physical)
    lines = ["| measure | elicited priors | physical priors |", "|---|---|---|"]
    return "\n".join(lines + [f"| {name} | {one[name]} | {other[name]} |" for name in MEASURES])


def desk_of(name: str) -> Desk:
    """The inputs of a study of this folder."""
    desk = Desk(read_study(HERE / name), HERE, progress=lambda done, total, text: None)
    desk.read_inputs()
    return desk


def main() -> None:
    """Print both tables."""
    elicited, physical = desk_of("elicited.toml"), desk_of("study.toml")
    print(effects_table(elicited.priors))
    print()
    print(prevented_table(elicited, physical))


if __name__ == "__main__":
    main()
