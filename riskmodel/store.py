"""Results on disk: versioned, digested, written beside and renamed, held by one run at a time.

Nothing here knows what the numbers mean. A file is either whole and the one that was written,
or it is refused with its name and what to do.
"""

from __future__ import annotations

import contextlib
import errno
import functools
import hashlib
import importlib.metadata
import json
import os
import platform
import shutil
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from .errors import StoreError

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

__all__ = [
    "JOURNAL",
    "LOCK_NAME",
    "PACKAGES",
    "SCHEMA",
    "code_digest",
    "complete_publication",
    "digest_of",
    "file_digest",
    "load_table",
    "load_tree",
    "lock_folder",
    "publish",
    "read_json",
    "save_tree",
    "table_text",
    "take_away",
    "versions",
    "write_bytes",
    "write_json",
    "write_table",
    "write_text",
]

SCHEMA = 1
BYTES_AROUND = 1 << 14  # names, units and indexes of an array in the file
PACKAGES = (
    "overlay-riskmodel",
    "numpy",
    "scipy",
    "pandas",
    "xarray",
    "h5netcdf",
    "pymc",
    "pytensor",
    "numba",
    "nutpie",
    "arviz",
)
LOCK_NAME = ".lock"
JOURNAL = "to_publish.json"
# a spreadsheet runs a cell that begins with one of these
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, as hexadecimal text.

    Raises
    ------
    StoreError
        When the file cannot be read.
    """
    try:
        with path.open("rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    except (OSError, ValueError) as error:
        raise StoreError(f"{path.name} cannot be read ({_reason(error)}). Check that the file exists.") from error


def digest_of(content: object) -> str:
    """SHA-256 of any content that JSON can hold; the order of keys does not matter."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=True, allow_nan=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


@functools.cache
def code_digest(*leave: str) -> str:
    """Digest of the package's modules but some: a checkout changes without a new version number."""
    here = Path(__file__).parent
    files = sorted(f for f in here.rglob("*.py") if f.relative_to(here).parts[0].removesuffix(".py") not in leave)
    return digest_of({file.relative_to(here).as_posix(): file_digest(file) for file in files})


def versions() -> dict[str, str]:
    """Versions of Python, the platform and the packages that shape a result."""
    found = {"python": platform.python_version(), "platform": f"{platform.system()} {platform.machine()}"}
    for name in PACKAGES:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = importlib.metadata.version(name)
    return found


def write_text(text: str, path: Path) -> str:
    """Write UTF-8 text whole or not at all.

    Returns
    -------
    str
        Digest of the file.

    Raises
    ------
    StoreError
        When the disk is full or the folder cannot be written.
    """
    with _written_beside(path) as beside:
        beside.write_text(text, encoding="utf-8", newline="\n")
    return file_digest(path)


def take_away(path: Path) -> None:
    """Remove a file, if it is there.

    Raises
    ------
    StoreError
        When the folder cannot be written.
    """
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be taken away ({_reason(error)}). {_ELSEWHERE}") from error


def write_bytes(content: bytes, path: Path) -> str:
    """Write bytes whole or not at all and return their digest (see `write_text`)."""
    with _written_beside(path) as beside:
        beside.write_bytes(content)
    return file_digest(path)


def write_json(content: object, path: Path) -> str:
    """Write JSON whole or not at all and return its digest (see `write_text`)."""
    return write_text(json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n", path)


def write_table(table: pd.DataFrame, path: Path) -> str:
    """Write a table as CSV whole or not at all and return its digest (see `write_text`).

    A text that a spreadsheet would run as a formula gets an apostrophe in front.
    """
    return write_text(table_text(table), path)


def table_text(table: pd.DataFrame) -> str:
    """A table as the CSV that `write_table` writes."""
    safe = table.map(_harmless).rename(columns=_harmless)
    return str(safe.to_csv(index=False, lineterminator="\n", float_format="%.8g"))


def load_table(path: Path) -> pd.DataFrame:
    """Load a table that `write_table` wrote, without the apostrophes that it put in front of formulas.

    Raises
    ------
    StoreError
        When the file is missing or no such table.
    """
    import pandas as pd

    try:
        table = pd.read_csv(path)
    except (OSError, ValueError) as error:
        raise StoreError(f"{path.name} cannot be read ({_reason(error)}). {_REBUILD}") from error
    return table.map(_as_it_was).rename(columns=_as_it_was)


def read_json(path: Path) -> dict[str, Any]:
    """Read a JSON object that `write_json` wrote.

    Raises
    ------
    StoreError
        When the file is missing, unreadable or no JSON object.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise StoreError(f"{path.name} cannot be read ({_reason(error)}). {_REBUILD}") from error
    if not isinstance(content, dict):
        raise StoreError(f"{path.name} holds no table of names and values. {_REBUILD}")
    return content


def save_tree(
    tree: xr.DataTree | xr.Dataset,
    path: Path,
    *,
    digests: Mapping[str, str],
    settings: Mapping[str, object],
    schema: int = SCHEMA,
) -> str:
    """Save labelled arrays as netCDF, whole or not at all.

    Parameters
    ----------
    tree : DataTree or Dataset
        What to keep. Object arrays that hold no text are dropped (netCDF cannot hold them).
    path : Path
        The file; an older one is replaced in one step.
    digests : mapping of str to str
        Name of each input and its digest.
    settings : mapping
        Seed and settings that made the result; kept as JSON.
    schema : int
        Number of the layout.

    Returns
    -------
    str
        Digest of the file, for `load_tree`.

    Raises
    ------
    StoreError
        When the disk is full or the folder cannot be written.
    """
    stamp = {
        "riskmodel_schema": schema,
        "riskmodel_versions": json.dumps(versions()),
        "riskmodel_digests": json.dumps(dict(digests), sort_keys=True),
        "riskmodel_settings": json.dumps(dict(settings), sort_keys=True, default=str),
    }
    plain = _plain_tree(tree, stamp)
    encoding = {
        node.path: {name: {"zlib": True, "complevel": 4} for name, array in node.data_vars.items() if _packs(array)}
        for node in plain.subtree
    }
    with _written_beside(path) as beside:
        _try_room(beside, plain)
        plain.to_netcdf(beside, engine="h5netcdf", encoding=encoding)
    return file_digest(path)


def load_tree(path: Path, *, digest: str | None = None) -> xr.DataTree:
    """Load what `save_tree` saved, into memory, with the file closed.

    Parameters
    ----------
    path : Path
        The file.
    digest : str, optional
        The digest noted when it was written; a file that differs is refused.

    Raises
    ------
    StoreError
        When the file is missing, damaged, of another program or of a newer version.
    """
    import xarray as xr

    if digest is not None and file_digest(path) != digest:
        raise StoreError(f"{path.name} is not the file that was written: damaged or changed. {_REBUILD}")
    if not path.is_file():
        raise StoreError(f"{path.name} is missing. {_REBUILD}")
    try:
        tree = xr.load_datatree(path, engine="h5netcdf")
    except Exception as error:  # a damaged file raises whatever the layer that stumbles raises
        raise StoreError(f"{path.name} is damaged ({_reason(error)}). {_REBUILD}") from error
    _validate_schema(tree.attrs.get("riskmodel_schema"), path.name)
    return tree


def _validate_schema(found: object, name: str) -> None:
    if found is None:
        raise StoreError(f"{name} was not written by riskmodel. {_REBUILD}")
    if int(str(found)) > SCHEMA:
        raise StoreError(f"{name} has layout {found}; the newest known here is {SCHEMA}. Install the newer riskmodel.")


@contextlib.contextmanager
def lock_folder(folder: Path) -> Iterator[None]:
    """Hold a folder for one run. The operating system lets go when the process ends, however it ends.

    Raises
    ------
    StoreError
        When another run holds it, or the file system has no locks.
    """
    try:
        handle = (folder / LOCK_NAME).open("a+b")
    except OSError as error:
        raise StoreError(f"{folder.name} cannot be written ({_reason(error)}). {_ELSEWHERE}") from error
    with handle:
        try:
            _lock(handle)
        except OSError as error:
            if error.errno in (errno.EACCES, errno.EAGAIN, errno.EDEADLK):
                raise StoreError(
                    f"another run is at work in {folder.name}. Wait until it ends, or choose another folder with --out."
                ) from error
            raise StoreError(f"{folder.name} cannot be locked ({_reason(error)}). {_ELSEWHERE}") from error
        yield


def _lock(handle: IO[bytes]) -> None:
    try:
        import fcntl
    except ImportError:  # Windows
        import msvcrt

        handle.seek(0)
        msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        return
    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def publish(staging: Path, folder: Path, names: Sequence[str]) -> None:
    """Move finished files from `staging` into `folder` so that a kill in between can be mended.

    The list of files is written first. `complete_publication` carries on from it, so a reader that
    calls it first sees all old files or all new ones.

    Raises
    ------
    StoreError
        When the folder cannot be written.
    """
    write_json({"files": list(names)}, staging / JOURNAL)
    complete_publication(staging, folder)


def complete_publication(staging: Path, folder: Path) -> None:
    """Carry on a `publish` that was cut short; nothing happens when there is none."""
    journal = staging / JOURNAL
    if not journal.is_file():
        return
    try:
        for name in read_json(journal)["files"]:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            if (staging / name).is_file():  # already moved otherwise
                os.replace(staging / name, folder / name)
        # last: as long as the list stands the move can be carried on
        journal.unlink()
    except OSError as error:
        raise StoreError(f"{folder.name} cannot be written ({_reason(error)}). {_ELSEWHERE}") from error
    shutil.rmtree(staging, ignore_errors=True)


@contextlib.contextmanager
def _written_beside(path: Path) -> Iterator[Path]:
    """A fresh name in the same folder that becomes `path` only when the block ends well."""
    beside = path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield beside
        with beside.open("rb+") as handle:
            os.fsync(handle.fileno())
        os.replace(beside, path)
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written ({_reason(error)}). {_ELSEWHERE}") from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def _try_room(path: Path, tree: xr.DataTree) -> None:
    """Fill a file with the bytes that the arrays take unpacked: on a full disk the library that packs them crashes."""
    arrays = [array for node in tree.subtree for array in node.variables.values()]
    left = sum(array.nbytes + BYTES_AROUND for array in arrays) + BYTES_AROUND
    with path.open("wb") as handle:
        while left > 0:
            left -= handle.write(bytes(min(left, 1 << 20)))


def _plain_tree(tree: xr.DataTree | xr.Dataset, stamp: Mapping[str, object]) -> xr.DataTree:
    import xarray as xr

    source = tree if isinstance(tree, xr.DataTree) else xr.DataTree(tree)
    plain = {node.path: _plain_dataset(node.to_dataset(inherit=False)) for node in source.subtree}
    plain["/"] = plain["/"].assign_attrs(stamp)
    return xr.DataTree.from_dict(plain)


def _plain_dataset(dataset: xr.Dataset) -> xr.Dataset:
    """Without what netCDF cannot hold: joint indexes, objects that are no text, flags and tables in attrs."""
    import pandas as pd

    joint = [name for name, index in dataset.indexes.items() if isinstance(index, pd.MultiIndex)]
    levels = {str(name) for name in joint if name in dataset.dims}
    flat = dataset.reset_index(sorted(levels)) if levels else dataset
    lost = [name for name, array in flat.variables.items() if array.dtype == object and not _is_text(array)]
    flat = flat.drop_vars(lost)
    flat.attrs = _plain_attrs(flat.attrs)
    for name in flat.variables:
        flat[name].attrs = _plain_attrs(flat[name].attrs)
    return flat


def _is_text(array: xr.Variable) -> bool:
    return all(isinstance(value, str) for value in array.values.ravel())


def _plain_attrs(attrs: Mapping[Any, object]) -> dict[str, object]:
    plain: dict[str, object] = {}
    for name, value in attrs.items():
        if isinstance(value, bool):
            plain[str(name)] = int(value)
        elif value is None or isinstance(value, Mapping):
            plain[str(name)] = json.dumps(value, default=str)
        else:
            plain[str(name)] = value
    return plain


def _packs(array: xr.DataArray) -> bool:
    return array.ndim > 0 and array.dtype.kind in "fiu"


def _harmless(cell: Any) -> Any:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell


def _as_it_was(cell: Any) -> Any:
    return cell[1:] if isinstance(cell, str) and cell[:1] == "'" and cell[1:].startswith(FORMULA_STARTS) else cell


def _reason(error: BaseException) -> str:
    """The cause in words, without the folders of this machine."""
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return type(error).__name__


_REBUILD = "Run the study again; what is missing or damaged is rebuilt."
_ELSEWHERE = "Free space or mend the permissions, or choose another folder with --out."
