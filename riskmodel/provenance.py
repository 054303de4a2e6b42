"""What is noted beside results of how they were made, and whether they still are what was made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from .errors import StoreError
from .stages import Stage
from .store import file_digest, read_json
from .study import Study
from .thresholds import allowed

__all__ = ["PROVENANCE", "SCHEMA", "STAGING", "Provenance", "results_folder"]

SCHEMA = 1
PROVENANCE = "provenance.json"
STAGING = ".unfinished"
_TABLES = ("study", "settings", "inputs", "versions", "stages")


@dataclass
class Provenance:
    """What one folder's provenance says of its stages."""

    folder: Path
    content: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path, study: Study) -> Provenance:
        """Provenance of a folder, empty if it has none.

        Raises
        ------
        StoreError
            When it is damaged, newer than this program, or another study's.
        """
        file = folder / PROVENANCE
        if not file.is_file():
            return cls(folder)
        try:
            content = read_json(file)
        except StoreError as error:
            raise StoreError(f"{str(error).split('. ')[0]}. {_WITHOUT}") from error
        schema = content.get("schema", 0)
        if isinstance(schema, int) and schema > SCHEMA:
            raise StoreError(f"{folder.name} was written by a newer riskmodel. Install that one.")
        if not _well_formed(content):
            raise StoreError(f"{PROVENANCE} of {folder.name} is damaged. {_WITHOUT}")
        owner = content.get("study", {})
        if owner.get("identity") != study.identity:
            raise StoreError(
                f"{folder.name} holds the results of another study, {owner.get('title', '')!r}. "
                "Choose another folder with --out; if you renamed the study, move the old results away."
            )
        return cls(folder, content)

    @classmethod
    def left(cls, staging: Path, study: Study) -> Provenance:
        """Provenance of what a stopped run left; what cannot be used counts as nothing."""
        try:
            return cls.read(staging, study)
        except StoreError:
            return cls(staging)

    @property
    def thresholds(self) -> list[float]:
        """Other thresholds at which the results were calibrated, too."""
        return list(self.content.get("settings", {}).get("thresholds", []))

    def with_noted(self, study: Study) -> Study:
        """The study with every threshold that its results note, as far as it still allows them."""
        noted = [at for at in self.thresholds if allowed(study, at)]
        return replace(study, thresholds=tuple(sorted({*study.thresholds, *noted})))

    @property
    def stages(self) -> Mapping[str, Mapping[str, Any]]:
        """Stage to what is noted of it."""
        return dict(self.content.get("stages", {}))

    def entry(self, stage: Stage) -> Mapping[str, Any]:
        """What is noted of a stage; empty if nothing is."""
        return self.stages.get(stage.name, {})

    def stands(self, stage: Stage, key: str) -> bool:
        """Whether the stage was made from the same inputs and its files are the ones written then."""
        entry = self.entry(stage)
        outputs = entry.get("outputs", {})
        if entry.get("key") != key or not set(outputs) <= set(stage.outputs):
            return False
        files = {name: self.folder / name for name in outputs}
        return all(file.is_file() and file_digest(file) == outputs[name] for name, file in files.items())


def _well_formed(content: Mapping[str, Any]) -> bool:
    """Whether the tables are tables, so that what is looked up in them is there or not."""
    tables = all(isinstance(content.get(name, {}), dict) for name in _TABLES)
    entries = content.get("stages", {}).values() if tables else ()
    thresholds = content.get("settings", {}).get("thresholds", []) if tables else None
    return (
        tables
        and isinstance(content.get("schema"), int)
        and all(isinstance(entry, dict) and isinstance(entry.get("outputs"), dict) for entry in entries)
        and isinstance(thresholds, list)
        and all(isinstance(at, float | int) for at in thresholds)
    )


def results_folder(study: Study, out: Path | None = None) -> Path:
    """Where the results of a study go: `results` beside its file, unless another folder is named."""
    return (study.folder / "results") if out is None else out


_WITHOUT = "Nothing else says whose results these are: move them away and run the study again."
