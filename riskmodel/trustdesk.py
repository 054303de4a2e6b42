"""The stage that checks the calibrated model from draws that exist already: tables and verdicts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import xarray as xr

from .desk import Desk
from .store import digest_of, file_digest, load_table, write_table
from .verdicts import Verdict, not_applicable, verdict_table

if TYPE_CHECKING:
    from .records import Records
    from .sensitivity import Quantities

__all__ = ["CHECKS", "TRUST", "TRUST_MODULES", "build_trust", "trust_digest"]

NAMES = ("trust", "left_out", "reading_scores", "by_group", "predicted", "sensitivity", "first_places")
TRUST = tuple(f"tables/{name}.csv" for name in NAMES)
CHECKS = TRUST[0]
FIT, MOVED = "tables/fit.csv", "tables/moved.csv"
TRUST_MODULES = (
    *("groupfit", "leaveout", "predicted", "readingscores", "sensitivity", "trustchecks", "trustdesk", "verdicts"),
)  # fmt: skip
"""What this stage adds to the modules that make the numbers."""


def trust_digest() -> str:
    """Digest of the modules that only this stage uses."""
    here = Path(__file__).parent
    return digest_of([file_digest(here / f"{name}.py") for name in TRUST_MODULES])


def build_trust(desk: Desk) -> dict[str, str]:
    """Check the calibrated model and write the tables.

    Parameters
    ----------
    desk : Desk
        With every stage before this one in its place.

    Returns
    -------
    dict of str to str
        File name within the results to its digest.
    """
    tables: dict[str, pd.DataFrame] = {}
    verdicts = [*_against_records(desk, tables), *_sensitivity(desk, tables)]
    tables["trust"] = verdict_table(verdicts)
    files = {f"tables/{name}.csv": tables[name].assign(basis=desk.basis) for name in NAMES if name in tables}
    return {name: write_table(table, desk.staging / name) for name, table in files.items()}


def _against_records(desk: Desk, tables: dict[str, pd.DataFrame]) -> Iterator[Verdict]:
    """Checks that need records; each table that is made is added to `tables`."""
    if desk.records is None:
        yield not_applicable(
            "the model against the records", "No record was used: every number is what the priors say.",
            "name the tables of sections and surveys under [records]",
        )  # fmt: skip
        return
    from .groupfit import fit_by_group
    from .predicted import predicted_table
    from .replicas import draw_replicas
    from .trustchecks import group_verdicts, predicted_verdicts, threshold_verdicts

    records, priors, seed = desk.records, desk.priors, desk.study.seed
    posterior = desk.calibration.posterior
    replicas = draw_replicas(posterior, records, priors, seed=seed)
    prior = desk.calibration.tree["prior"].to_dataset()
    tables["predicted"] = predicted_table(prior, records, priors, replicas, seed=seed)
    fit = fit_by_group(posterior, records, priors, replicas, seed=seed)
    tables["by_group"] = fit.table
    yield from predicted_verdicts(tables["predicted"], load_table(desk.found(MOVED)), desk.study.life["early_age"])
    yield from group_verdicts(fit)
    yield from threshold_verdicts(load_table(desk.found(FIT)), fit)
    yield from _left_out(desk, records, tables)


def _left_out(desk: Desk, records: Records, tables: dict[str, pd.DataFrame]) -> Iterator[Verdict]:
    """Every section, and every contract, predicted from all others."""
    likelihood = _likelihood(desk)
    if likelihood is None:
        yield not_applicable("sections left out one by one", "The draws hold no likelihood of single sections.")
        return
    from .leaveout import leave_out, leave_projects_out
    from .lifesettings import LifeSettings
    from .readingscores import reading_scores
    from .trustchecks import left_out_verdicts, score_verdicts, sections_table

    sections = records.sections
    left_out = leave_out(likelihood)
    projects = _texts(sections, "project")
    yield from left_out_verdicts(left_out, leave_projects_out(likelihood, projects))
    scores = reading_scores(
        desk.calibration.posterior, left_out, records, desk.priors, settings=LifeSettings(**desk.study.life),
        seed=desk.study.seed,
    )  # fmt: skip
    tables["reading_scores"] = scores
    tables["left_out"] = sections_table(left_out, scores, projects)
    names = {"section": sections["section"].values.astype(str)}
    groups = pd.DataFrame(names | {column: _texts(sections, column) for column in ("district", "contractor")})
    yield from score_verdicts(scores, groups)


def _texts(sections: xr.Dataset, column: str) -> np.ndarray:
    count = sections.sizes["section"]
    return sections[column].values.astype(str) if column in sections else np.full(count, "")


def _likelihood(desk: Desk) -> xr.DataArray | None:
    """Log-likelihood of every section at every draw, (chain, draw, section); None where the draws hold none."""
    tree = desk.calibration.tree
    return tree["log_likelihood"].to_dataset()["records"] if "log_likelihood" in tree.children else None


def _sensitivity(desk: Desk, tables: dict[str, pd.DataFrame]) -> Iterator[Verdict]:
    """What is decided on, with priors and records given more and less weight."""
    from .inputs import type_mix
    from .lives import Draws
    from .priordensity import prior_densities
    from .sensitivity import decision_quantities, densities_at, first_places, sensitivity_table
    from .trustchecks import sensitivity_verdicts

    decision = None if desk.study.policy is None else desk.decision
    quantities: Quantities = decision_quantities(desk.simulation, decision)
    posterior = desk.calibration.posterior
    table = desk.programme if desk.records is None else desk.records.sections
    by_group = prior_densities(
        Draws.of(posterior), desk.priors, mix=type_mix(table, desk.priors).astype(float),
        early_age=desk.study.life["early_age"],
    )  # fmt: skip
    counts = {len(draws) for _, draws in quantities.values()}
    counts |= set() if decision is None else {decision.sizes["sample"]}
    densities = densities_at(posterior, _likelihood(desk), by_group, counts)
    tables["sensitivity"] = sensitivity_table(quantities, densities)
    if decision is not None:
        tables["first_places"] = first_places(decision, densities)
    yield from sensitivity_verdicts(tables["sensitivity"], tables.get("first_places"))
