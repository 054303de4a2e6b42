"""Pieces of work mapped by threads: order, steps, faults, interrupts; and draws cut into pieces."""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from builders import priors
from clusters import HERE, Counting, refuse
from runs import files_of, said, write_study
from test_montecarlo import PORTFOLIOS, rich_priors, rich_programme
from test_simulate import roads

from riskmodel.crew import Once, StoppedError, Tell, Threads, crew_of, even_cuts
from riskmodel.lives import Draws, GroupTerms
from riskmodel.montecarlo import draw_lives
from riskmodel.priordraws import prior_draws
from riskmodel.simulate import simulate
from riskmodel.survivals import Survivals


def test_results_come_in_the_order_of_the_items(tmp_path: Path):
    steps: list[int] = []
    items = [4, 1, 3, 0, 2]
    found = Threads(3).map(Counting(tmp_path, 0.01), items, steps.append)
    assert [square for square, _ in found] == [16, 1, 9, 0, 4]
    assert steps == sorted(steps)
    assert steps[-1] == sum(items)


def test_a_fault_of_one_piece_ends_the_others(tmp_path: Path):
    ended = threading.Event()

    def work(item: int, tell: Tell) -> int:
        if item == 0:
            return refuse(3, tell)
        try:
            while True:
                time.sleep(0.01)
                tell(1)
        except StoppedError:
            ended.set()
            raise

    with pytest.raises(ArithmeticError, match="3 cannot be worked"):
        Threads(2).map(work, [0, 1, 1, 1])
    assert ended.wait(5.0)


def test_an_interrupt_ends_every_piece(tmp_path: Path):
    def interrupt(done: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Threads(2).map(Counting(tmp_path, 0.05), [100, 100, 100], interrupt)
    assert {file.read_text() for file in tmp_path.iterdir()} == {"StoppedError"}


@pytest.mark.parametrize(("count", "pieces"), [(1, 1), (10, 3), (3, 10), (0, 4), (7, 7)])
def test_pieces_cover_every_draw_once(count: int, pieces: int):
    cuts = even_cuts(count, pieces)
    covered = [number for cut in cuts for number in range(count)[cut]]
    assert covered == list(range(count))
    lengths = [cut.stop - cut.start for cut in cuts]
    assert max(lengths) - min(lengths) <= 1
    assert len(cuts) == max(1, min(count, pieces))


def test_a_number_of_workers_means_threads():
    assert crew_of(3) == Threads(3)
    assert crew_of(Threads(2)) == Threads(2)


def test_what_a_process_makes_once_is_made_once_and_never_sent():
    made: list[int] = []
    once = Once(lambda: made.append(1) or len(made))
    assert [once(), once()] == [1, 1]
    sent = Once(dict)
    sent()["kept"] = 1
    assert pickle.loads(pickle.dumps(sent))() == {}


def test_draws_keep_their_numbers_in_every_stream():
    """Terms of new groups, lives and held scores of some draws are those of all draws there."""
    p = rich_priors()
    programme = rich_programme(p, 70)
    draws = Draws.of(prior_draws(p, draws=9, seed=3))
    piece = slice(4, 7)
    part = draws.part(piece)
    assert (part.count, part.first, part.part(slice(1, 3)).first) == (3, 4, 5)
    whole, some = (GroupTerms(d, programme, p, 1).at(slice(None)) for d in (draws, part))
    assert whole
    for column, terms in whole.items():
        np.testing.assert_array_equal(some[column], terms[piece])
    lives = draw_lives(draws, programme, p, PORTFOLIOS, seed=1)
    np.testing.assert_array_equal(draw_lives(part, programme, p, PORTFOLIOS, seed=1), lives[piece])
    assert not np.array_equal(lives[:3], lives[piece])
    held = [Survivals(d, programme, p, PORTFOLIOS, seed=1, hold_scores=True).held for d in (draws, part)]
    np.testing.assert_array_equal(held[1], held[0][piece])


def test_how_draws_are_cut_changes_no_bit_of_a_simulation():
    p = priors()
    programme, posterior = roads(p, 70), prior_draws(p, draws=5, seed=1)
    whole = simulate(posterior, programme, p, portfolios=[], seed=1)
    for pieces in (2, 5):
        parts = simulate(posterior, programme, p, portfolios=[], seed=1, workers=Threads(pieces))
        xr.testing.assert_identical(whole, parts)


def test_without_its_library_a_cluster_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setitem(sys.modules, "distributed", None)
    monkeypatch.setenv("RISKMODEL_SCHEDULER", "tcp://127.0.0.1:9")
    folder = write_study(tmp_path / "north")
    before = files_of(folder)
    status, out, err = said(capsys, "run", folder)
    assert (status, out) == (2, "")
    assert "needs the libraries dask and distributed. Install them: pip install 'overlay-riskmodel[cluster]'" in err
    assert files_of(folder) == before


@pytest.mark.parametrize("command", ["run", "update"])
def test_without_its_library_a_graphics_processor_is_refused(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setitem(sys.modules, "riskmodel.jaxchains", None)
    folder = write_study(tmp_path / "north")
    before = files_of(folder)
    status, out, err = said(capsys, command, folder, "--device", "gpu")
    assert (status, out) == (2, "")
    assert "--device gpu needs the library jax. Install it: pip install 'overlay-riskmodel[gpu]'" in err
    status, out, err = said(capsys, command, folder, "--device", "gpu", "--scheduler", "tcp://127.0.0.1:9")
    assert (status, out) == (2, "")
    assert "runs the chains on this machine: leave out --scheduler, or --device" in err
    assert files_of(folder) == before


def test_the_command_line_keeps_matrix_products_in_one_thread():
    """Set before NumPy is loaded, whatever the caller asked for."""
    code = (
        "import sys, os, riskmodel.cli as cli\n"
        "cli.commands.main = lambda *a, **b: print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)\n"
        "cli.main([])"
    )
    env = {**os.environ, "PYTHONPATH": str(HERE.parent), "OPENBLAS_NUM_THREADS": "7"}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=env)
    assert done.stdout.split() == ["1", "False"]
