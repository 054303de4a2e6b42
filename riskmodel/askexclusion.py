"""The exclusion check on the command line: on the finished results of a study, or on a stated mixture."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from .ask import CSV, AskError, options, targets
from .errors import Faults
from .options import DELETION, MIXTURE, read_amounts

if TYPE_CHECKING:
    from .deletion import Deletion
    from .exclusion import Exclusion

__all__ = ["exclusion"]


@click.command()
@click.argument("study", type=click.Path(path_type=Path), metavar="[STUDY]", required=False)
@options(DELETION)
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the study's results.")
@options(MIXTURE)
@click.option("--figure", metavar="FILE.svg", help="Draw the lines and the life distribution, as SVG or PNG.")
@CSV
def exclusion(study: Path | None, out: Path | None, figure: str | None, csv: str | None, **texts: Any) -> None:
    """What deleting the poor performers does to a pooled line, and what preventing them does to life.

    On a study whose results are finished; or without a study on a stated mixture, with simulated readings.

    \b
    riskmodel exclusion studies/skelderay --below 60 --at-age 10
    riskmodel exclusion --share-early 10% --early-age 10 --life 45
    """
    faults = Faults()
    found = {name: value.low for name, value in read_amounts(DELETION, texts, faults).items()}
    files = targets({"--figure": figure, "--csv": csv}, faults)
    _validate(found, texts, study, out, faults)
    mixed = {} if study is not None else {k: v.low for k, v in read_amounts(MIXTURE, texts, faults).items()}
    faults.raise_any(AskError)
    answer, lines = _of_mixture(mixed, found) if study is None else _of_study(study, out, found)
    _write(files, answer)
    from .answers import closing_lines

    click.echo("\n".join([*lines, *closing_lines("exclusion", files)]))


def _validate(
    found: Mapping[str, float], texts: Mapping[str, Any], study: Path | None, out: Path | None, faults: Faults
) -> None:
    """Options that contradict each other or belong to the other way of asking."""
    if texts["below"] is not None and texts["failed_by"] is not None:
        faults.add("sections are deleted by one rule: --below or --failed-by", remedy="Drop one of them")
    if texts["at_age"] is not None and texts["below"] is None:
        faults.add("--at-age belongs to --below", remedy="Add --below 60, or say --failed-by 10")
    stray = [each.flag for each in MIXTURE if texts[each.field] is not None]
    if study is not None and stray:
        faults.add(
            "a mixture is stated in place of a study", got=", ".join(stray), remedy="Drop STUDY or these options"
        )
    if study is None and out is not None:
        faults.add("--out belongs to a study", remedy="Name the STUDY, or drop --out")
    if study is None and not stray:
        faults.add("a STUDY or a mixture is needed", remedy="Name a folder with finished results, or state the mixture")


def _deletion(found: Mapping[str, float]) -> Deletion | None:
    """The rule that was asked for; None for the usual ones."""
    from .deletion import Deletion

    if "failed_by" in found:
        return Deletion(by=found["failed_by"])
    if "below" in found:
        return Deletion(found["below"], found.get("at_age", float("inf")))
    return None


def _of_mixture(mixed: Mapping[str, float], found: Mapping[str, float]) -> tuple[Exclusion, list[str]]:
    from .exclusionwords import mixture_lines
    from .statedmixture import StatedMixture, answer_mixture

    whole = {name: int(mixed[name]) for name in ("sections", "seed") if name in mixed}
    mixture = StatedMixture(**{**mixed, **whole})  # type: ignore[arg-type]
    answer = answer_mixture(mixture, _deletion(found))
    return answer, mixture_lines(mixture, answer)


def _of_study(place: Path, out: Path | None, found: Mapping[str, float]) -> tuple[Exclusion, list[str]]:
    from .deletion import ExclusionError
    from .errors import printable
    from .exclusion import exclude
    from .exclusionwords import study_lines
    from .pipeline import open_results
    from .study import read_study

    study = read_study(place)
    desk = open_results(study, out, needs=("simulate",))
    if desk.records is None:
        faults = Faults(study.file.name)
        faults.add("a line needs readings; the study has no records", remedy="Fill its tables, or state a mixture")
        faults.raise_any(ExclusionError)
    assert desk.records is not None
    asked = _deletion(found)
    deletions = None if asked is None else (asked,)
    answer = exclude(desk.records, desk.simulation, deletions=deletions, seed=study.seed)
    return answer, study_lines(printable(study.title), answer)


def _write(files: Mapping[str, Path], answer: Exclusion) -> None:
    """Pictures before tables; each whole or not at all."""
    from . import store

    if "--figure" in files:
        from .figures import plot_lines, plot_with_and_without, rendered

        kind = files["--figure"].suffix.lower().removeprefix(".")
        panels = (lambda ax: plot_lines(ax, answer), lambda ax: plot_with_and_without(ax, answer))
        store.write_bytes(rendered(*panels, kind=kind, size=(7.0, 7.6)), files["--figure"])
    if "--csv" in files:
        from .exclusion import table_of

        store.write_table(table_of(answer.lines, answer.life), files["--csv"])
