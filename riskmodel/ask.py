"""Commands that answer one question without a study. Nothing heavy is loaded before one runs."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .amounts import Amount, Rule, amount, read_clock
from .errors import Faults, InputError
from .options import CORES, CURING, DAY, SAWING, Asked, read_amounts

if TYPE_CHECKING:
    import pandas as pd

    from .physics.weather import HourlyWeather
    from .questions import SawingQuestion

__all__ = ["CSV", "AskError", "cores", "curing_water", "options", "sawing", "targets"]


class AskError(InputError):
    """Faults of the options of a question."""


def options(asked: Sequence[Asked]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """One click option an amount; texts, so that all faults can be told together."""

    def decorate(function: Callable[..., None]) -> Callable[..., None]:
        for each in reversed(asked):
            function = click.option(each.flag, each.field, metavar="AMOUNT", help=each.help)(function)
        return function

    return decorate


BASE_WORDS = (
    "old-asphalt",
    "asphalt-interlayer",
    "asphalt-stabilised",
    "cement-stabilised",
    "lime-stabilised",
    "surface-treatment",
    "crushed-stone",
    "gravel",
    "sandstone",
    "natural-soil",
)
CSV = click.option("--csv", metavar="FILE.csv", help="Write the table there.")


@click.command()
@options(SAWING)
@click.option("--paving", metavar="HH:MM", help="Clock time of placing; 07:00..15:30 means any slab of the shift.")
@click.option("--base", metavar="BASE", help=f"What the slab lies on: {', '.join(BASE_WORDS)}.")
@click.option("--bonded", is_flag=True, help="A bonded overlay: the old pavement holds it without slip.")
@click.option("--saw", metavar="SAW", help="conventional or early-entry [conventional].")
@click.option("--weather", metavar="FILE.csv", help="Hourly table in place of a described day.")
@click.option("--day", metavar="N", help="Day of that table on which is paved [1].")
@click.option("--figure", metavar="FILE.svg", help="Draw the chances against hours, as SVG or PNG.")
@CSV
def sawing(figure: str | None, csv: str | None, **texts: Any) -> None:
    """When to cut the joints: earliest, latest, and the chance of trouble by the hour.

    An AMOUNT is a number with its unit, or a range that nine in ten lie in: 200mm, 8in, 22..28C, 600lb/yd3.
    An amount given as one value gets the usual spread of its kind.

    \b
    riskmodel sawing --cement 565lb/yd3 --w-cm 0.42 --thickness 8in --base crushed-stone
                     --mix-temperature 82F --air 77F --swing 14F --paving 09:00
    """
    question, files = _sawing_question(texts, {"--figure": figure, "--csv": csv})
    from .answers import closing_lines, sawing_lines
    from .questions import answer_sawing

    answer = answer_sawing(question)
    _write(files, answer.chances)
    click.echo("\n".join([*sawing_lines(question, answer), *closing_lines("sawing", files)]))


@click.command()
@options(CORES)
@CSV
def cores(csv: str | None, **texts: Any) -> None:
    """How many cores for what chance to find hidden trouble, and what a clean survey leaves.

    \b
    riskmodel cores --share 10% --chance 90% --clustering 0.1 --length 5mi
    """
    faults = Faults()
    found = read_amounts(CORES, texts, faults)
    files = targets({"--csv": csv}, faults)
    faults.raise_any(AskError)
    from .answers import closing_lines, cores_lines
    from .questions import CoresQuestion, answer_cores

    length = found.pop("length", None)
    whole = {name: int(found.pop(name).low) for name in ("cores", "joints") if name in found}
    question = CoresQuestion(**{name: value.low for name, value in found.items()}, **whole)  # type: ignore[arg-type]
    answer = answer_cores(question)
    _write(files, answer.plans)
    click.echo("\n".join([*cores_lines(question, answer, length), *closing_lines("cores", files)]))


@click.command("curing-water")
@options(CURING)
def curing_water(**texts: Any) -> None:
    """How much prewetted lightweight aggregate brings the water for internal curing.

    \b
    riskmodel curing-water --cement 600lb/yd3 --w-cm 0.40 --absorption 18%
    """
    faults = Faults()
    found = read_amounts(CURING, texts, faults)
    faults.raise_any(AskError)
    from .answers import closing_lines, curing_lines
    from .questions import CuringQuestion, answer_curing

    question = CuringQuestion(**_plain(found))
    lines = curing_lines(question, answer_curing(question))
    click.echo("\n".join([*lines, *closing_lines("curing-water", {})]))


# ------------------------------------------------------------------------------ what was asked


def _plain(found: Mapping[str, Amount]) -> dict[str, Any]:
    """Fields of a question: counts, chances and factors as numbers, the rest as amounts."""
    kinds: dict[str, Callable[[float], float]] = {"samples": int, "seed": int, "spread": float, "accepted": float}
    return {name: kinds[name](value.low) if name in kinds else value for name, value in found.items()}


def _sawing_question(texts: dict[str, Any], wanted: Mapping[str, str | None]) -> tuple[SawingQuestion, dict[str, Path]]:
    faults = Faults()
    found = read_amounts(SAWING, texts, faults)
    if texts["paving"] is None:
        faults.add("--paving is needed", remedy="Add --paving 09:00")
    paving = read_clock("--paving", texts["paving"], faults) if texts["paving"] is not None else None
    files = targets(wanted, faults)
    from .questions import BASES, SAWS, SawingQuestion

    free = texts["bonded"] or "friction" in found
    base = _choice("--base", texts["base"], BASES, faults, needed=not free)
    saw = _choice("--saw", texts["saw"], SAWS, faults) or "conventional"
    if texts["saw"] is not None and "saw_strength" in found:
        faults.add("--saw and --saw-strength say the same thing twice", remedy="Give one of them")
    weather = _weather(texts, faults)
    faults.raise_any(AskError)
    assert paving is not None
    question = SawingQuestion(
        **{"saw_strength": SAWS[saw], **_plain(found)},
        paving_clock=paving,
        base=base,
        bonded=texts["bonded"],
        weather=weather,
    )
    return question, files


def _choice(name: str, text: str | None, known: Mapping[str, object], faults: Faults, *, needed: bool = False) -> str:
    """A known word, or "" with the fault noted where there is one."""
    if text is None:
        if needed:
            faults.add(f"{name} is needed", remedy=f"Known: {', '.join(known)}")
        return ""
    word = text.strip().casefold().replace("_", "-").replace("ilized", "ilised")
    if word not in known:
        faults.add("the word is unknown", column=name, got=text, remedy=f"Known: {', '.join(known)}")
        return ""
    return word


def _weather(texts: Mapping[str, Any], faults: Faults) -> HourlyWeather | None:
    """The hourly table, or None for a described day; faults noted."""
    described = [each for each in DAY if texts[each.field] is not None]
    if texts["weather"] is None:
        for each in DAY[:2]:
            if texts[each.field] is None:
                faults.add(
                    f"{each.flag} is needed", remedy=f"Add {each.flag} {each.rule.example}, or --weather FILE.csv"
                )
        if texts["day"] is not None:
            faults.add("--day belongs to an hourly table", remedy="Add --weather FILE.csv, or drop --day")
        return None
    if described:
        flags = ", ".join(each.flag for each in described)
        faults.add("weather comes from a table or from options, not both", got=flags, remedy="Drop one of the two")
    from .physics.weather import WeatherError, read_hourly_weather

    rule = Rule("number", 1, 1000, "1", whole=True, ranged=False)
    day = amount("--day", texts["day"] or "1", rule, faults)
    try:
        table = read_hourly_weather(Path(texts["weather"]))
    except WeatherError as error:
        faults.found.extend(error.faults)
        return None
    days = table.days
    if day is not None and day.low > days:
        faults.add(f"the table holds {days} days", column="--day", got=texts["day"], remedy="Choose one of them")
        return None
    return table.from_day(int(day.low) - 1) if day is not None else None


def targets(wanted: Mapping[str, str | None], faults: Faults) -> dict[str, Path]:
    """Files to write, faults noted before anything is written."""
    endings = {"--figure": (".svg", ".png"), "--csv": (".csv",)}
    files = {name: Path(text) for name, text in wanted.items() if text is not None}
    for name, path in files.items():
        if path.suffix.lower() not in endings[name]:
            faults.add(f"the file ends in {' or '.join(endings[name])}", column=name, got=path.name,
                       remedy="Change its ending")  # fmt: skip
        elif path.is_dir():
            faults.add("there is a folder of this name", column=name, got=path.name, remedy="Choose another name")
        elif not (path.parent.is_dir() and os.access(path.parent, os.W_OK)):
            faults.add("the folder must exist and be writable", column=name, got=path.parent.name,
                       remedy="Make it first, or choose another")  # fmt: skip
    return files


def _write(files: Mapping[str, Path], table: pd.DataFrame) -> None:
    """Pictures before tables; each whole or not at all."""
    from . import store

    if "--figure" in files:
        from .figures import plot_sawing_chances, rendered

        kind = files["--figure"].suffix.lower().removeprefix(".")
        store.write_bytes(rendered(lambda ax: plot_sawing_chances(ax, table), kind=kind), files["--figure"])
    if "--csv" in files:
        store.write_table(table, files["--csv"])
