"""What each stage of a run reads and makes. The order and the skipping are `pipeline`'s."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from . import __version__
from .briefdesk import FIGURES, PAGE, gather, page_digest
from .measures import Portfolio, in_play
from .priors import WEAR_OUT, PriorSet, load_priors
from .records import Records, Vocabulary, census_table, read_planned, read_records
from .report import Findings, build_report, census_lines
from .store import digest_of, file_digest, load_tree, save_tree, write_bytes, write_table, write_text
from .study import Study, portfolios_of
from .weighing import DECISION, DECISION_TABLES, advise, weigh

if TYPE_CHECKING:
    from .calibrate import Calibration

__all__ = ["STAGES", "Desk", "Stage", "stage_keys", "stages_of"]

CENSUS, PORTFOLIOS, CAUSES, PARAMETERS, EXCLUSION = (
    f"tables/{name}.csv" for name in ("census", "portfolios", "causes", "parameters", "exclusion")
)
CRITICISM = tuple(f"tables/{name}.csv" for name in ("fit", "readings", "moved"))
POSTERIOR, SIMULATION, REPORT = "posterior.nc", "simulation.nc", "report.txt"

COMPILES = "The first calibration on a machine compiles for half a minute to a minute."

Outputs = dict[str, str]
"""File name within the results to its digest."""


@dataclass(frozen=True)
class Stage:
    """One stage.

    Parameters
    ----------
    name, words : str
        Name in keys and files; what it does, in words.
    outputs : tuple of str
        Files it may make, within the results; which ones follows from what it reads.
    build : callable
        Makes the files and returns their digests.
    hint : str
        What to expect of it where there are records.
    """

    name: str
    words: str
    outputs: tuple[str, ...]
    build: Callable[[Desk], Outputs]
    hint: str = ""


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
        self._homes: dict[str, Path] = {}

    def read_inputs(self) -> None:
        """Read priors, records and programme, so that their faults show before anything is written."""
        _ = self.priors, self.portfolios, self.records, self.programme
        if self.study.policy is not None:
            from .prices import validate_prices

            validate_prices(self.study.policy, self.priors, self.portfolios, self.study.file.name)

    def place(self, stage: Stage, home: Path, entry: Mapping[str, Any]) -> None:
        """Note where the outputs of a stage lie and what is noted of it."""
        self.entries[stage.name] = entry
        self._homes |= {name: home / name for name in stage.outputs}

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
    def portfolios(self) -> tuple[Portfolio, ...]:
        """References and portfolios of the study."""
        return portfolios_of(self.study, self.stated)

    @cached_property
    def tables(self) -> Records | None:
        """The records as read; None when the study names no table."""
        study = self.study
        if study.sections is None:
            return None
        return read_records(
            study.sections,
            study.surveys,
            vocabulary=self.vocabulary,
            condition=study.condition,
            columns=study.columns,
            until=study.until,
        )

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
        from .simulate import programme_from_records, programme_from_table, warn_outside_records

        if self.planned is not None:
            if self.records is not None:
                warn_outside_records(self.planned, self.records.sections, self.priors)
            return programme_from_table(self.planned)
        if self.records is not None:
            return programme_from_records(self.records.sections, self.priors)
        return one_of_each_type(self.priors)

    @cached_property
    def calibration(self) -> Calibration:
        """The calibration, from this run or from its file."""
        from .calibrate import Calibration, Check, Gate

        tree = load_tree(self.found(POSTERIOR), digest=self._digest("calibrate", POSTERIOR))
        stated = tree.attrs.get("gate")
        gate = None if stated is None else Gate(tuple(Check(**check) for check in json.loads(stated)))
        return Calibration(tree, gate, prior_only=gate is None)

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
        return _input_digests(self.study) | {f"priors/{name}": sha for name, sha in self.stated.files.items()}

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


def _input_digests(study: Study) -> dict[str, str]:
    files = {"sections": study.sections, "surveys": study.surveys, "programme": study.programme}
    return {f"{kind}/{file.name}": file_digest(file) for kind, file in files.items() if file is not None}


def one_of_each_type(priors: PriorSet) -> xr.Dataset:
    """A programme for a study without records: one section of every overlay type, nothing recorded.

    Each type counts the same. The sections are new, so no measure was chosen for them yet.
    """
    from .simulate import programme_from_table

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


# ------------------------------------------------------------------------------------ the stages


def _records(desk: Desk) -> Outputs:
    if desk.tables is None:
        table = pd.DataFrame([("sections", 0, "the study names no table")], columns=["item", "value", "note"])
    else:
        table = census_table(desk.tables)
    return {CENSUS: write_table(table.assign(basis=desk.basis), desk.staging / CENSUS)}


def _priors(desk: Desk) -> Outputs:
    counts: dict[str, int] = {}
    for quantity in desk.priors.quantities():
        counts[quantity.status] = counts.get(quantity.status, 0) + 1
    desk.facts["priors"] = {"quantities": counts}
    return {}


def _calibrate(desk: Desk) -> Outputs:
    from .calibrate import Sampling, calibrate
    from .model import LifeSettings

    study = desk.study
    result = calibrate(
        desk.records,
        desk.priors,
        settings=LifeSettings(**study.life),
        sampling=Sampling(**study.sampling),
        progress=desk.progress,
    )
    desk.calibration = result
    desk.facts["calibrate"] = {"gate": None if result.gate is None else [asdict(c) for c in result.gate.checks]}
    return {POSTERIOR: desk.save(result.tree, POSTERIOR)}


def _simulate(desk: Desk) -> Outputs:
    from .simulate import observed_to, simulate

    study = desk.study
    desk.simulation = simulate(
        desk.calibration.posterior,
        desk.programme,
        desk.priors,
        portfolios=desk.portfolios,
        **study.life,
        seed=study.seed,
        score_shift=study.score_shift,
        weight_by_area=study.weight_by_area,
        observed_to=0.0 if desk.records is None else observed_to(desk.records.sections),
        progress=desk.progress,
    )
    return {SIMULATION: desk.save(desk.simulation, SIMULATION)}


def _exclusion(desk: Desk) -> Outputs:
    from .exclusion import exclusion_table

    table = exclusion_table(desk.records, desk.simulation, seed=desk.study.seed)
    return {EXCLUSION: write_table(table.assign(basis=desk.basis), desk.staging / EXCLUSION)}


def _decide(desk: Desk) -> Outputs:
    made = weigh(
        desk.study,
        desk.calibration.posterior,
        desk.programme,
        desk.priors,
        desk.portfolios,
        desk.simulation,
        prior_only=desk.records is None,
        progress=desk.progress,
    )
    desk.decision = made.result
    desk.facts["decide"] = {"affordable": made.affordable}
    tables = {n: write_table(t.assign(basis=desk.basis), desk.staging / n) for n, t in made.tables.items()}
    return {DECISION: desk.save(made.result, DECISION), **tables}


def _tables(desk: Desk) -> Outputs:
    from .calibrate import parameter_table
    from .simulate import cause_table, portfolio_table

    tables = {
        PORTFOLIOS: portfolio_table(desk.simulation),
        CAUSES: cause_table(desk.simulation),
        PARAMETERS: parameter_table(desk.calibration, desk.priors),
    }
    return {name: write_table(table.assign(basis=desk.basis), desk.staging / name) for name, table in tables.items()}


def _criticise(desk: Desk) -> Outputs:
    if desk.records is None:
        return {}
    from .criticism import criticise

    study = desk.study
    tables = criticise(
        desk.calibration, desk.simulation, desk.programme, desk.records, desk.priors, score_shift=study.score_shift
    )
    files = {f"tables/{name}.csv": table.assign(basis=desk.basis) for name, table in tables.items()}
    return {name: write_table(table, desk.staging / name) for name, table in files.items()}


def _brief(desk: Desk) -> Outputs:
    from .brief import build_page

    page = build_page(gather(desk))
    files = {f"figures/{name}": content for name, content in page.figures.items()}
    outputs = {name: write_bytes(content, desk.staging / name) for name, content in files.items()}
    return {PAGE: write_text(page.html, desk.staging / PAGE), **outputs}


def _report(desk: Desk) -> Outputs:
    priors, entries = desk.priors, desk.entries
    findings = Findings(
        title=desk.study.title,
        agency=desk.study.agency,
        simulation=desk.simulation,
        prior_only=desk.records is None,
        threshold=desk.study.condition.threshold,
        index=desk.study.condition.column,
        labels={mechanism.name: mechanism.label for mechanism in priors.mechanisms} | {WEAR_OUT: "worn out already"},
        census=() if desk.records is None else census_lines(desk.records),
        gate=entries["calibrate"]["facts"]["gate"],
        taught={} if desk.records is None else _taught(pd.read_csv(desk.found(PARAMETERS)), priors),
        priors=entries["priors"]["facts"]["quantities"],
        cautions={m.name: m.caution for m in priors.measures if any(m.name in p.measures for p in desk.portfolios)},
        advice=_advice(desk),
        notes=tuple(dict.fromkeys([*desk.notes, *(note for entry in entries.values() for note in entry["notes"])])),
    )
    return {REPORT: write_text(build_report(findings), desk.staging / REPORT)}


def _advice(desk: Desk) -> tuple[str, ...]:
    if desk.study.policy is None:
        return ()
    affordable = desk.entries["decide"]["facts"]["affordable"]
    return tuple(advise(desk.study, desk.decision, affordable, lambda name: pd.read_csv(desk.found(name))))


def _taught(parameters: pd.DataFrame, priors: PriorSet) -> dict[str, float]:
    """Measure to the mean part by which the records narrowed the prior sd of its effects."""
    narrowed = 1.0 - parameters["sd"] / parameters["prior_sd"]
    effects = {m.name: parameters["parameter"].str.startswith(f"delta[{m.name} on ") for m in priors.measures}
    return {name: max(float(narrowed[rows].mean()), 0.0) for name, rows in effects.items() if rows.any()}


STAGES = (
    Stage("records", "Reading the records", (CENSUS,), _records),
    Stage("priors", "Reading the priors", (), _priors),
    Stage("calibrate", "Calibrating", (POSTERIOR,), _calibrate, COMPILES),
    Stage("simulate", "Simulating", (SIMULATION,), _simulate),
    Stage("exclusion", "Checking the exclusion of poor sections", (EXCLUSION,), _exclusion),
    Stage(
        "decide",
        "Weighing costs",
        (DECISION, *DECISION_TABLES),
        _decide,
    ),
    Stage("tables", "Writing the tables", (PORTFOLIOS, CAUSES, PARAMETERS), _tables),
    Stage("criticism", "Setting the model against the records", CRITICISM, _criticise),
    Stage("report", "Writing the report", (REPORT,), _report),
    Stage("brief", "Writing the page", (PAGE, *FIGURES), _brief),
)


def stages_of(study: Study) -> tuple[Stage, ...]:
    """Stages of a study: costs are weighed where it has a table [decision]."""
    return tuple(stage for stage in STAGES if stage.name != "decide" or study.policy is not None)


# these decide how a result is asked for and shown, not what it is
OUTER = (
    *("__main__", "advice", "amounts", "answers", "ask", "askexclusion", "brief", "briefcommand", "briefdesk", "cli"),
    *("decisionfile", "exclusionwords", "figures", "layout", "notebook", "options", "pipeline", "preview", "printing"),
    *("questions", "report", "scaffold", "statedmixture", "store", "study"),
    # asked of finished results
    *("firstsigns", "trialcommand", "trialdesk", "trialwords"),
    *("attribution", "cellposterior", "planned", "scoring", "watch", "watchcommand", "watchdesk", "watchwords"),
    *("elicitcommand", "elicitdialogue", "elicitwords", "expertanswers", "priorentry"),
)


def stage_keys(study: Study, priors: PriorSet) -> dict[str, str]:
    """Key of every stage: a digest of all that it reads, earlier stages included.

    Parameters
    ----------
    study : Study
    priors : PriorSet
        With the measures in play.

    Raises
    ------
    StoreError
        When an input cannot be read.
    """
    inputs, settings = _input_digests(study), study.settings
    records = {k: v for k, v in inputs.items() if not k.startswith("programme")}
    own: dict[str, object] = {
        "records": [records, settings["columns"], settings["condition"], settings["until"]],
        "priors": [dict(priors.files), [measure.name for measure in priors.measures]],
        "calibrate": [settings["life"], settings["sampling"]],
        "simulate": [
            inputs,
            *(settings[k] for k in ("programme", "score_shift", "weight_by_area", "measures", "portfolios")),
        ],
        "exclusion": [],
        "decide": [settings["decision"]],
        "tables": [],
        "criticism": [],
        "report": [study.title, study.agency],
        "brief": [study.title, study.agency, page_digest()],
    }
    keys: dict[str, str] = {}
    core = _core_digest()
    page = [file_digest(Path(__file__).with_name(f"{name}.py")) for name in ("report", "advice")]
    for stage in stages_of(study):
        # the priors name the columns and causes that the records may use
        earlier = [dict(priors.files), *keys.values()]
        code = page if stage.name in ("report", "brief") else core
        keys[stage.name] = digest_of([__version__, code, own[stage.name], earlier])
    return keys


def _core_digest() -> str:
    """Digest of the modules that make the numbers: a checkout changes without a new version number."""
    here = Path(__file__).parent
    files = sorted(f for f in here.rglob("*.py") if f.relative_to(here).parts[0].removesuffix(".py") not in OUTER)
    return digest_of({file.relative_to(here).as_posix(): file_digest(file) for file in files})
