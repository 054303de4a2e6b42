"""What is compiled before a run is what the run calls, and new processes do it once."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import Any

import pytest
from builders import priors
from surveyed import records_of
from test_processes import Slow
from test_reweigh import PRIORS

from riskmodel import closedkernel, fatekernel, kernelcall
from riskmodel.ahead import Ahead
from riskmodel.crew import Tell
from riskmodel.density import LogDensity
from riskmodel.kernel import section_sums
from riskmodel.measures import all_portfolios
from riskmodel.priordraws import prior_draws
from riskmodel.processes import processes_at
from riskmodel.programme import programme_from_records
from riskmodel.rowkernel import compiled_rows
from riskmodel.simulate import simulate


def compiled() -> list[list[Any]]:
    """What each compiled function of a run was compiled for."""
    functions: list[Any] = [
        section_sums(kernelcall.COLUMNS), fatekernel.kernel(), *compiled_rows(), *closedkernel._compiled(),
    ]  # fmt: skip
    return [list(function.signatures) for function in functions]


@pytest.mark.parametrize("study", [priors(), PRIORS], ids=["no group", "a group"])
def test_a_run_needs_nothing_else(study):
    """Whatever the study has: the gradient and simulated lives of all portfolios come without another compilation."""
    for made in (section_sums, fatekernel.kernel, compiled_rows, closedkernel._compiled):
        made.cache_clear()  # other tests' calls do not count
    records = records_of(study, 20)
    ahead = Ahead(records, study, None)
    for item in ahead.items:
        ahead(item, lambda done: None)
    before = compiled()
    assert [len(own) for own in before] == [1] * len(before)
    density = LogDensity.of(records, study)
    density.value_and_gradient(density.layout.centre)
    programme = programme_from_records(records.sections, study)
    portfolios = all_portfolios([own.name for own in study.measures])
    simulate(prior_draws(study, draws=3), programme, study, portfolios=portfolios, seed=1)
    assert compiled() == before


@dataclass(frozen=True)
class Marking:
    """Leaves a file for every item, with the process in its name."""

    folder: str
    items: tuple[str, ...] = ("first", "second")

    def __call__(self, item: str, tell: Tell) -> None:
        with open(os.path.join(self.folder, f"{item} {os.getpid()}"), "x", encoding="utf-8"):
            pass


@dataclass(frozen=True)
class Prepared(Slow):
    ahead: Marking = field(default_factory=lambda: Marking(""))


def test_new_processes_do_it_once(tmp_path):
    work = Prepared(ahead=Marking(str(tmp_path)))
    with processes_at(2) as crew:
        for items in ([3, 4], [5, 6]):
            assert [square for square, _ in crew.map(work, items)] == [n**2 for n in items]
    found = [name.name.split() for name in sorted(tmp_path.iterdir())]
    assert [item for item, _ in found] == ["first", "second"]
    assert str(os.getpid()) not in {process for _, process in found}


def test_threads_compile_what_they_call(tmp_path):
    with processes_at(2) as crew:
        crew.map(Prepared(is_long=False, ahead=Marking(str(tmp_path))), [3, 4])
    assert not list(tmp_path.iterdir())
