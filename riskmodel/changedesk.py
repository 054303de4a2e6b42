"""The stage that says what the last round changed: from a study's desk to tables, a text and a figure."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from .changes import Simulated, changes_table, conflict_table, drift_rows, portfolios_to_follow
from .changewords import DRIFTING, Told, change_lines
from .inputs import type_mix
from .recalibrate import FORMER, calibration_of
from .store import load_table, write_bytes, write_table, write_text

if TYPE_CHECKING:
    import xarray as xr

    from .desk import Desk
    from .records import Records

__all__ = ["CHANGED", "CHANGES", "DRIFT", "build_changes", "told_of"]

CHANGES, DRIFT = "changes.txt", "tables/drift.csv"
TABLES = tuple(f"tables/{name}.csv" for name in ("changes", "surprises", "conflict"))
FIGURE = "figures/drift.svg"
CHANGED = (CHANGES, *TABLES, DRIFT, FIGURE)
"""Files that the stage may make."""
START = "start"
SAMPLES = 1000
LIVES = ("age_in_service", "age_removed", "age_lower", "age_upper", "named")


def build_changes(desk: Desk) -> dict[str, str]:
    """Make the files and return their digests."""
    facts = desk.entries["calibrate"]["facts"]
    before = _before(desk)
    if before is None or desk.records is None:
        empty = pd.DataFrame()
        text = change_lines(Told(facts, empty, empty, empty, empty))
        return {CHANGES: write_text("\n".join(text) + "\n", desk.staging / CHANGES)}
    former, earlier = before
    simulated = _simulated(desk, former, earlier)
    tables = _tables(desk, former, earlier, simulated)
    drift = _drift(desk, simulated, earlier)
    told = Told(facts, *tables, drift)
    files = dict(zip(TABLES, tables, strict=True)) | {DRIFT: drift}
    outputs = {name: write_table(table, desk.staging / name) for name, table in files.items()}
    outputs[FIGURE] = write_bytes(_picture(drift), desk.staging / FIGURE)
    return outputs | {CHANGES: write_text("\n".join(change_lines(told)) + "\n", desk.staging / CHANGES)}


def told_of(desk: Desk) -> Told | None:
    """What the stage found, read from its files; None for a study without rounds."""
    entry = desk.entries.get("changes")
    if entry is None:
        return None
    names = (*TABLES, DRIFT)
    tables = [load_table(desk.found(name)) if name in entry["outputs"] else pd.DataFrame() for name in names]
    return Told(desk.entries["calibrate"]["facts"], *tables)


def _before(desk: Desk) -> tuple[xr.Dataset, Records] | None:
    """Draws and records before the last round; None where the results that hold them are gone."""
    entry = desk.entries["calibrate"]
    if FORMER not in entry["outputs"]:
        return None
    names = entry["facts"]["former_rounds"]
    records = desk.read_tables([each for each in desk.study.rounds if each.name in names])
    if records is None or not records.sections.sizes["section"]:
        return None
    return calibration_of(desk.found(FORMER), entry["outputs"][FORMER]).posterior, records


def _simulated(desk: Desk, former: xr.Dataset, earlier: Records) -> Simulated:
    from .programme import programme_from_records
    from .simulate import simulate

    study, now = desk.study, desk.calibration.posterior
    portfolios = portfolios_to_follow(desk.priors, desk.portfolios)

    def run(draws: xr.Dataset, programme: xr.Dataset) -> xr.Dataset:
        return simulate(
            draws, programme, desk.priors, portfolios=portfolios, seed=study.seed, ages=(), samples=SAMPLES,
            early_age=study.life["early_age"], horizon=study.life["horizon"], score_shift=study.score_shift,
            weight_by_area=study.weight_by_area, progress=desk.progress,
        )  # fmt: skip

    if desk.planned is not None:
        return Simulated(run(former, desk.programme), run(now, desk.programme))
    frozen = programme_from_records(earlier.sections, desk.priors)
    # a contract that the records name no more draws its term anew
    same = frozen.drop_vars(LIVES).equals(desk.programme.drop_vars(LIVES))
    return Simulated(run(former, frozen), run(now, frozen), None if same else run(now, desk.programme))


def _tables(
    desk: Desk, former: xr.Dataset, earlier: Records, simulated: Simulated
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    from .lifesettings import LifeSettings
    from .surprise import surprise_table

    assert desk.records is not None
    study, calibration = desk.study, desk.calibration
    settings = LifeSettings(**study.life)
    mix = type_mix(desk.records.sections, desk.priors).astype(float)
    prior = calibration.tree["prior"].to_dataset()
    return (
        changes_table(former, calibration.posterior, simulated),
        surprise_table(former, earlier, desk.records, desk.priors, settings=settings, seed=study.seed),
        conflict_table(prior, calibration.posterior, desk.priors, early_age=settings.early_age, mix=mix),
    )


def _drift(desk: Desk, simulated: Simulated, earlier: Records) -> pd.DataFrame:
    """Rows of earlier rounds as they were written then, and of the last one, on the programme of then."""
    facts, names = desk.entries["calibrate"]["facts"], [each.name for each in desk.study.rounds]
    size = earlier.sections.sizes["section"] if desk.planned is None else desk.programme.sizes["section"]
    file = desk.results / DRIFT
    past = load_table(file) if file.is_file() else drift_rows(_last(facts), "fit", simulated.before, size)
    past["round"] = past["round"].astype(str)
    past = past[past["round"].isin([START, *names[:-1]])]
    return pd.concat([past, drift_rows(names[-1], facts["way"], simulated.after, size)], ignore_index=True)


def _last(facts: dict[str, object]) -> str:
    names = list(facts["former_rounds"])  # type: ignore[call-overload]
    return str(names[-1]) if names else START


def _picture(drift: pd.DataFrame) -> bytes:
    from .figures import rendered
    from .roundfigures import plot_rounds

    panels = [
        partial(plot_rounds, drift=drift[drift["quantity"] == quantity], quantity=words)
        for quantity, words in DRIFTING.items()
    ]
    return rendered(*panels, size=(7.0, 7.0))
