"""Later deliveries of records on disk: one folder a round beside study.toml, made whole or not at all.

`rounds/2026-05-01/` holds the delivered tables as they came and `round.json`. Folders are read in order of
their names' dates; taking one away undoes it.
"""

from __future__ import annotations

import os
import re
import shutil
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from .errors import Faults
from .roundtables import Round
from .store import file_digest, lock_folder, read_json, write_json

__all__ = ["ABOUT", "FOLDER", "find_rounds", "keep_round", "round_digests", "taking_in"]

FOLDER, ABOUT, SCHEMA = "rounds", "round.json", 1
UNFINISHED = ".unfinished-"
KINDS = ("sections", "surveys")
_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})(?:-(\d+))?", re.ASCII)


def find_rounds(folder: Path, faults: Faults) -> tuple[Round, ...]:
    """Rounds of a study in order of date.

    Parameters
    ----------
    folder : Path
        Of study.toml.
    faults : Faults
        Takes what is wrong with a round's folder.
    """
    home = folder / FOLDER
    if not home.is_dir():
        return ()
    found = [_read(each, faults) for each in home.iterdir() if each.is_dir() and not each.name.startswith(".")]
    return tuple(sorted((each for each in found if each is not None), key=_order))


def _order(each: Round) -> tuple[str, int]:
    match = _NAME.fullmatch(each.name)
    assert match is not None
    return match.group(1), int(match.group(2) or 1)


def _read(folder: Path, faults: Faults) -> Round | None:
    place = f"{FOLDER}/{folder.name}"
    about = folder / ABOUT
    until = _day(folder.name)
    content: Mapping[str, Any] = read_json(about) if about.is_file() else {}
    files, corrects = content.get("files"), content.get("corrects")
    typed = content.get("schema") == SCHEMA and isinstance(files, dict) and isinstance(corrects, bool)
    if until is None or not typed or files is None or content.get("until") != until.isoformat():
        rule = f"a round is a folder named by its date, with the {ABOUT} that `riskmodel update` wrote"
        faults.add(rule, column=place, remedy="Take the folder away, or put back what was in it")
        return None
    tables = {kind: next(iter(sorted(folder.glob(f"{kind}.*"))), None) for kind in KINDS}
    for kind in files:
        if tables.get(kind) is None:
            rule, remedy = f"the round holds its table of {kind}", "Put the file back, or take the whole folder away"
            faults.add(rule, column=place, remedy=remedy)
    return Round(folder.name, until, tables["sections"], tables["surveys"], bool(corrects))


def _day(name: str) -> date | None:
    """Date in the name of a round's folder; None where it has none."""
    match = _NAME.fullmatch(name)
    try:
        return None if match is None else date.fromisoformat(match.group(1))
    except ValueError:  # no such day
        return None


def round_digests(each: Round) -> dict[str, object]:
    """What makes a round what it is: digests of its tables, and whether it corrects."""
    files = {kind: getattr(each, kind) for kind in KINDS}
    digests = {kind: file_digest(file) for kind, file in files.items() if file is not None}
    return {**digests, "corrects": each.corrects}


@contextmanager
def taking_in(folder: Path) -> Iterator[None]:
    """Hold the study's rounds, so that two deliveries are not taken in at once.

    Raises
    ------
    StoreError
        When another update is at work.
    """
    home = folder / FOLDER
    new = not home.exists()
    home.mkdir(exist_ok=True)
    try:
        with lock_folder(home):
            for left in home.glob(f"{UNFINISHED}*"):  # of an update that was killed
                shutil.rmtree(left, ignore_errors=True)
            yield
    finally:
        if new and not any(each.is_dir() for each in home.iterdir()):
            shutil.rmtree(home, ignore_errors=True)


def keep_round(folder: Path, offered: Round) -> Round:
    """Copy a delivery into the study: written beside, then renamed, so that it is there whole or not at all.

    Returns
    -------
    Round
        As `find_rounds` will read it.
    """
    home = folder / FOLDER
    beside = home / f"{UNFINISHED}{uuid.uuid4().hex[:8]}"
    beside.mkdir()
    try:
        files = {}
        for kind in KINDS:
            source = getattr(offered, kind)
            if source is not None:
                target = beside / f"{kind}{source.suffix.lower() or '.csv'}"
                shutil.copyfile(source, target)
                files[kind] = {"delivered_as": source.name, "sha256": file_digest(target)}
        content = {"schema": SCHEMA, "until": offered.until.isoformat(), "corrects": offered.corrects,
                   "received": datetime.now(UTC).isoformat(timespec="seconds"), "files": files}  # fmt: skip
        write_json(content, beside / ABOUT)
        name = _free_name(home, offered.until)
        os.rename(beside, home / name)
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    kept = {kind: home / name / f"{kind}{getattr(offered, kind).suffix.lower() or '.csv'}" for kind in files}
    return Round(name, offered.until, kept.get("sections"), kept.get("surveys"), offered.corrects)


def _free_name(home: Path, until: date) -> str:
    name, number = until.isoformat(), 1
    while (home / name).exists():
        number += 1
        name = f"{until.isoformat()}-{number}"
    return name
