"""What each stage of a run reads and makes. The order and the skipping are `pipeline`'s."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import pandas as pd

from . import __version__
from .briefdesk import FIGURES, PAGE, gather, page_digest
from .changedesk import CHANGED, build_changes, told_of
from .changewords import change_finding, look_next
from .desk import POSTERIOR, SEARCH, SIMULATION, Desk, input_digests
from .errors import CalibrationError
from .priors import WEAR_OUT, PriorSet
from .recalibrate import FORMER, REFIT, Published, fingerprint, recalibrate
from .records import census_table
from .report import Findings, build_report, census_lines
from .store import code_digest, digest_of, file_digest, write_bytes, write_table, write_text
from .study import Study
from .thresholds import condition_at, file_of
from .trustdesk import CHECKS, TRUST, TRUST_MODULES, build_trust, trust_digest
from .trustwords import short_lines
from .weighing import DECISION, DECISION_TABLES, advise, weigh

__all__ = ["STAGES", "Stage", "stage_keys", "stages_of", "threshold_stage"]

CENSUS, PORTFOLIOS, CAUSES, PARAMETERS, EXCLUSION = (
    f"tables/{name}.csv" for name in ("census", "portfolios", "causes", "parameters", "exclusion")
)
SEARCHED, RATERS = "tables/search.csv", "tables/raters.csv"
CRITICISM = tuple(f"tables/{name}.csv" for name in ("fit", "readings", "moved"))
REPORT = "report.txt"

COMPILES = "The first calibration on a machine compiles for half a minute."

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
    apart : bool
        It reads no earlier stage's files, so it stands when these are made anew.
    """

    name: str
    words: str
    outputs: tuple[str, ...]
    build: Callable[[Desk], Outputs]
    hint: str = ""
    apart: bool = False


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
    joint = desk.priors.joint
    desk.facts["priors"] = {"quantities": counts}
    if joint is not None:
        desk.facts["priors"]["joint"] = {"quantities": list(joint.quantities), "left_out": list(joint.left_out)}
    return {}


def _calibrate(desk: Desk) -> Outputs:
    study = desk.study
    made = recalibrate(
        study,
        desk.priors,
        desk.records,
        Published(desk.results, desk.published.get("calibrate", {})),
        read=desk.read_tables,
        mark=fingerprint(study, desk.priors, code_digest(*OUTER)),
        fresh=desk.fresh,
        progress=desk.progress,
        crew=desk.crew,
    )
    desk.calibration = made.calibration
    desk.facts["calibrate"] = dict(made.facts) | getattr(desk.crew, "notes", {})
    kept = {name: write_bytes(file.read_bytes(), desk.staging / name) for name, file in made.kept.items()}
    return {POSTERIOR: desk.save(made.calibration.tree, POSTERIOR), **kept}


def _calibrate_at(threshold: float, desk: Desk) -> Outputs:
    """The same calibration with the records read at another threshold; the gate is the same."""
    from .calibrate import Sampling, calibrate
    from .lifesettings import LifeSettings

    study = desk.study
    try:
        result = calibrate(
            desk.records_at(threshold),
            desk.priors,
            settings=LifeSettings(**study.life),
            sampling=Sampling(**study.sampling),
            progress=desk.progress,
            crew=desk.crew,
        )
    except CalibrationError as error:
        raise CalibrationError(f"at a threshold of {threshold:g} {error}") from error
    name = file_of(threshold)
    return {name: desk.save(result.tree, name)}


def _search(desk: Desk) -> Outputs:
    from .search import search_portfolios

    study = desk.study
    if study.policy is None or study.measures is None:
        raise ValueError("a search needs measures and prices")
    found = search_portfolios(
        desk.calibration.posterior,
        desk.programme,
        desk.priors,
        study.measures,
        policy=study.policy,
        seed=study.seed,
        score_shift=study.score_shift,
        workers=desk.workers,
        progress=desk.progress,
    )
    desk.facts[SEARCH] = {"sets": [list(members) for members in found.sets]}
    return {SEARCHED: write_table(found.table.assign(basis=desk.basis), desk.staging / SEARCHED)}


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
        workers=desk.workers,
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
        others={threshold: partial(desk.posterior_at, threshold) for threshold in desk.study.thresholds},
        prior_only=desk.records is None,
        workers=desk.workers,
        progress=desk.progress,
    )
    desk.decision = made.result
    desk.facts["decide"] = {"affordable": made.affordable}
    tables = {n: write_table(t.assign(basis=desk.basis), desk.staging / n) for n, t in made.tables.items()}
    return {DECISION: desk.save(made.result, DECISION), **tables}


def _tables(desk: Desk) -> Outputs:
    from .calibrate import parameter_table
    from .ratertable import rater_table
    from .simulate import cause_table, portfolio_table

    tables = {
        PORTFOLIOS: portfolio_table(desk.simulation),
        CAUSES: cause_table(desk.simulation),
        PARAMETERS: parameter_table(desk.calibration, desk.priors),
    }
    if desk.records is not None and "rater_effect" in desk.calibration.posterior:
        tables[RATERS] = rater_table(desk.calibration.posterior, desk.records)
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
        raters=_raters(desk),
        gate=entries["calibrate"]["facts"]["gate"],
        taught={} if desk.records is None else _taught(pd.read_csv(desk.found(PARAMETERS)), priors),
        priors=entries["priors"]["facts"]["quantities"],
        cautions={m.name: m.caution for m in priors.measures if any(m.name in p.measures for p in desk.portfolios)},
        advice=_advice(desk),
        round=_last_round(desk),
        trust=tuple(short_lines(pd.read_csv(desk.found(CHECKS)))) if "trust" in entries else (),
        exclusion=_deleting(desk),
        notes=tuple(dict.fromkeys([*desk.notes, *(note for entry in entries.values() for note in entry["notes"])])),
    )
    return {REPORT: write_text(build_report(findings), desk.staging / REPORT)}


def _deleting(desk: Desk) -> tuple[str, ...]:
    from .exclusion import exclude_where_possible
    from .exclusionwords import report_lines

    found, _ = exclude_where_possible(desk.records, desk.simulation, seed=desk.study.seed)
    return tuple(report_lines(found))


def _advice(desk: Desk) -> tuple[str, ...]:
    if desk.study.policy is None:
        return ()
    affordable = desk.entries["decide"]["facts"]["affordable"]
    return tuple(advise(desk.study, desk.decision, affordable, lambda name: pd.read_csv(desk.found(name))))


def _raters(desk: Desk) -> str:
    if RATERS not in desk.entries["tables"]["outputs"]:
        return ""
    from .ratertable import rater_sentence

    return rater_sentence(pd.read_csv(desk.found(RATERS)))


def _last_round(desk: Desk) -> tuple[str, ...]:
    told = told_of(desk)
    return () if told is None else (change_finding(told), *look_next(told))


def _taught(parameters: pd.DataFrame, priors: PriorSet) -> dict[str, float]:
    """Measure to the mean part by which the records narrowed the prior sd of its effects."""
    narrowed = 1.0 - parameters["sd"] / parameters["prior_sd"]
    effects = {m.name: parameters["parameter"].str.startswith(f"delta[{m.name} on ") for m in priors.measures}
    return {name: max(float(narrowed[rows].mean()), 0.0) for name, rows in effects.items() if rows.any()}


STAGES = (
    Stage("records", "Reading the records", (CENSUS,), _records),
    Stage("priors", "Reading the priors", (), _priors),
    Stage("calibrate", "Calibrating", (POSTERIOR, REFIT, FORMER), _calibrate, COMPILES),
    Stage(SEARCH, "Searching the sets of measures", (SEARCHED,), _search),
    Stage("simulate", "Simulating", (SIMULATION,), _simulate),
    Stage("exclusion", "Checking the exclusion of poor sections", (EXCLUSION,), _exclusion),
    Stage(
        "decide",
        "Weighing costs",
        (DECISION, *DECISION_TABLES),
        _decide,
    ),
    Stage("tables", "Writing the tables", (PORTFOLIOS, CAUSES, PARAMETERS, RATERS), _tables),
    Stage("changes", "Saying what the last round changed", CHANGED, build_changes),
    Stage("criticism", "Setting the model against the records", CRITICISM, _criticise),
    Stage("trust", "Checking whether the model can be believed", TRUST, build_trust),
    Stage("report", "Writing the report", (REPORT,), _report),
    Stage("brief", "Writing the page", (PAGE, *FIGURES), _brief),
)


def stages_of(study: Study) -> tuple[Stage, ...]:
    """Stages of a study.

    Costs are weighed where it has a table [decision], after a calibration at each threshold; sets of measures are
    searched where they are too many; changes are told where it has rounds.
    """
    idle = set() if study.policy is not None else {"decide"}
    idle |= set() if study.searches else {SEARCH}
    idle |= set() if study.rounds else {"changes"}
    found: list[Stage] = []
    for stage in STAGES:
        if stage.name == "decide" and study.policy is not None:
            found += map(_at_threshold, study.thresholds)
        if stage.name not in idle:
            found.append(stage)
    return tuple(found)


def _at_threshold(threshold: float) -> Stage:
    name, words = threshold_stage(threshold), f"Calibrating at a threshold of {threshold:g}"
    return Stage(name, words, (file_of(threshold),), partial(_calibrate_at, threshold), COMPILES, apart=True)


def threshold_stage(threshold: float) -> str:
    """Name of the stage that calibrates at a threshold."""
    return f"threshold {threshold:g}"


# these decide how a result is asked for and shown, not what it is
OUTER = (
    *("__main__", "advice", "amounts", "answers", "ask", "askexclusion", "brief", "briefcommand", "briefdesk", "cli"),
    *("cluster", "crew", "crews", "processes"),
    *("decisionfile", "exclusionwords", "figures", "layout", "notebook", "options", "pipeline", "preview", "printing"),
    *("provenance", "verification", "verifycommand"),
    *("carry", "carrydesk", "changewords", "priorscommand", "roundfigures", "rounds", "updatecommand"),
    *("questions", "report", "scaffold", "statedmixture", "store", "study"),
    # asked of finished results
    *("firstsigns", "trialcommand", "trialdesk", "trialwords"),
    *("attribution", "cellposterior", "planned", "scoring", "watch", "watchcommand", "watchdesk", "watchwords"),
    # checks of finished draws; the stage that makes them adds their digest to its key
    *TRUST_MODULES,
    *("trustcommand", "trustfigures", "trustwords", "variantdesk", "variants"),
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
    inputs, settings = input_digests(study), study.settings
    records = {k: v for k, v in inputs.items() if not k.startswith("programme")}
    own: dict[str, object] = {
        "records": [records, settings["columns"], settings["condition"], settings["until"]],
        "priors": [dict(priors.files), [measure.name for measure in priors.measures]],
        "calibrate": [settings["life"], settings["sampling"]],
        SEARCH: [inputs, settings["measures"], settings["decision"], settings["programme"], settings["score_shift"]],
        "simulate": [
            inputs,
            *(settings[k] for k in ("programme", "score_shift", "weight_by_area", "measures", "portfolios")),
        ],
        "exclusion": [],
        "decide": [settings["decision"], settings["thresholds"]],
        "tables": [],
        "changes": [],
        "criticism": [],
        "trust": [trust_digest()],
        "report": [study.title, study.agency],
        "brief": [study.title, study.agency, page_digest()],
    }
    apart = {
        threshold_stage(at): [
            *(records, settings["columns"], asdict(condition_at(study, at)), settings["until"]),
            *(own["priors"], own["calibrate"]),
        ]
        for at in study.thresholds
    }
    keys: dict[str, str] = {}
    core = code_digest(*OUTER)
    page = [
        file_digest(Path(__file__).with_name(f"{name}.py"))
        for name in ("report", "advice", "changewords", "exclusionwords", "trustwords")
    ]
    for stage in stages_of(study):
        if stage.apart:
            keys[stage.name] = digest_of([__version__, core, apart[stage.name]])
            continue
        # the priors name the columns and causes that the records may use
        earlier = [dict(priors.files), *keys.values()]
        code = page if stage.name in ("report", "brief") else core
        keys[stage.name] = digest_of([__version__, code, own[stage.name], earlier])
    return keys
