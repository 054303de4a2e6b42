"""Where the stages of a run find what they read: inputs read once, results of earlier stages loaded when asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from .carried import refuse_shared
from .condition import Condition
from .crew import Crew, Workers
from .errors import Fault, RecordsError
from .measures import Portfolio, in_play
from .priors import PriorSet, load_priors
from .raters import raters_of
from .recalibrate import POSTERIOR, calibration_of
from .records import Records, Round, Vocabulary, read_planned, read_records
from .rounds import round_digests
from .store import digest_of, file_digest, load_tree, save_tree
from .study import Study, portfolios_of
from .thresholds import condition_at, file_of, validate_thresholds
from .weighing import DECISION, WORKERS

if TYPE_CHECKING:
    from .calibrate import Calibration

__all__ = ["POSTERIOR", "SEARCH", "SIMULATION", "Desk", "input_digests", "one_of_each_type"]

SIMULATION = "simulation.nc"
SEARCH = "search"
"""Name of the stage that finds sets among many measures."""


class Desk:
    """Inputs read once, and results of earlier stages loaded when a later one asks for them.

    Parameters
    ----------
    study : Study
    staging : Path
        Folder in which new files are made.
    progress : callable
        Told (done, total, text) within long stages.
    """

    def __init__(self, study: Study, staging: Path, *, progress: Callable[[int, int, str], None]):
        self.study = study
        self.staging = staging
        self.progress = progress
        self.facts: dict[str, dict[str, Any]] = {}
        self.notes: list[str] = []
        self.command = ""
        self.entries: dict[str, Mapping[str, Any]] = {}
        self.published: Mapping[str, Mapping[str, Any]] = {}
        self.fresh = False
        self.crew: Crew | None = None
        self._homes: dict[str, Path] = {}
        self._at: dict[float, Records] = {}

    def read_inputs(self) -> None:
        """Read priors, records and programme, so that their faults show before anything is written."""
        _ = self.priors, self.portfolios, self.records, self.programme
        refuse_shared(self.priors, self.records)
        if self.records is not None and raters_of(self.records.readings):
            _ = self.priors.path.between_raters
        self._read_at_thresholds()
        if self.study.policy is not None:
            from .firstcosts import validate_budget
            from .levels import validate_levels
            from .prices import validate_prices

            validate_prices(self.study.policy, self.stated, self.portfolios, self.study.file.name)
            validate_levels(self.study.policy, self.stated, self.study.file.name)
            validate_budget(self.first_costs, self.study.policy, self.study.file.name)

    def _read_at_thresholds(self) -> None:
        """Read the records at every other threshold: what one of them refuses shows now, for all of them at once."""
        validate_thresholds(self.study, recorded=self.records is not None)
        faults: list[Fault] = []
        for threshold in self.study.thresholds:
            try:
                self.records_at(threshold)
            except RecordsError as error:
                at = f" (at a threshold of {threshold:g})"
                faults += [replace(fault, file=fault.file + at) for fault in error.faults]
        if faults:
            raise RecordsError(faults)

    def place(self, stage: str, outputs: Iterable[str], home: Path, entry: Mapping[str, Any]) -> None:
        """Note where the outputs of a stage lie and what is noted of it."""
        self.entries[stage] = entry
        self._homes |= {name: home / name for name in outputs}

    @property
    def workers(self) -> Workers:
        """Who works what can be shared out: the crew if there is one, threads otherwise."""
        return self.crew or WORKERS

    @property
    def results(self) -> Path:
        """Folder of the results."""
        return self.staging.parent

    def found(self, name: str) -> Path:
        """Where an output lies now."""
        return self._homes[name]

    @cached_property
    def stated(self) -> PriorSet:
        """The prior files with the study's overrides, every measure among them."""
        return load_priors(self.study.priors, self.study.overrides)

    @cached_property
    def priors(self) -> PriorSet:
        """The prior set with the measures that this study's tables or portfolios know of."""
        tables = [self.records.sections] if self.records is not None else []
        return in_play(self.stated, self.portfolios, [*tables, *([self.planned] if self.planned is not None else [])])

    @cached_property
    def vocabulary(self) -> Vocabulary:
        """Names that the tables may use."""
        return Vocabulary.of(self.stated)

    @cached_property
    def stated_portfolios(self) -> tuple[Portfolio, ...]:
        """References and portfolios of the study."""
        return portfolios_of(self.study, self.stated)

    @property
    def portfolios(self) -> tuple[Portfolio, ...]:
        """References, portfolios of the study, and those that a search among many measures found."""
        stated = self.stated_portfolios
        plain = {p.measures for p in stated if not p.where}
        sets = [tuple(found) for found in self.entries.get(SEARCH, {}).get("facts", {}).get("sets", ())]
        return (*stated, *(Portfolio(" + ".join(s), s) for s in sets if s not in plain))

    @cached_property
    def tables(self) -> Records | None:
        """The records as read; None when the study names no table."""
        return self.read_tables(self.study.rounds)

    def read_tables(self, rounds: Sequence[Round]) -> Records | None:
        """The tables with some of the rounds; None when the study names no table."""
        study = replace(self.study, rounds=tuple(rounds))
        return None if study.sections is None else self._records(study, study.condition)

    def _records(self, study: Study, condition: Condition) -> Records:
        if study.sections is None:
            raise ValueError("a study without tables has no records")
        return read_records(
            study.sections,
            study.surveys,
            vocabulary=self.vocabulary,
            condition=condition,
            columns=study.columns,
            until=study.closing,
            rounds=study.rounds,
        )

    def records_at(self, threshold: float) -> Records:
        """The records as they read at another threshold."""
        if threshold not in self._at:
            self._at[threshold] = self.records_under(condition_at(self.study, threshold))
        return self._at[threshold]

    def records_under(self, condition: Condition) -> Records:
        """The records as they read on another condition scale."""
        return self._records(self.study, condition)

    def posterior_at(self, threshold: float) -> xr.Dataset:
        """Draws of the calibration at another threshold, from their file."""
        name = file_of(threshold)
        stage = next(stage for stage, entry in self.entries.items() if name in entry["outputs"])
        return load_tree(self.found(name), digest=self._digest(stage, name))["posterior"].to_dataset()

    @property
    def records(self) -> Records | None:
        """The records; None when there is no section on record: the priors alone."""
        return self.tables if self.tables is not None and self.tables.sections.sizes["section"] else None

    @cached_property
    def planned(self) -> xr.Dataset | None:
        """The table of planned sections; None when the study names none."""
        if self.study.programme is None:
            return None
        return read_planned(self.study.programme, vocabulary=self.vocabulary, columns=self.study.columns)

    @cached_property
    def programme(self) -> xr.Dataset:
        """The sections for which the results are stated."""
        from .programme import programme_from_records, programme_from_table, warn_outside_records

        if self.planned is not None:
            if self.records is not None:
                warn_outside_records(self.planned, self.records.sections, self.priors)
            return programme_from_table(self.planned)
        if self.records is not None:
            return programme_from_records(self.records.sections, self.priors)
        return one_of_each_type(self.priors)

    @cached_property
    def first_costs(self) -> dict[str, float]:
        """Expected extra first cost of the programme by option (see `firstcosts`); the study has a policy."""
        from .firstcosts import expected_first_costs

        if self.study.policy is None:
            raise ValueError("a study without a policy has no costs")
        return expected_first_costs(self.programme, self.priors, self.study.policy, self.portfolios)

    @cached_property
    def calibration(self) -> Calibration:
        """The calibration, from this run or from its file."""
        return calibration_of(self.found(POSTERIOR), self._digest("calibrate", POSTERIOR))

    @cached_property
    def simulation(self) -> xr.Dataset:
        """The simulation, from this run or from its file."""
        return load_tree(self.found(SIMULATION), digest=self._digest("simulate", SIMULATION)).to_dataset()

    @cached_property
    def decision(self) -> xr.Dataset:
        """Expected costs, from this run or from their file."""
        return load_tree(self.found(DECISION), digest=self._digest("decide", DECISION)).to_dataset()

    @property
    def basis(self) -> str:
        """What the results rest on, as every table says."""
        return "priors only" if self.records is None else "priors and records"

    @property
    def digests(self) -> dict[str, str]:
        """Digest of every file that the study reads."""
        return input_digests(self.study) | {f"priors/{name}": sha for name, sha in self.stated.files.items()}

    @property
    def settings(self) -> dict[str, Any]:
        """Everything the study sets, in plain names and values."""
        study = self.study
        return {
            **study.settings,
            "portfolios": [portfolio.name for portfolio in self.portfolios],
        }

    def save(self, tree: xr.DataTree | xr.Dataset, name: str) -> str:
        """Save arrays of the results and return the digest of the file."""
        return save_tree(tree, self.staging / name, digests=self.digests, settings=self.settings)

    def _digest(self, stage: str, name: str) -> str:
        return self.entries[stage]["outputs"][name]


def input_digests(study: Study) -> dict[str, str]:
    """Digest of every table that the study names."""
    files = {"sections": study.sections, "surveys": study.surveys, "programme": study.programme}
    digests = {f"{kind}/{file.name}": file_digest(file) for kind, file in files.items() if file is not None}
    return digests | {f"rounds/{each.name}": digest_of(round_digests(each)) for each in study.rounds}


def one_of_each_type(priors: PriorSet) -> xr.Dataset:
    """A programme for a study without records: one section of every overlay type, nothing recorded.

    Each type counts the same. The sections are new, so no measure was chosen for them yet.
    """
    from .programme import programme_from_table

    types, measures = priors.types, [measure.name for measure in priors.measures]
    on, shape = ("section", "measure"), (len(types), len(measures))
    table = xr.Dataset(
        {
            "bond": ("section", np.array([t.bond for t in types], dtype=str)),
            "base": ("section", np.array([t.base for t in types], dtype=str)),
            "required": (on, np.full(shape, np.nan)),
            "verified": (on, np.zeros(shape, bool)),
            "randomised": (on, np.zeros(shape, bool)),
        },
        coords={"section": [t.name for t in types], "measure": measures},
    )
    programme = programme_from_table(table)
    programme.attrs["programme"] = "types"
    return programme
