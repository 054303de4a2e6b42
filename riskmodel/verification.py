"""Are results whole, and do they rest on what the study says now? Digests are worked out anew; nothing is written."""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .desk import Desk
from .errors import RiskModelWarning, StoreError
from .provenance import PROVENANCE, STAGING, Provenance, results_folder
from .rounds import ABOUT, FOLDER
from .stages import stage_keys, stages_of
from .store import JOURNAL, LOCK_NAME, file_digest, read_json, versions
from .study import Study

__all__ = ["FAULTY", "Finding", "verify_study"]

WHOLE, STALE, DAMAGED, MISSING, UNFINISHED, UNKNOWN = "whole", "stale", "damaged", "missing", "unfinished", "unknown"
FAULTY = (DAMAGED, MISSING, STALE, UNFINISHED)
"""States that keep results from being whole."""


@dataclass(frozen=True)
class Finding:
    """What was found of one file or stage.

    Parameters
    ----------
    state : {"whole", "stale", "damaged", "missing", "unfinished", "unknown"}
    name : str
        File within the study, or stage.
    words : str
        Why, and what to do; empty where all is well.
    """

    state: str
    name: str
    words: str = ""


def verify_study(study: Study, out: Path | None = None) -> list[Finding]:
    """Compare every file of the results and of the rounds with the digest noted when it was written.

    Parameters
    ----------
    study : Study
    out : Path, optional
        Folder of the results; default `results` beside the study.

    Returns
    -------
    list of Finding
        One a file, one a stage that is stale.

    Raises
    ------
    RiskModelError
        When there are no results, they are another study's, or an input is at fault.
    """
    folder = results_folder(study, out)
    noted = Provenance.read(folder, study)
    pending = (folder / STAGING / JOURNAL).is_file()
    if not noted.content and not pending:
        raise StoreError(f"there are no results in {folder.name} yet. Make them with `riskmodel run`.")
    if pending:
        words = "the hand-over of finished files was cut short; `riskmodel run` or `show` carries it on"
        return [Finding(UNFINISHED, folder.name, words), *_rounds(study)]
    return [*_outputs(noted), *_stale(study, noted), *_unknown(noted), *_rounds(study)]


def _outputs(noted: Provenance) -> Iterator[Finding]:
    """Every file that a stage wrote."""
    for entry in noted.stages.values():
        for name, digest in entry["outputs"].items():
            yield _compared(noted.folder / name, f"{noted.folder.name}/{name}", digest, "`riskmodel run` rebuilds it")


def _compared(file: Path, name: str, digest: object, remedy: str) -> Finding:
    if not file.is_file():
        return Finding(MISSING, name, remedy)
    if file_digest(file) != digest:
        return Finding(DAMAGED, name, f"not the file that was written; {remedy}")
    return Finding(WHOLE, name)


def _rounds(study: Study) -> Iterator[Finding]:
    """Every table that `update` took in, as it came."""
    for each in study.rounds:
        folder = study.folder / FOLDER / each.name
        for kind, noted in read_json(folder / ABOUT)["files"].items():
            file = getattr(each, kind, None) or folder / kind
            digest = noted.get("sha256") if isinstance(noted, dict) else None
            remedy = "put back the table that was delivered, or take the round away and deliver it again"
            yield _compared(file, f"{FOLDER}/{each.name}/{file.name}", digest, remedy)


def _unknown(noted: Provenance) -> Iterator[Finding]:
    """Files of which no digest is kept: what was asked of the results afterwards, and what others put there."""
    known = {name for entry in noted.stages.values() for name in entry["outputs"]} | {PROVENANCE, LOCK_NAME}
    for file in sorted(noted.folder.rglob("*")):
        name = file.relative_to(noted.folder).as_posix()
        if file.is_file() and name not in known and not name.startswith(f"{STAGING}/"):
            yield Finding(UNKNOWN, f"{noted.folder.name}/{name}", "no stage of a run made it, so no digest is kept")


def _stale(study: Study, noted: Provenance) -> Iterator[Finding]:
    """Stages that a run would make anew, and why."""
    asked = noted.with_noted(study)
    desk = Desk(asked, noted.folder / STAGING, progress=lambda done, total, text: None)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RiskModelWarning)
        desk.read_inputs()
        keys = stage_keys(asked, desk.priors)
        changed = ", ".join(_changes(noted, desk)) or "the program or the choice of measures"
    stages = stages_of(asked)
    for stage in stages:
        entry = noted.entry(stage)
        if not entry:
            yield Finding(STALE, stage.name, "it was not made; `riskmodel run` makes it")
        elif entry.get("key") != keys[stage.name]:
            yield Finding(STALE, stage.name, f"changed since: {changed}; `riskmodel run` makes it anew")
    for name in set(noted.stages) - {stage.name for stage in stages}:
        yield Finding(STALE, name, "the study does not ask for it any more; `riskmodel run` takes it out")


def _changes(noted: Provenance, desk: Desk) -> Iterator[str]:
    """Inputs, settings and packages that are not those noted."""
    now = {"inputs": desk.digests, "settings": json.loads(json.dumps(desk.settings)), "versions": versions()}
    portfolios = "portfolios"  # a search adds to them
    for kind, words in (("inputs", ""), ("settings", "setting "), ("versions", "version of ")):
        before, after = _flat(noted.content.get(kind, {})), _flat(now[kind])
        names = sorted({*before, *after} - {portfolios} if desk.study.searches else {*before, *after})
        yield from (f"{words}{name}" for name in names if before.get(name) != after.get(name))


def _flat(table: Mapping[str, Any], above: str = "") -> dict[str, Any]:
    """A nested table with dotted names."""
    flat: dict[str, Any] = {}
    for name, value in table.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{above}{name}.")
        else:
            flat[f"{above}{name}"] = value
    return flat
