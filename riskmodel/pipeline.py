"""The stages of a run: each has a key over what it reads, and is skipped while key and output stand.

New files are made in a folder of their own inside the results and handed over together at the end,
so an interrupted run leaves the old results whole and the next one goes on where it stopped.
"""

from __future__ import annotations

import contextlib
import shutil
import time
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from .crew import Crew
from .desk import SEARCH, Desk
from .errors import ClusterError, RiskModelError, RiskModelWarning, StoreError
from .provenance import PROVENANCE, SCHEMA, STAGING, Provenance, results_folder
from .report import main_table
from .stages import PORTFOLIOS, REPORT, STAGES, Stage, stage_keys, stages_of, threshold_stage
from .store import (
    JOURNAL,
    LOCK_NAME,
    complete_publication,
    file_digest,
    lock_folder,
    publish,
    take_away,
    versions,
    write_json,
)
from .study import Study
from .thresholds import OPTION, file_of

__all__ = [
    "PROVENANCE",
    "Outcome",
    "Quiet",
    "Watcher",
    "open_results",
    "remake",
    "results_folder",
    "run_study",
    "show_results",
]


class Watcher(Protocol):
    """Who is told how far a run is."""

    def begin(self, words: str, hint: str = "") -> None:
        """A stage begins; `hint` says what to expect."""

    def advance(self, done: int, total: int, text: str) -> None:
        """Part of a stage is done."""

    def end(self, words: str, seconds: float | None) -> None:
        """A stage ended after `seconds`, or was up to date (None)."""

    def note(self, text: str) -> None:
        """The result stands, but read it with this in mind."""


class Quiet:
    """A watcher that says nothing."""

    def begin(self, words: str, hint: str = "") -> None:
        """Say nothing."""

    def advance(self, done: int, total: int, text: str) -> None:
        """Say nothing."""

    def end(self, words: str, seconds: float | None) -> None:
        """Say nothing."""

    def note(self, text: str) -> None:
        """Say nothing."""


@dataclass(frozen=True)
class Outcome:
    """What a run did.

    Parameters
    ----------
    folder : Path
        The results.
    built : tuple of str
        Stages that were run; all others were up to date.
    """

    folder: Path
    built: tuple[str, ...]


def run_study(
    study: Study,
    *,
    out: Path | None = None,
    fresh: bool = False,
    command: str = "",
    watcher: Watcher | None = None,
    crew: Crew | None = None,
) -> Outcome:
    """Bring the results of a study up to date.

    Calibrations at other thresholds that an earlier run made stay part of the results while they stand.

    Parameters
    ----------
    study : Study
        With the other thresholds that are asked for.
    out : Path, optional
        Folder of the results; default `results` beside the study.
    fresh : bool
        Run every stage, up to date or not.
    command : str
        What the user typed, for the provenance.
    watcher : Watcher, optional
        Is told how far the run is.
    crew : Crew, optional
        Who works what can be shared out; threads of this machine by default.

    Raises
    ------
    RiskModelError
        When an input is at fault, the calibration fails its gate, or the folder is another study's,
        in use or not writable. The old results stay as they were.
    """
    folder = results_folder(study, out)
    watcher = watcher or Quiet()
    _validate_folder(folder)
    _mend(folder)
    ledger = Provenance.read(folder, study)
    desk = Desk(study, folder / STAGING, progress=watcher.advance)
    desk.command, desk.fresh, desk.crew = command, fresh, crew
    desk.published = ledger.content.get("stages", {})
    # the tables say which measures are in play, and that is part of the keys
    desk.notes = _noted(desk.read_inputs, watcher)
    if not fresh:
        study = desk.study = _with_earlier(desk, ledger, watcher)
    keys = stage_keys(study, desk.priors)
    if (
        not fresh
        and not (folder / STAGING).exists()
        and all(ledger.stands(stage, keys[stage.name]) for stage in stages_of(study))
    ):
        for stage in stages_of(study):
            watcher.end(stage.words, None)
        return Outcome(folder, ())
    with _held(folder):
        if fresh:
            shutil.rmtree(folder / STAGING, ignore_errors=True)
        return _run_stages(desk, folder, keys, fresh=fresh, command=command, watcher=watcher)


def _with_earlier(desk: Desk, ledger: Provenance, watcher: Watcher) -> Study:
    """The study with the thresholds of earlier runs whose calibrations stand."""
    study = desk.study
    every = ledger.with_noted(study)
    keys = stage_keys(every, desk.priors)
    standing = {stage.name for stage in stages_of(every) if stage.apart and ledger.stands(stage, keys[stage.name])}
    kept = [at for at in every.thresholds if at in study.thresholds or threshold_stage(at) in standing]
    lost = [f"{at:g}" for at in ledger.thresholds if at not in kept]
    if lost:
        watcher.note(
            f"What was calibrated at other thresholds ({', '.join(lost)}) rests on other inputs or settings and is "
            f"taken out; {OPTION} {','.join(lost)} makes it anew."
        )
    return replace(study, thresholds=tuple(kept))


def _run_stages(
    desk: Desk,
    folder: Path,
    keys: Mapping[str, str],
    *,
    fresh: bool,
    command: str,
    watcher: Watcher,
) -> Outcome:
    ledgers = [] if fresh else [Provenance.read(folder, desk.study), Provenance.left(folder / STAGING, desk.study)]
    provenance = _provenance(desk, command)
    built: list[str] = []
    staged: list[str] = []
    for stage in stages_of(desk.study):
        # once one stage is rebuilt everything that reads it is, even if its inputs have the same names
        fixed = not built or stage.apart
        found = next((one for one in ledgers if one.stands(stage, keys[stage.name])), None) if fixed else None
        if found is None:
            entry = _build(stage, desk, keys[stage.name], watcher)
            built.append(stage.name)
            home = desk.staging
        else:
            entry, home = dict(found.entry(stage)), found.folder
            watcher.end(stage.words, None)
        desk.place(stage.name, stage.outputs, home, entry)
        provenance["stages"][stage.name] = entry
        if home == desk.staging:
            staged += entry["outputs"]
            write_json(provenance, desk.staging / PROVENANCE)
    if staged or built:
        write_json(provenance, desk.staging / PROVENANCE)
        publish(desk.staging, folder, [*staged, PROVENANCE])
        _clear(folder, provenance["stages"])
    shutil.rmtree(desk.staging, ignore_errors=True)
    return Outcome(folder, tuple(built))


def _clear(folder: Path, entries: Mapping[str, Any]) -> None:
    """Take away files that stages made for an earlier question: they would tell of it as if it stood."""
    kept = {name for entry in entries.values() for name in entry["outputs"]}
    at_thresholds = {file.relative_to(folder).as_posix() for file in folder.glob(file_of("*"))}
    for name in ({name for stage in STAGES for name in stage.outputs} | at_thresholds) - kept:
        take_away(folder / name)


def _build(stage: Stage, desk: Desk, key: str, watcher: Watcher) -> dict[str, Any]:
    watcher.begin(stage.words, stage.hint if desk.records is not None else "")
    started = time.monotonic()
    outputs: dict[str, str] = {}
    notes = _noted(lambda: outputs.update(stage.build(desk)), watcher)
    seconds = time.monotonic() - started
    watcher.end(stage.words, seconds)
    return {
        "key": key,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "seconds": round(seconds, 2),
        "outputs": outputs,
        "notes": notes,
        "facts": desk.facts.pop(stage.name, {}),
    }


def _noted(work: Any, watcher: Watcher) -> list[str]:
    """Do the work; return its own warnings as texts and let all other warnings pass."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", RiskModelWarning)
        work()
    texts: list[str] = []
    for warning in caught:
        if not issubclass(warning.category, RiskModelWarning):
            warnings.warn_explicit(warning.message, warning.category, warning.filename, warning.lineno)
        elif str(warning.message) not in texts:
            texts.append(str(warning.message))
    for text in texts:
        watcher.note(text)
    return texts


def _provenance(desk: Desk, command: str) -> dict[str, Any]:
    study = desk.study
    return {
        "schema": SCHEMA,
        "study": {"title": study.title, "agency": study.agency, "identity": study.identity},
        "command": command,
        "versions": versions(),
        "seed": study.seed,
        "settings": desk.settings,
        "inputs": desk.digests,
        "notes": desk.notes,
        "stages": {},
    }


# ------------------------------------------------------------------------------------ the folder


def _validate_folder(folder: Path) -> None:
    """A folder that holds something else is not written into."""
    if folder.is_symlink() and not folder.exists():
        raise StoreError(f"{folder.name} is a link to nothing. Choose another folder with --out.")
    if folder.exists() and not folder.is_dir():
        raise StoreError(f"{folder.name} is a file; results need a folder. Choose another one with --out.")
    if not folder.is_dir() or (folder / PROVENANCE).is_file():
        return
    foreign = {entry.name for entry in folder.iterdir()} - {STAGING, LOCK_NAME}
    if foreign:
        raise StoreError(
            f"{folder.name} is not empty and holds no results of riskmodel (no {PROVENANCE}). "
            "Choose an empty folder with --out, or move its content away."
        )


def _mend(folder: Path) -> None:
    """Carry on a hand-over of finished files that was cut short."""
    if (folder / STAGING / JOURNAL).is_file():
        with lock_folder(folder):
            complete_publication(folder / STAGING, folder)


@contextlib.contextmanager
def _held(folder: Path) -> Iterator[None]:
    """Hold the folder; if it has no results yet and something was at fault, leave nothing of ours in it."""
    new = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise StoreError(f"{folder.name} cannot be made ({reason}). Choose another folder with --out.") from error
    try:
        with lock_folder(folder):
            yield
    except (StoreError, ClusterError):  # a full disk, a lost cluster: what is finished stays for the next run
        raise
    except RiskModelError:
        if not (folder / PROVENANCE).exists():
            shutil.rmtree(folder / STAGING, ignore_errors=True)
            (folder / LOCK_NAME).unlink(missing_ok=True)
        if new:
            folder.rmdir()
        raise


def open_results(study: Study, out: Path | None = None, *, needs: Sequence[str]) -> Desk:
    """Inputs and finished results of a study, for what is asked of them afterwards.

    Parameters
    ----------
    study : Study
    out : Path, optional
        Folder of the results; default `results` beside the study.
    needs : sequence of str
        Names of the stages whose files are read.

    Raises
    ------
    StoreError
        When there are no results, they are another study's, or older than what they were made from.
    """
    folder, ledger = _finished(study, out)
    desk = Desk(study, folder / STAGING, progress=lambda done, total, text: None)
    desk.command = str(ledger.content.get("command", ""))
    desk.read_inputs()
    desk.study = ledger.with_noted(study)
    keys = stage_keys(desk.study, desk.priors)
    # what a search found belongs to the portfolios
    for stage in stages_of(desk.study):
        if stage.name in (*needs, SEARCH):
            if not ledger.stands(stage, keys[stage.name]):
                raise StoreError(
                    f"the results in {folder.name} were made from other inputs, settings or another riskmodel than "
                    f"now, or a file was changed ({', '.join(stage.outputs)}). "
                    "Bring them up to date with `riskmodel run`."
                )
            desk.place(stage.name, stage.outputs, folder, ledger.entry(stage))
    return desk


def show_results(study: Study, out: Path | None = None) -> str:
    """Report and table of portfolios of earlier results, as text.

    Raises
    ------
    StoreError
        When there are none, they are another study's, or a file is damaged.
    """
    folder, ledger = _finished(study, out)
    stages = {name: stage for stage in STAGES for name in stage.outputs}
    for name in (REPORT, PORTFOLIOS):
        noted = ledger.entry(stages[name]).get("outputs", {}).get(name)
        if file_digest(folder / name) != noted:
            raise StoreError(f"{name} is not the file that was written. Run the study again; it is rebuilt.")
    table = pd.read_csv(folder / PORTFOLIOS)
    return (folder / REPORT).read_text(encoding="utf-8") + "\n" + main_table(table)


def remake(study: Study, name: str, out: Path | None = None, *, watcher: Watcher | None = None) -> Path:
    """Make one stage of a finished run anew, from the results of the others.

    Parameters
    ----------
    study : Study
    name : str
        Of the stage.
    out : Path, optional
        Folder of the results; default `results` beside the study.
    watcher : Watcher, optional

    Returns
    -------
    Path
        The results.

    Raises
    ------
    StoreError
        As `open_results`.
    """
    stage = next(stage for stage in STAGES if stage.name == name)
    desk = open_results(study, out, needs=[other.name for other in stages_of(study) if other is not stage])
    folder, ledger = _finished(study, out)
    with _held(folder):
        key = stage_keys(desk.study, desk.priors)[name]
        entry = _build(stage, desk, key, watcher or Quiet())
        content = {**ledger.content, "stages": {**ledger.content["stages"], name: entry}}
        write_json(content, desk.staging / PROVENANCE)
        publish(desk.staging, folder, [*entry["outputs"], PROVENANCE])
        _clear(folder, content["stages"])
    return folder


def _finished(study: Study, out: Path | None) -> tuple[Path, Provenance]:
    folder = results_folder(study, out)
    _mend(folder)
    ledger = Provenance.read(folder, study)
    if not ledger.content:
        raise StoreError(f"there are no results in {folder.name} yet. Make them with `riskmodel run`.")
    return folder, ledger
