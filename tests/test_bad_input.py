"""Files with faults, thousands of them: each is refused where it lies, or changes nothing that is read.

A case that fails is made again by `bad_input.case(kind, number)`.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from bad_input import KINDS, TOML_FILES, cases, run_cases
from faulty_tables import Layout, csv_of
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from riskmodel.errors import InputError

FEW = {"sections": 200, "surveys": 150, "later sections": 60, "later surveys": 60, "planned": 90, "answers": 90,
       "study": 320, **dict.fromkeys(TOML_FILES, 6)}  # fmt: skip
MANY = {"sections": 3500, "surveys": 3000, "later sections": 800, "later surveys": 800, "planned": 2500,
        "answers": 2000, "study": 6600, **dict.fromkeys(TOML_FILES, 160)}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_is_refused_where_it_lies_or_changes_nothing(tmp_path: Path, kind: str) -> None:
    found = run_cases(tmp_path, kind, FEW[kind])
    assert found["refused"] > FEW[kind] / 3


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_thousands_of_faults(tmp_path: Path, kind: str) -> None:
    found = run_cases(tmp_path, kind, MANY[kind])
    assert found.total() == MANY[kind]
    assert min(found["refused"], found["the same"]) > 0


def test_every_class_of_faults_is_tried() -> None:
    for kind, few in FEW.items():
        tried = {mutation.name for _, mutation, _ in cases(kind, 12 * few)}
        left_out = {mutation.name for mutation in KINDS[kind].mutations} - tried
        # of what these files have nothing
        allowed = {"an unknown section", "a date that is none", "a flag that is none", "a choice that is none",
                   "a name that is none", "a number against its interval", "no number where one is stated"}  # fmt: skip
        assert left_out <= allowed, kind


@settings(derandomize=True, max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kind=st.sampled_from(sorted(KINDS)), content=st.one_of(st.binary(max_size=300), st.text(max_size=300)))
def test_any_content_is_refused(tmp_path: Path, kind: str, content: bytes | str) -> None:
    raw = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    assume(kind != "costs.toml" or raw.strip())  # a file without prices states none
    with pytest.raises(InputError):
        KINDS[kind].read(tmp_path, raw)


CELL = st.one_of(st.text(max_size=12), st.sampled_from(["1", "0", "5.5", "2015-05-05", "bonded", "S1", "condition"]))


@settings(derandomize=True, max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kind=st.sampled_from(sorted(k for k in KINDS if isinstance(KINDS[k].good, Layout))), data=st.data())
def test_any_cells_are_refused_or_read_as_written(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    good = KINDS[kind].good
    rows = [list(row) for row in good.rows]
    for _ in range(data.draw(st.integers(1, 3))):
        row = rows[data.draw(st.integers(1, len(rows) - 1))]
        row[data.draw(st.integers(0, len(row) - 1))] = data.draw(CELL)
    # what is accepted is read a second time
    with contextlib.suppress(InputError):
        KINDS[kind].read(tmp_path, csv_of(rows))
