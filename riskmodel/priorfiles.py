"""Prior files: TOML files of one directory, merged, and a study's overrides on top of them.

Nothing is interpreted here; `riskmodel.priortables` reads the tables.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from riskmodel.errors import Faults, PriorError, printable
from riskmodel.tomltext import parse_toml

__all__ = [
    "COLLECTIONS",
    "OVERRIDES",
    "VALUE_KEYS",
    "RawTables",
    "TablePath",
    "as_number",
    "instead",
    "override",
    "read_tables",
    "shown",
    "shown_path",
]

COLLECTIONS = ("cost", "driver", "group", "indicator", "measure", "mechanism", "type")
OVERRIDES = "[priors.override]"
_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)")
VALUE_KEYS = frozenset({"distribution", "parameters", "quantiles", "family", "experts", "pooling", "value"})
_NUMBER_KEYS = frozenset({"distribution", "quantiles", "experts", "value"})
_ABOUT_KEYS = frozenset({"interval_90", "status", "source", "rationale"})

type TablePath = tuple[str, ...]


@dataclass(frozen=True)
class RawTables:
    """Merged tables of a prior directory.

    Parameters
    ----------
    data : dict
        As TOML gives it.
    origins : mapping of path to str
        File that a path, or the nearest path above it, came from.
    digests : mapping of str to str
        SHA-256 of each file.
    beside : mapping of str to str
        Text of the table of correlations that the files name, by its file name.
    """

    data: Mapping[str, Any]
    origins: Mapping[TablePath, str]
    digests: Mapping[str, str]
    beside: Mapping[str, str] = field(default_factory=dict)

    def file_of(self, path: TablePath) -> str:
        """File from which the table or key at `path` came."""
        for end in range(len(path), 0, -1):
            if path[:end] in self.origins:
                return self.origins[path[:end]]
        return ""


# ------------------------------------------------------------------------------ files and merging


def read_tables(directory: Path) -> RawTables:
    """Read and merge every `*.toml` of a directory.

    Raises
    ------
    PriorError
        If there is no file, one cannot be read, or two define the same table.
    """
    faults = Faults(str(directory.name))
    files = sorted(path for path in directory.glob("*.toml") if path.is_file()) if directory.is_dir() else []
    if not files:
        rule = "the prior directory holds no .toml file" if directory.is_dir() else "the prior directory does not exist"
        faults.add(rule, got=directory, remedy="Name the folder with the prior files, or leave it out to use ours")
    data: dict[str, Any] = {}
    origins: dict[TablePath, str] = {}
    digests: dict[str, str] = {}
    for path in files:
        content = _read_file(path, faults)
        if content is not None:
            digests[path.name] = hashlib.sha256(content).hexdigest()
            _merge(data, origins, _parse(content, path.name, faults), path.name, faults)
    beside = _correlations(directory, data, digests, faults)
    faults.raise_any(PriorError)
    return RawTables(data, origins, digests, beside)


def _correlations(directory: Path, data: Mapping[str, Any], digests: dict[str, str], faults: Faults) -> dict[str, str]:
    """The table of correlations that `[carried]` names."""
    carried = data.get("carried")
    name = carried.get("correlations") if isinstance(carried, Mapping) else None
    if not isinstance(name, str):
        return {}
    path = directory / name
    if Path(name).name != name or not path.is_file():
        remedy = "Put it back beside the prior files, or take the line out: quantities are then taken one by one"
        faults.add("the table of correlations lies beside the prior files", column="carried.correlations", got=name,
                   remedy=remedy)  # fmt: skip
        return {}
    content = _read_file(path, faults) or b""
    digests[name] = hashlib.sha256(content).hexdigest()
    return {name: content.decode("utf-8-sig", errors="replace")}


def _read_file(path: Path, faults: Faults) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError as error:
        faults.add("the file cannot be read", file=path.name, got=error.strerror, remedy="Check its permissions")
        return None


def _parse(content: bytes, file: str, faults: Faults) -> dict[str, Any]:
    try:
        return parse_toml(content)
    except UnicodeDecodeError as error:
        faults.add(
            f"the file is text in UTF-8, but byte {error.start + 1} is not", file=file, remedy="Save it as UTF-8"
        )
    except RecursionError:
        faults.add("tables and lists are nested too deeply", file=file, remedy="Flatten them")
    except ValueError as error:
        place = _PLACE.search(str(error))
        line, column = (place.group(1), place.group(2)) if place else (None, None)
        where = f"column {column}: " if column else "at its end: " if place else ""
        faults.add(
            f"{where}not valid TOML ({_PLACE.sub('', str(error)).strip()})",
            file=file,
            row=int(line) if line else None,
            remedy="See toml.io for the notation",
        )
    return {}


def _merge(
    data: dict[str, Any], origins: dict[TablePath, str], new: Mapping[str, Any], file: str, faults: Faults
) -> None:
    """Add one file's tables; the tables of a collection (`[measure.NAME]`) may be spread over files."""
    for key, value in new.items():
        if key in COLLECTIONS and isinstance(value, dict) and isinstance(data.get(key, {}), dict):
            pairs: list[tuple[TablePath, Any]] = [((key, name), table) for name, table in value.items()]
        else:
            pairs = [((key,), value)]
        for path, table in pairs:
            if path in origins:
                faults.add(
                    f"the table is already defined in {origins[path]}",
                    file=file,
                    column=shown_path(path),
                    remedy="Keep one of the two",
                )
                continue
            origins[path] = file
            target = data.setdefault(key, {}) if len(path) == 2 else data
            target[path[-1]] = table


def override(raw: RawTables, changes: Mapping[str, Any], faults: Faults) -> RawTables:
    """The tables with a study's overrides merged key by key.

    A quantity that gets another distribution loses its old interval, status, source and rationale:
    the override states its own. Entries of a list of tables are named by their number, so that
    `[priors.override.measure.NAME.effect.1]` changes the first effect. A named table that is not in the
    prior files is a fault; other unknown keys show when the tables are read.
    """
    origins = dict(raw.origins)
    data = _overridden(raw.data, changes, (), origins, faults)
    try:
        noted = raw.digests.get(OVERRIDES, "") + json.dumps(changes, sort_keys=True, default=str)
    except RecursionError:
        faults.add("tables and lists are nested too deeply", file=OVERRIDES, remedy="Flatten them")
        return raw
    digest = hashlib.sha256(noted.encode()).hexdigest()
    return replace(raw, data=data, origins=origins, digests={**raw.digests, OVERRIDES: digest})


def _overridden(
    base: Mapping[str, Any], changes: Any, path: TablePath, origins: dict[TablePath, str], faults: Faults
) -> dict[str, Any]:
    result = dict(base)
    if not isinstance(changes, Mapping):
        faults.add("a table of changes is expected", file=OVERRIDES, column=shown_path(path), got=shown(changes))
        return result
    if not _NUMBER_KEYS.isdisjoint(base) and not VALUE_KEYS.isdisjoint(changes):
        result = {key: value for key, value in base.items() if key not in VALUE_KEYS | _ABOUT_KEYS}
        origins[path] = OVERRIDES
    for key, value in changes.items():
        here = (*path, str(key))
        if len(path) == 1 and path[0] in COLLECTIONS and key not in base:
            remedy = instead(key, base) if nearest(key, base) else f"Add [{path[0]}.NAME] to a prior directory of yours"
            faults.add(
                f"the prior files have no such {path[0]}", file=OVERRIDES, column=shown_path(here), remedy=remedy
            )
        elif isinstance(result.get(key), dict) and key not in VALUE_KEYS:
            result[key] = _overridden(result[key], value, here, origins, faults)
        elif isinstance(result.get(key), list) and isinstance(value, Mapping) and key not in VALUE_KEYS:
            result[key] = _overridden_entries(result[key], value, here, origins, faults)
        else:
            result[key] = value
            origins[here] = OVERRIDES
    return result


def _overridden_entries(
    base: list[Any], changes: Mapping[str, Any], path: TablePath, origins: dict[TablePath, str], faults: Faults
) -> list[Any]:
    """Changes of single entries of a list of tables, named by their number from 1."""
    result = list(base)
    numbers = [str(number) for number in range(1, len(base) + 1)]
    for key, value in changes.items():
        here = (*path, str(key))
        if str(key) not in numbers:
            remedy = f"Known: {', '.join(numbers)}"
            faults.add("no entry has that number", file=OVERRIDES, column=shown_path(here), remedy=remedy)
        elif isinstance(base[int(key) - 1], Mapping):
            result[int(key) - 1] = _overridden(base[int(key) - 1], value, here, origins, faults)
    return result


# -------------------------------------------------------------------------------- words and names


def nearest(name: object, known: Collection[str]) -> str:
    """Known name most like `name`, "" if none is near."""
    found = difflib.get_close_matches(str(name)[:100], list(known), n=1, cutoff=0.6)
    return found[0] if found else ""


def instead(name: object, known: Collection[str]) -> str:
    """Remedy for an unknown name."""
    near = nearest(name, known)
    if near:
        return f"Did you mean `{near}`"
    return f"Known: {', '.join(sorted(known))}" if 0 < len(known) <= 12 else "Remove it"


def shown(value: object) -> str:
    """A TOML value in a message; tables and lists by name, so that deep nesting cannot hurt."""
    if isinstance(value, Mapping):
        return f"a table of {len(value)} keys" if value else "an empty table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int) and abs(value) >= 10**18:
        return "a very large whole number"
    return str(value)


def shown_path(path: TablePath) -> str:
    """Dotted path of a key, safe for a terminal."""
    return ".".join(printable(part, 40) for part in path)


def as_number(value: object) -> float | None:
    """A finite TOML number as float, else None; true and false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None
