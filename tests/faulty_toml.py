"""Study and prior files with one fault each, the refusal it must meet, and a second reading of what is accepted."""

from __future__ import annotations

import random
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from faulty_tables import EITHER, HARMLESS, REFUSED, Changed, scrambled

from riskmodel.priortables import INTERVAL_TOLERANCE
from riskmodel.study import Study

KEY = re.compile(r"^(\s*)([A-Za-z_]\w*)( = )(.*)$")
NUMBER = re.compile(r"(?<![\w.\"])(\d+(?:\.\d+)?)(?![\w.\"-])")


@dataclass(frozen=True)
class TomlFile:
    """A good file.

    Parameters
    ----------
    file : str
        Name that its faults state.
    text : str
    stated : re.Pattern
        Lines whose number is held against another statement, so that a changed digit must show.
    free : frozenset of str
        Tables whose keys are names of the user's own.
    """

    file: str
    text: str
    stated: re.Pattern[str]
    free: frozenset[str]

    @property
    def lines(self) -> list[str]:
        """Its lines."""
        return self.text.splitlines()

    def settings(self) -> list[tuple[int, str, re.Match[str]]]:
        """Line, table and match of every key that is no name of the user's own."""
        table, found, inside = "", [], False
        for number, line in enumerate(self.lines):
            if not inside and (header := re.match(r"^\[+([^\]]+)\]+", line)):
                table = header[1]
            elif not inside and table not in self.free and (match := KEY.match(line)):
                found.append((number, table, match))
            inside ^= line.count('"""') % 2 == 1
        return found


OWN_NAMES = ("cost", "indicator", "driver")  # tables named by whoever writes them
Change = Callable[[random.Random, TomlFile], Changed | None]


@dataclass(frozen=True)
class TomlMutation:
    """A class of changes: what must become of each of them, and the change; None where it does not apply."""

    name: str
    verdict: str
    change: Change


def _with_line(file: TomlFile, number: int, *lines: str, told: str = "") -> Changed:
    text = "\n".join([*file.lines[:number], *lines, *file.lines[number + 1 :]]) + "\n"
    # shares add up over several tables, which may stand in several files
    return Changed(text.encode(), rf"({re.escape(file.file)}|prior files).*{told}")


def _misspelt(rng: random.Random, word: str) -> str:
    at = rng.randrange(len(word))
    return rng.choice((word[:at] + word[at + 1 :], word[:at] + word[at] + word[at:], f"{word}x", word.swapcase()))


def _wrong_key(rng: random.Random, file: TomlFile) -> Changed | None:
    number, _, match = rng.choice(file.settings())
    key = _misspelt(rng, match[2])
    if not key:
        return None
    told = f"(`.*{re.escape(key)}|`.*{match[2]})"
    return _with_line(file, number, f"{match[1]}{key}{match[3]}{match[4]}", told=told)


def _wrong_table(rng: random.Random, file: TomlFile) -> Changed | None:
    headers = [(n, line) for n, line in enumerate(file.lines) if re.match(r"^\[+[a-z_.0-9]+\]+$", line)]
    number, line = rng.choice(headers)
    parts = line.strip("[]").split(".")
    at = rng.randrange(len(parts))
    if parts[0] in OWN_NAMES and at == 1:
        return None
    parts[at] = _misspelt(rng, parts[at])
    if not parts[at]:
        return None
    brackets = line.count("[")
    return _with_line(file, number, "[" * brackets + ".".join(parts) + "]" * brackets)


def _twice(rng: random.Random, file: TomlFile) -> Changed:
    number, _, match = rng.choice(file.settings())
    whole = match[4].count('"""') != 1 and match[4].count("[") == match[4].count("]")
    line = file.lines[number]
    return _with_line(file, number, line, line if whole else f"{match[2]} = 1", told="row|line|TOML")


ODD = (
    *("true", "12", "-0.5", "nan", "inf", "-inf", '""', '"2024-06-30"', "2024-06-30", "2024-06-30T10:00:00"),
    *("10:00:00", "[]", "[[1]]", "{}", "{ a = { b = 1 } }", "9" * 400, "9" * 5000, "1e400", "1e-400"),
    *('"\\u001b[2J"', '"a\\u0000b"', '"a\\u202eb"', "[nan]", "[1, 1]", '["a", "a"]', "0x7fffffffffffffffffff"),
    *("9999-12-31", "0001-01-01", "2024-02-30", "1979-05-27T07:32:00+99:99", "'" + "x" * 5000 + "'", "1__0", "+-1"),
    *("[" * 60 + "]" * 60, "{ a = " * 60 + "1" + " }" * 60, "''''''", '"""\n\n"""'),
)


def _odd_value(rng: random.Random, file: TomlFile) -> Changed | None:
    number, _, match = rng.choice(file.settings())
    if match[4].count('"""') == 1 or match[4].count("[") != match[4].count("]"):
        return None
    return _with_line(file, number, f"{match[1]}{match[2]}{match[3]}{rng.choice(ODD)}")


def _wrong_digit(rng: random.Random, file: TomlFile) -> Changed | None:
    """A number that another statement of the file is held against."""
    lines = [(n, line) for n, line in enumerate(file.lines) if file.stated.match(line)]
    if not lines:
        return None
    number, line = rng.choice(lines)
    found = rng.choice(list(NUMBER.finditer(line.split("=", 1)[1])))
    factor = rng.choice((0.5, 1.3, 10.0))
    value = float(found[1]) * factor or 1.0
    head, tail = line.split("=", 1)
    every = [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", tail)]
    if len(every) > 1 and abs(value - float(found[1])) <= INTERVAL_TOLERANCE * (max(every) - min(every)):
        return None  # within what rounding of the statement may differ
    changed = f"{head}={tail[: found.start(1)]}{value:.6g}{tail[found.end(1) :]}"
    return _with_line(file, number, changed, told="`")


def _no_number(rng: random.Random, file: TomlFile) -> Changed | None:
    lines = [(n, line) for n, line in enumerate(file.lines) if file.stated.match(line)]
    if not lines:
        return None
    number, line = rng.choice(lines)
    head, tail = line.split("=", 1)
    found = rng.choice(list(NUMBER.finditer(tail)))
    odd = rng.choice(("nan", "inf", "-inf", '"0.5"', "true", "1e400", "[1]", "{}", "2024-06-30", "9" * 400))
    return _with_line(file, number, f"{head}={tail[: found.start(1)]}{odd}{tail[found.end(1) :]}", told="`")


def _line_gone(rng: random.Random, file: TomlFile) -> Changed:
    number, _, _ = rng.choice(file.settings())
    return _with_line(file, number)


def _as_file(rng: random.Random, file: TomlFile) -> Changed:
    text = file.text
    deep = rng.choice((2_000, 20_000, 100_000))
    middle = rng.randrange(1, len(text))
    content = rng.choice(
        (
            text.encode("utf-16"),
            text.encode("utf-16-le"),
            text.encode("utf-32"),
            b"\xff" + text.encode(),
            text.encode() + "x = 'M\xfcn'\n".encode("latin-1"),
            text.encode().replace(b"\n", b"\x00\n", 1),
            text.encode().replace(b"\n", b"\r"),
            b"\x1f\x8b" + text.encode(),
            f"{text}\nx = {'[' * deep}".encode(),
            f"{text}\nx = {'[' * deep}{']' * deep}\n".encode(),
            f"{text}\nx = {'{a=' * deep}1{'}' * deep}\n".encode(),
            f"{text}\nx{'.a' * deep} = 1\n".encode(),
            f"{text}\n[x{'.a' * deep}]\n".encode(),
            f"{text}\n{text}".encode(),
            f"{text[:middle]}\x00{text[middle:]}".encode(),
            f'{text}\nx = "'.encode(),
            f'{text}\nx = """'.encode(),
            f"{text}\nx = '\\ud800'\n".replace("'", '"').encode(),
        )
    )
    return Changed(content, re.escape(file.file))


def _any_bytes(rng: random.Random, file: TomlFile) -> Changed:
    pieces = (b'"', b"[", b"]", b"\n", b"\r", b"\x00", b"\xc3", b"'", b"{", b"#", b".", b"=")
    return Changed(scrambled(rng, file.text.encode(), pieces), rf"{re.escape(file.file)}|prior files")


def _same(rng: random.Random, file: TomlFile) -> Changed:
    number, _, match = rng.choice(file.settings())
    text = file.text
    return rng.choice(
        (
            Changed(("\ufeff" + text).encode()),
            Changed(text.replace("\n", "\r\n").encode()),
            Changed((text + "\n# a word\n\n").encode()),
            Changed(_with_line(file, number, f'{match[1]}"{match[2]}"{match[3]}{match[4]}').content),
            Changed(_with_line(file, number, f"  {match[2]}\t=\t{match[4]}").content),
            Changed(_with_line(file, number, "# a word", file.lines[number]).content),
        )
    )


TOML_MUTATIONS = (
    TomlMutation("a key misspelt", REFUSED, _wrong_key),
    TomlMutation("a table misspelt", REFUSED, _wrong_table),
    TomlMutation("a key twice", REFUSED, _twice),
    TomlMutation("an odd value", EITHER, _odd_value),
    TomlMutation("a number against its interval", REFUSED, _wrong_digit),
    TomlMutation("no number where one is stated", REFUSED, _no_number),
    TomlMutation("a line gone", EITHER, _line_gone),
    TomlMutation("a file of another kind", REFUSED, _as_file),
    TomlMutation("any bytes", EITHER, _any_bytes),
    TomlMutation("written otherwise", HARMLESS, _same),
)


# ------------------------------------------------------------------------------------- a second reading

RENAMED = {"index": "column", "unrecorded_restorations": "unrecorded"}


def says_what_the_file_says(study: Study, content: bytes) -> None:
    """Every setting of an accepted study is what the standard library reads in its file, and none is left out."""
    raw = tomllib.loads(content.decode("utf-8-sig"))
    told = {
        name: dict(raw.pop(name, {})) for name in ("study", "records", "condition", "life", "programme", "sampling")
    }
    assert raw.pop("schema") == 1
    assert (study.title, study.agency) == tuple(told["study"].get(k, d).strip() for k, d in
                                                (("title", study.file.parent.name), ("agency", "")))  # fmt: skip
    assert [None if p is None else p.name for p in (study.sections, study.surveys)] == [
        None if (name := told["records"].get(k)) is None else Path(name.strip()).name for k in ("sections", "surveys")
    ]
    assert study.until == told["records"].get("until")
    for key, value in told["condition"].items():
        assert getattr(study.condition, RENAMED.get(key, key)) == value
    for key, value in (told["life"] | told["sampling"]).items():
        assert (study.life | study.sampling)[key] == (tuple(value) if isinstance(value, list) else value)
    assert study.score_shift == told["programme"].get("score_shift", {})
    assert study.weight_by_area == told["programme"].get("weight_by_area", False)
    assert study.columns == {ours: theirs.strip() for ours, theirs in raw.pop("columns", {}).items()}
    assert list(study.measures or ()) == [m.strip() for m in raw.pop("portfolios", {}).get("measures", [])]
    assert study.overrides == raw.pop("priors", {}).get("override", {})
    _says_the_same_of_money(study, raw.pop("decision", None))
    assert not raw


def _says_the_same_of_money(study: Study, raw: Mapping[str, Any] | None) -> None:
    assert (study.policy is None) == (raw is None)
    for key, value in (raw or {}).items():
        if isinstance(value, int | float | str) and hasattr(study.policy, key):
            assert getattr(study.policy, key) == value
