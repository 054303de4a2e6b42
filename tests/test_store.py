"""Files: whole or the old one, damaged or newer refused, one run at a time, nothing a spreadsheet would run."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from riskmodel import store
from riskmodel.errors import StoreError


@pytest.fixture
def tree() -> xr.DataTree:
    rng = np.random.default_rng(7)
    posterior = xr.Dataset(
        {"median": (("chain", "draw", "type"), rng.normal(size=(2, 5, 3))), "reached": (("draw",), np.ones(5, bool))},
        coords={"type": ["a", "b", "c"]},
        attrs={"passed": True, "nothing": None, "limits": {"rhat": 1.01}, "words": "plain"},
    )
    message = xr.Dataset({"message": (("draw",), np.array([None] * 5, dtype=object))})
    return xr.DataTree.from_dict(
        {"/": xr.Dataset(attrs={"gate": '{"passed": true}'}), "/posterior": posterior, "/stats": message}
    )


def test_round_trip_keeps_numbers_labels_and_words(tree: xr.DataTree, tmp_path: Path) -> None:
    path = tmp_path / "posterior.nc"
    digest = store.save_tree(tree, path, digests={"sections.csv": "ab"}, settings={"seed": 3, "ages": (25.0, 45.0)})
    assert digest == hashlib.sha256(path.read_bytes()).hexdigest()
    back = store.load_tree(path, digest=digest)
    xr.testing.assert_equal(back["posterior"].to_dataset(), tree["posterior"].to_dataset())
    assert back["posterior"].attrs["passed"] == 1
    assert json.loads(back["posterior"].attrs["limits"]) == {"rhat": 1.01}
    assert back.attrs["gate"] == '{"passed": true}'
    assert json.loads(back.attrs["riskmodel_settings"]) == {"ages": [25.0, 45.0], "seed": 3}
    assert json.loads(back.attrs["riskmodel_digests"]) == {"sections.csv": "ab"}
    assert json.loads(back.attrs["riskmodel_versions"])["numpy"] == np.__version__
    assert os.listdir(tmp_path) == ["posterior.nc"]


def test_joint_index_of_draws_is_flattened(tmp_path: Path) -> None:
    draws = xr.Dataset({"x": (("chain", "draw"), np.arange(6.0).reshape(2, 3))}).stack(sample=("chain", "draw"))
    store.save_tree(draws, tmp_path / "s.nc", digests={}, settings={})
    back = store.load_tree(tmp_path / "s.nc").to_dataset()
    assert back["x"].values.tolist() == [0, 1, 2, 3, 4, 5]
    assert back["chain"].values.tolist() == [0, 0, 0, 1, 1, 1]


def test_saving_does_not_change_what_is_saved(tree: xr.DataTree, tmp_path: Path) -> None:
    before = tree.copy(deep=True)
    store.save_tree(tree, tmp_path / "p.nc", digests={}, settings={})
    xr.testing.assert_identical(tree, before)


@pytest.mark.parametrize("spoil", ["truncated", "flipped"])
def test_damage_is_found_by_digest_and_named(tree: xr.DataTree, tmp_path: Path, spoil: str) -> None:
    path = tmp_path / "posterior.nc"
    digest = store.save_tree(tree, path, digests={}, settings={})
    content = bytearray(path.read_bytes())
    if spoil == "truncated":
        content = content[: len(content) // 2]
    else:
        content[len(content) // 2] ^= 1
    path.write_bytes(content)
    with pytest.raises(StoreError, match=r"posterior\.nc is not the file that was written.*Run the study again"):
        store.load_tree(path, digest=digest)


def test_damage_without_a_digest_is_still_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "posterior.nc").write_bytes(b"\x89HDF\r\n\x1a\n rubbish")
    with pytest.raises(StoreError, match=r"posterior\.nc is damaged"):
        store.load_tree(tmp_path / "posterior.nc")


def test_missing_newer_and_foreign_files_are_refused(tree: xr.DataTree, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"gone\.nc is missing"):
        store.load_tree(tmp_path / "gone.nc")
    with pytest.raises(StoreError, match=r"gone\.nc cannot be read"):
        store.load_tree(tmp_path / "gone.nc", digest="0")
    store.save_tree(tree, tmp_path / "new.nc", digests={}, settings={}, schema=store.SCHEMA + 1)
    with pytest.raises(StoreError, match=r"new\.nc has layout 2.*Install the newer riskmodel"):
        store.load_tree(tmp_path / "new.nc")
    xr.Dataset({"x": ("i", [1.0])}).to_netcdf(tmp_path / "other.nc", engine="h5netcdf")
    with pytest.raises(StoreError, match=r"other\.nc was not written by riskmodel"):
        store.load_tree(tmp_path / "other.nc")


def test_a_failed_write_leaves_the_old_file_and_no_litter(
    tree: xr.DataTree, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "posterior.nc"
    store.save_tree(tree, path, digests={}, settings={})
    old = path.read_bytes()

    def full(self: xr.DataTree, target: Path, **options: object) -> None:
        Path(target).write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(xr.DataTree, "to_netcdf", full)
    with pytest.raises(StoreError, match=r"posterior\.nc cannot be written \(No space left on device\)"):
        store.save_tree(tree, path, digests={}, settings={})
    assert path.read_bytes() == old
    assert os.listdir(tmp_path) == ["posterior.nc"]


def test_room_is_tried_before_arrays_are_packed(tree: xr.DataTree, tmp_path: Path) -> None:
    """The packed file is never larger than what was tried."""
    path = tmp_path / "posterior.nc"
    store.save_tree(tree, path, digests={}, settings={})
    store._try_room(tmp_path / "room", tree)
    assert path.stat().st_size <= (tmp_path / "room").stat().st_size


def test_an_interrupt_while_writing_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "report.txt"
    store.write_text("old", path)

    def interrupted(handle: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        store.write_text("new", path)
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["report.txt"]


def test_a_folder_in_the_way_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "tables").write_text("a file where a folder should be")
    with pytest.raises(StoreError, match=r"portfolios\.csv cannot be written"):
        store.write_text("x", tmp_path / "tables" / "portfolios.csv")


def test_tables_hold_no_formula_and_keep_numbers(tmp_path: Path) -> None:
    table = pd.DataFrame(
        {"=name": ["=1+1", "@x", "-", "+7", "\tx", "plain, with comma"], "mean": [-1.5, 2, 3, 4, 5, np.nan]}
    )
    store.write_table(table, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="") as handle:
        rows = list(csv.reader(handle))
    assert rows[0] == ["'=name", "mean"]
    assert [row[0] for row in rows[1:]] == ["'=1+1", "'@x", "'-", "'+7", "'\tx", "plain, with comma"]
    assert [row[1] for row in rows[1:]] == ["-1.5", "2", "3", "4", "5", ""]


def test_json_round_trip_and_refusals(tmp_path: Path) -> None:
    store.write_json({"title": "Überlagen", "seed": 3}, tmp_path / "p.json")
    assert store.read_json(tmp_path / "p.json") == {"title": "Überlagen", "seed": 3}
    (tmp_path / "p.json").write_text('{"title": ')
    with pytest.raises(StoreError, match=r"p\.json cannot be read"):
        store.read_json(tmp_path / "p.json")
    (tmp_path / "p.json").write_text("[1]")
    with pytest.raises(StoreError, match="holds no table of names"):
        store.read_json(tmp_path / "p.json")
    (tmp_path / "p.json").write_text("[" * 100_000)
    with pytest.raises(StoreError, match=r"p\.json cannot be read"):
        store.read_json(tmp_path / "p.json")


def test_digest_of_content_ignores_the_order_of_keys() -> None:
    assert store.digest_of({"a": 1, "b": [2, 3]}) == store.digest_of({"b": [2, 3], "a": 1})
    assert store.digest_of({"a": 1}) != store.digest_of({"a": 2})


HOLD = "import sys, time; from pathlib import Path; from riskmodel.store import lock_folder\n"
HOLD += "with lock_folder(Path(sys.argv[1])):\n    print('held', flush=True); time.sleep(60)"


def test_a_second_run_is_refused_and_a_killed_one_leaves_no_lock(tmp_path: Path) -> None:
    holder = subprocess.Popen([sys.executable, "-c", HOLD, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreError, match="another run is at work"), store.lock_folder(tmp_path):
            pass
    finally:
        holder.kill()
        holder.communicate()
    with store.lock_folder(tmp_path):
        pass


def test_a_folder_that_cannot_be_written_is_not_locked(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"cannot be written.*--out"), store.lock_folder(tmp_path / "missing"):
        pass


FILES = ("a.txt", "tables/b.csv", "provenance.json")


def _stage(folder: Path) -> Path:
    staging = folder / ".unfinished"
    for name in FILES:
        store.write_text("old", folder / name)
        store.write_text("new", staging / name)
    return staging


def test_publishing_replaces_all_files_and_clears_up(tmp_path: Path) -> None:
    staging = _stage(tmp_path)
    store.publish(staging, tmp_path, FILES)
    assert [(tmp_path / name).read_text() for name in FILES] == ["new"] * 3
    assert not staging.exists()


@pytest.mark.parametrize("moves_before_the_kill", [0, 1, 2, 3])
def test_publishing_cut_short_is_carried_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves_before_the_kill: int
) -> None:
    staging = _stage(tmp_path)
    real, moved = os.replace, []

    def replace(source: Path, target: Path) -> None:
        if Path(target).name != store.JOURNAL:
            if len(moved) == moves_before_the_kill:
                raise KeyboardInterrupt
            moved.append(target)
        real(source, target)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", replace)
        if moves_before_the_kill < 3:
            with pytest.raises(KeyboardInterrupt):
                store.publish(staging, tmp_path, FILES)
        else:
            store.publish(staging, tmp_path, FILES)
    store.complete_publication(staging, tmp_path)
    assert [(tmp_path / name).read_text() for name in FILES] == ["new"] * 3
    assert not staging.exists()


def test_nothing_to_carry_on_changes_nothing(tmp_path: Path) -> None:
    staging = _stage(tmp_path)
    store.complete_publication(staging, tmp_path)
    assert [(tmp_path / name).read_text() for name in FILES] == ["old"] * 3
