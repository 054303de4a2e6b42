"""From finished results to a folder of prior files: checked by reading them before they are put in place."""

from __future__ import annotations

import os
import shutil
import uuid
from pathlib import Path

from .carried import section_marks
from .errors import StoreError
from .inputs import type_mix
from .pipeline import open_results
from .priors import load_priors
from .recalibrate import POSTERIOR
from .store import write_json, write_table, write_text
from .study import Study

__all__ = ["export_priors"]

FILE, CORRELATIONS = "carried.toml", "correlations.csv"


def export_priors(study: Study, target: Path, out: Path | None = None) -> list[Path]:
    """Write the posterior of a study as prior files.

    Parameters
    ----------
    study : Study
    target : Path
        A folder that does not exist yet.
    out : Path, optional
        Folder of the results.

    Returns
    -------
    list of Path
        The files.

    Raises
    ------
    StoreError
        When there are no up-to-date results of records, or the folder is there already.
    """
    from .carry import carry_on, scales_in_use, toml_text
    from .jointfile import joint_table

    if target.exists():
        raise StoreError(f"{target.name} is there already. Name a new folder.")
    desk = open_results(study, out, needs=("calibrate",))
    if desk.records is None:
        raise StoreError("the study has no records, so its draws are the priors that it read. Copy those instead.")
    digest = str(desk.entries["calibrate"]["outputs"][POSTERIOR])
    count = desk.records.sections.sizes["section"]
    source = f"posterior of {count} sections of another study, digest {digest[:16]}"
    marks = [mark for marks in section_marks(desk.records).values() for mark in marks]
    mix = type_mix(desk.records.sections, desk.priors).astype(float)
    posterior, age = desk.calibration.posterior, study.life["early_age"]
    carried = carry_on(posterior, desk.priors, early_age=age, mix=mix, source=source, marks=marks)
    tables = dict(carried.tables)
    scales_in_use(tables, desk.priors)
    about = {"study": study.title, "agency": study.agency, "sections": count, "posterior_sha256": digest,
             "inputs": desk.digests, "rounds": [each.name for each in study.rounds]}  # fmt: skip
    beside = target.with_name(f".{target.name}.{uuid.uuid4().hex[:8]}")
    try:
        write_text(toml_text(tables), beside / FILE)
        write_table(joint_table(load_priors(beside), carried.correlations), beside / CORRELATIONS)
        tables["carried"]["correlations"] = CORRELATIONS
        write_text(toml_text(tables), beside / FILE)
        write_json(about, beside / "provenance.json")
        load_priors(beside)
        os.rename(beside, target)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return sorted(target.iterdir())
