"""How good files are damaged and read: every case has a number, and `case(kind, number)` makes it again."""

from __future__ import annotations

import random
import re
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache, partial
from pathlib import Path
from typing import Any

from faulty_tables import (
    HARMLESS,
    REFUSED,
    TABLE_MUTATIONS,
    Changed,
    Layout,
    Mutation,
    as_text,
    says_what_the_sections_say,
    says_what_the_surveys_say,
)
from faulty_toml import TOML_MUTATIONS, TomlFile, TomlMutation, says_what_the_file_says
from good_input import ANSWERS, LATER_SECTIONS, LATER_SURVEYS, PLANNED, SECTIONS, STUDY, SURVEYS

from riskmodel.errors import InputError
from riskmodel.expertanswers import read_answers, topic_of
from riskmodel.priors import PriorSet, load_priors
from riskmodel.records import Round, Vocabulary, read_planned, read_records
from riskmodel.study import read_study

PRIORS = Path(__file__).resolve().parent.parent / "priors"
UNTIL = date(2020, 7, 1)


# ------------------------------------------------------------------------------------- how each file is read


@cache
def priors() -> PriorSet:
    return load_priors()


@cache
def words() -> Vocabulary:
    return Vocabulary.of(priors())


@dataclass(frozen=True)
class Kind:
    """How a kind of file is read, and held against a second reading; what is read is compared as text."""

    good: Any
    mutations: tuple[Any, ...]
    read: Callable[[Path, bytes], str]


def read_tables(folder: Path, content: bytes, *, changed: str) -> str:
    """The records with one of their files changed."""
    files = {"sections": SECTIONS.content, "surveys": SURVEYS.content, changed: content}
    paths = {}
    for name, text in files.items():
        paths[name] = folder / f"{name}.csv"
        paths[name].write_bytes(text)
    later = {kind: paths.get(f"later_{kind}") for kind in ("sections", "surveys")}
    shown = {kind: f"rounds/{kind}.csv" for kind in later}
    rounds = (Round("2020-07-01", UNTIL, **later, shown=shown),) if any(later.values()) else ()
    records = read_records(paths["sections"], paths["surveys"], vocabulary=words(), until=UNTIL, rounds=rounds)
    if not rounds:
        says_what_the_sections_say(records.sections, files["sections"], words().measures[:0])
        says_what_the_surveys_say(records.readings, files["surveys"], files["sections"])
    return as_text(records.sections, records.readings)


def read_plan(folder: Path, content: bytes) -> str:
    (folder / "planned.csv").write_bytes(content)
    planned = read_planned(folder / "planned.csv", vocabulary=words())
    says_what_the_sections_say(planned, content, ("prompt_sawing", "internal_curing"))
    return as_text(planned)


def read_experts(folder: Path, content: bytes) -> str:
    (folder / "answers.csv").write_bytes(content)
    return repr(sorted(read_answers(folder / "answers.csv", topic_of("prompt_sawing", priors())), key=repr))


def read_settings(folder: Path, content: bytes) -> str:
    for name in ("sections", "surveys"):
        (folder / f"{name}.csv").touch()
    (folder / "study.toml").write_bytes(content)
    study = read_study(folder)
    says_what_the_file_says(study, content)
    return repr(study.settings)


def read_prior_files(folder: Path, content: bytes, *, changed: str) -> str:
    for file in PRIORS.glob("*.toml"):
        (folder / file.name).write_bytes(content if file.name == changed else file.read_bytes())
    found = load_priors(folder)
    return repr({**found.__dict__, "files": {}, "raw": found.raw.data})


def _prior_file(name: str) -> Kind:
    text = (PRIORS / name).read_text(encoding="utf-8")
    good = TomlFile(name, text, re.compile(r"^interval_90 = .*\d"), frozenset())
    return Kind(good, TOML_MUTATIONS, partial(read_prior_files, changed=name))


TOML_FILES = ("life.toml", "mechanisms.toml", "quality.toml", "measures.toml", "costs.toml")
FREE = frozenset({"columns"})
KINDS: Mapping[str, Kind] = {
    "sections": Kind(SECTIONS, TABLE_MUTATIONS, partial(read_tables, changed="sections")),
    "surveys": Kind(SURVEYS, TABLE_MUTATIONS, partial(read_tables, changed="surveys")),
    "later sections": Kind(LATER_SECTIONS, TABLE_MUTATIONS, partial(read_tables, changed="later_sections")),
    "later surveys": Kind(LATER_SURVEYS, TABLE_MUTATIONS, partial(read_tables, changed="later_surveys")),
    "planned": Kind(PLANNED, TABLE_MUTATIONS, read_plan),
    "answers": Kind(ANSWERS, TABLE_MUTATIONS, read_experts),
    "study": Kind(TomlFile("study.toml", STUDY, re.compile(r"$^"), FREE), TOML_MUTATIONS, read_settings),
    **{name: _prior_file(name) for name in TOML_FILES},
}


def case(kind: str, number: int) -> tuple[Mutation | TomlMutation, Changed] | None:
    """The mutation of a number, and the changed file."""
    mutations = KINDS[kind].mutations
    mutation = mutations[number % len(mutations)]
    changed = mutation.change(random.Random(f"{kind} {number}"), KINDS[kind].good)
    return None if changed is None else (mutation, changed)


def cases(kind: str, count: int) -> Iterator[tuple[int, Mutation | TomlMutation, Changed]]:
    """The first cases of a kind, those passed over that do not apply."""
    number = 0
    while count:
        found = case(kind, number)
        if found is not None:
            count -= 1
            yield number, *found
        number += 1


@cache
def as_it_is(kind: str) -> str:
    good = KINDS[kind].good
    content = good.content if isinstance(good, Layout) else good.text.encode()
    with tempfile.TemporaryDirectory() as folder:
        return KINDS[kind].read(Path(folder), content)


def outcome(folder: Path, kind: str, mutation: Mutation | TomlMutation, changed: Changed) -> str:
    """What becomes of a changed file; anything else than what its class allows fails."""
    said, read = "", ""
    try:
        read = KINDS[kind].read(folder, changed.content)
    except InputError as error:
        said = str(error)
    if said:
        assert mutation.verdict != HARMLESS, said
        assert re.search(changed.told, said, re.DOTALL), f"{changed.told} not in {said}"
        assert all(character.isprintable() or character == "\n" for character in said)
        return "refused"
    assert mutation.verdict != REFUSED, "accepted"
    same = read == as_it_is(kind)
    assert same or mutation.verdict != HARMLESS, "read otherwise"
    return "the same" if same else "as written"


def run_cases(folder: Path, kind: str, count: int) -> Counter[str]:
    found: Counter[str] = Counter()
    for number, mutation, changed in cases(kind, count):
        try:
            found[outcome(folder, kind, mutation, changed)] += 1
        except Exception as error:
            error.add_note(f"case({kind!r}, {number}): {mutation.name}")
            raise
    return found
