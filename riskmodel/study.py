"""study.toml -> `Study`: every key known, every value in range, all faults in one message.

The file that `write_new_study` writes is the reference of its layout.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .columns import nearest
from .condition import Condition
from .decisionfile import read_policy, stated
from .errors import Faults, StudyError, printable
from .layout import LAYOUT, MOST_MEASURES, USUAL_MEASURES, RefusedValueError, text
from .measures import Portfolio, all_portfolios
from .policy import Policy
from .rounds import find_rounds
from .roundtables import Round
from .store import digest_of
from .tomltext import parse_toml

if TYPE_CHECKING:
    from .priors import PriorSet

__all__ = ["FILE_NAME", "SCHEMA", "Study", "find_study_file", "portfolios_of", "read_study"]

SCHEMA = 1
FILE_NAME = "study.toml"
LIFE: Mapping[str, Any] = {"early_age": 10.0, "horizon": 60.0, "ages": (25.0, 45.0)}
SAMPLING: Mapping[str, Any] = {"seed": 20260101}
LARGEST_FILE = 1_000_000
TOP = ("schema", "columns", *(name for name in LAYOUT if "." not in name))
APART = ("portfolio", "decision")  # lists, and tables with tables in them
CONDITION_NAMES = {"index": "column", "unrecorded_restorations": "unrecorded"}


@dataclass(frozen=True)
class Study:
    """What a study asks, as its file states it; paths are resolved against the file's folder.

    Parameters
    ----------
    file : Path
        The study.toml.
    title, agency : str
    sections, surveys : Path or None
        Tables of the records; no sections table means a prior-only study.
    until : date or None
        Date on which the records close; None is the latest date in the tables.
    columns : mapping of str to str
        Our column name to the agency's.
    condition : Condition
        Scale of the condition index and the threshold that counts as failure.
    life : mapping of str to object
        early_age, horizon and ages, in years.
    priors : Path or None
        Folder of prior files; None is the packaged set.
    overrides : mapping
        Changes to the prior files, key by key.
    programme : Path or None
        Table of the programme; None takes the sections of the records.
    score_shift : mapping of str to float
        Shift of a quality score's mean in the programme, in standard deviations of current practice.
    weight_by_area : bool
    measures : tuple of str or None
        All combinations of these, or a search among them; None leaves the choice to `portfolios_of`.
    portfolios : tuple of Portfolio
        Portfolios named one by one; empty where all combinations of `measures` serve.
    sampling : mapping of str to object
        Seed, and what else of `calibrate.Sampling` the study states.
    policy : Policy or None
        What it states about money; None where costs are not weighed.
    thresholds : tuple of float
        Other thresholds of the condition index at which it is calibrated, too: asked for when it is run.
    rounds : tuple of Round
        Later deliveries of records, oldest first.
    """

    file: Path
    title: str
    agency: str
    sections: Path | None
    surveys: Path | None
    until: date | None
    columns: Mapping[str, str]
    condition: Condition
    life: Mapping[str, Any]
    priors: Path | None
    overrides: Mapping[str, Any]
    programme: Path | None
    score_shift: Mapping[str, float]
    weight_by_area: bool
    measures: tuple[str, ...] | None
    portfolios: tuple[Portfolio, ...]
    sampling: Mapping[str, Any]
    policy: Policy | None = None
    thresholds: tuple[float, ...] = ()
    rounds: tuple[Round, ...] = ()

    @property
    def closing(self) -> date | None:
        """Day on which the records close, later rounds included; None is the latest date in the tables."""
        stated = () if self.until is None else (self.until,)
        return max((*stated, *(each.until for each in self.rounds)), default=None)

    @property
    def folder(self) -> Path:
        """The folder of study.toml."""
        return self.file.parent

    @property
    def searches(self) -> bool:
        """Whether its measures are too many to try every set of them."""
        return len(self.measures or ()) > MOST_MEASURES

    @property
    def seed(self) -> int:
        """The study's one seed."""
        return int(self.sampling["seed"])

    @property
    def settings(self) -> dict[str, Any]:
        """Everything the study sets, as JSON can hold it and without a path of this machine."""
        return {
            "until": None if self.closing is None else self.closing.isoformat(),
            "columns": dict(self.columns),
            "condition": asdict(self.condition),
            "life": dict(self.life),
            "overrides": dict(self.overrides),
            "programme": "records" if self.programme is None else self.programme.name,
            "score_shift": dict(self.score_shift),
            "weight_by_area": self.weight_by_area,
            "measures": None if self.measures is None else list(self.measures),
            "portfolios": [asdict(portfolio) for portfolio in self.portfolios],
            "sampling": dict(self.sampling),
            "decision": stated(self.policy),
            "thresholds": list(self.thresholds),
        }

    @property
    def identity(self) -> str:
        """What makes it this study and no other: a digest of title and agency."""
        return digest_of([self.title, self.agency])


# ---------------------------------------------------------------------------------- the reader


def find_study_file(place: Path) -> Path:
    """The study.toml of a folder, or the file itself.

    Raises
    ------
    StudyError
        When there is none.
    """
    file = place / FILE_NAME if place.is_dir() else place
    if not file.is_file():
        faults = Faults(file.name)
        faults.add("a study is a folder with a study.toml in it", remedy="Write one with `riskmodel new FOLDER`")
        faults.raise_any(StudyError)
    return file


def read_study(place: Path) -> Study:
    """Read and check a study.

    Parameters
    ----------
    place : Path
        The study's folder or its study.toml.

    Raises
    ------
    StudyError
        With every fault of the file: unknown keys (and the nearest known one), wrong types, values
        out of range, tables that do not exist, settings that contradict each other.
    """
    file = find_study_file(place)
    faults = Faults(file.name)
    content = _parse(file, faults)
    faults.raise_any(StudyError)
    tables = _read_tables(content, faults)
    study = _build(file, content, tables, faults)
    faults.raise_any(StudyError)
    return study


def _parse(file: Path, faults: Faults) -> dict[str, Any]:
    try:
        raw = file.read_bytes()
        if len(raw) > LARGEST_FILE:
            faults.add("a study file is no larger than 1 MB", got=f"{len(raw)} bytes")
            return {}
        return parse_toml(raw)
    except OSError as error:
        faults.add("the file can be read", got=error.strerror or "", remedy="Check its permissions")
    except UnicodeDecodeError as error:
        faults.add("the file is UTF-8 text", got=f"byte {error.start + 1}", remedy="Save it as UTF-8")
    except RecursionError:
        faults.add("tables and lists are nested a few levels deep", remedy="Remove the deep nesting")
    except ValueError as error:
        faults.add("the file is TOML", got=str(error), remedy="Mend that line; text stands in quotation marks")
    return {}


def _read_tables(content: Mapping[str, Any], faults: Faults) -> dict[str, dict[str, Any]]:
    """Values of every table of the layout that passed its reader; faults for all others."""
    for name in content:
        if name not in TOP:
            faults.add("the key is not known", column=printable(name), remedy=_instead(name, TOP))
    _validate_schema(content, faults)
    tables = {name: _read_table(content.get(name, {}), name, faults) for name in TOP[2:] if name not in APART}
    tables["columns"] = _read_columns(content.get("columns", {}), faults)
    return tables


def _validate_schema(content: Mapping[str, Any], faults: Faults) -> None:
    found = content.get("schema")
    if type(found) is int and found > SCHEMA:
        faults.add(f"this riskmodel reads layout {SCHEMA}", column="schema", got=found, remedy="Install the newer one")
    elif type(found) is not int or found != SCHEMA:
        got = "" if found is None else found
        faults.add("the first line states the layout", column="schema", got=got, remedy="Write schema = 1")


def _read_table(table: object, name: str, faults: Faults, *, place: str = "") -> dict[str, Any]:
    place = place or name
    if not isinstance(table, dict):
        faults.add("a table is expected", column=place, got=table, remedy=f"Begin it with a line [{name}]")
        return {}
    values = {}
    for key, value in table.items():
        reader = LAYOUT[name].get(key)
        if reader is None:
            faults.add("the key is not known", column=f"{place}.{printable(key)}", remedy=_instead(key, LAYOUT[name]))
            continue
        try:
            values[key] = reader(value)
        except RefusedValueError as rule:
            faults.add(str(rule), column=f"{place}.{key}", got=value)
    return values


def _read_columns(table: object, faults: Faults) -> dict[str, str]:
    if not isinstance(table, dict):
        faults.add("a table is expected", column="columns", got=table, remedy="Begin it with a line [columns]")
        return {}
    columns = {}
    for ours, theirs in table.items():
        try:
            columns[ours] = text(theirs)
        except RefusedValueError as rule:
            faults.add(str(rule), column=f"columns.{printable(ours)}", got=theirs)
    return columns


def _build(file: Path, content: Mapping[str, Any], tables: Mapping[str, dict[str, Any]], faults: Faults) -> Study:
    records, priors, programme = tables["records"], tables["priors"], tables["programme"]
    sections = _path_of(file, records.get("sections"), "records.sections", faults)
    surveys = _path_of(file, records.get("surveys"), "records.surveys", faults)
    if surveys is not None and sections is None:
        faults.add("surveys need the sections they belong to", column="records.sections", remedy="Name that table too")
    _validate_portfolios(tables["portfolios"].get("measures", ()), content, faults)
    source = programme.get("source", "records")
    life = _life(tables["life"], faults)

    def read(table: object, name: str, place: str) -> dict[str, Any]:
        return _read_table(table, name, faults, place=place)

    return Study(
        file=file,
        title=tables["study"].get("title", file.resolve().parent.name or "study"),
        agency=tables["study"].get("agency", ""),
        sections=sections,
        surveys=surveys,
        until=records.get("until"),
        columns=tables["columns"],
        condition=_condition(tables["condition"], faults),
        life=life,
        priors=_path_of(file, priors.get("directory"), "priors.directory", faults, folder=True),
        overrides=priors.get("override", {}),
        programme=None if source == "records" else _path_of(file, source, "programme.source", faults),
        score_shift=programme.get("score_shift", {}),
        weight_by_area=programme.get("weight_by_area", False),
        measures=tables["portfolios"].get("measures"),
        portfolios=tuple(_named_portfolios(content.get("portfolio", []), faults)),
        sampling={**SAMPLING, **tables["sampling"]},
        policy=read_policy(content.get("decision"), life["horizon"], read, faults),
        rounds=find_rounds(file.parent, faults),
    )


def _validate_portfolios(measures: tuple[str, ...], content: Mapping[str, Any], faults: Faults) -> None:
    if len(measures) > MOST_MEASURES and "decision" not in content:
        faults.add(
            f"sets of more than {MOST_MEASURES} measures are searched by what they save, which needs prices",
            column="portfolios.measures",
            got=f"{len(measures)} measures",
            remedy="Add a table [decision], or name the portfolios one by one as [[portfolio]]",
        )
    if 0 < len(measures) <= MOST_MEASURES and "portfolio" in content:
        faults.add(
            "portfolios are either all combinations of some measures or named one by one",
            column="portfolios.measures",
            remedy="Drop it, or drop the [[portfolio]] tables",
        )


def _path_of(file: Path, name: str | None, key: str, faults: Faults, *, folder: bool = False) -> Path | None:
    """A path stated in the study, relative to its file."""
    if name is None:
        return None
    path = file.parent / name
    if not (os.path.isdir(path) if folder else os.path.isfile(path)):  # of an odd name they say no
        kind = "folder" if folder else "file"
        faults.add(
            f"the {kind} exists, seen from the folder of {file.name}",
            column=key,
            got=name,
            remedy="Correct the name, or take the line out",
        )
    return path


def _condition(table: Mapping[str, Any], faults: Faults) -> Condition:
    stated = {CONDITION_NAMES.get(key, key): value for key, value in table.items()}
    try:
        return Condition(**stated)
    except ValueError as error:
        for line in str(error).splitlines():
            faults.add(line.rstrip("."), column="condition")
    return Condition()


def _life(table: Mapping[str, Any], faults: Faults) -> dict[str, Any]:
    horizon = table.get("horizon", LIFE["horizon"])
    for key in ("early_age", "ages"):
        stated = table.get(key, LIFE[key])
        latest = max(stated) if isinstance(stated, tuple) else stated
        if latest > horizon:
            faults.add("no age lies beyond the horizon", column=f"life.{key}", got=latest, remedy="Raise life.horizon")
    return {**LIFE, **table}


def _named_portfolios(tables: object, faults: Faults) -> Iterator[Portfolio]:
    if not isinstance(tables, list):
        faults.add("portfolios stand in double brackets", column="portfolio", remedy="Begin each with [[portfolio]]")
        return
    names: list[str] = []
    for number, table in enumerate(tables, start=1):
        place = f"portfolio {number}"
        values = _read_table(table, "portfolio", faults, place=place)
        measures = values.get("measures", ())
        if isinstance(table, dict) and "measures" not in table:
            faults.add("a portfolio lists its measures", column=f"{place}.measures")
        name = values.get("name", " + ".join(measures))
        if name in names or name in ("no_measures", "current_practice"):
            faults.add("each portfolio has a name of its own", column=f"{place}.name", got=name)
        names.append(name)
        where = values.get("where", {})
        for measure in where:
            if measure not in measures:
                rule = "a rule belongs to a measure of its portfolio"
                faults.add(rule, column=f"{place}.where.{printable(measure)}", remedy=_instead(measure, measures))
        yield Portfolio(name, measures, where)


# -------------------------------------------------------------------- what only the priors know


def portfolios_of(study: Study, priors: PriorSet) -> tuple[Portfolio, ...]:
    """The two references and the study's portfolios.

    Without a statement in the study these are all combinations of the first four measures of the
    prior files. Of measures too many for that, these are the named portfolios and each measure alone; a
    search adds to them.

    Raises
    ------
    StudyError
        When the study names a measure or a quality score that no prior file knows.
    """
    known = [measure.name for measure in priors.measures]
    faults = Faults(study.file.name)
    stated = list(study.measures or ()) + [m for portfolio in study.portfolios for m in portfolio.measures]
    for name in dict.fromkeys(stated):
        if name not in known:
            faults.add("no prior file knows the measure", column="measures", got=name, remedy=_instead(name, known))
    for root in study.score_shift:
        if root not in priors.roots:
            place = "programme.score_shift"
            faults.add("no quality score has that name", column=place, got=root, remedy=_instead(root, priors.roots))
    faults.raise_any(StudyError)
    if study.searches:
        alone = tuple(Portfolio(name, (name,)) for name in study.measures or ())
        named = {p.name for p in study.portfolios}
        return (*all_portfolios(()), *study.portfolios, *(p for p in alone if p.name not in named))
    if study.portfolios:
        return (*all_portfolios(()), *study.portfolios)
    return all_portfolios(study.measures or tuple(known[:USUAL_MEASURES]))


def _instead(name: str, known: Iterable[str]) -> str:
    """Remedy that names the nearest known word, or all of them."""
    names = list(known)
    near = nearest(name, names)
    if near:
        return f"Write {near}"
    return f"Known here: {', '.join(names)}" if names else "Take it out"
