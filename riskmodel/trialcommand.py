"""The command `trial-sections`: what a trial of one measure is worth. Loads nothing heavy before it runs."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

import click

from .errors import Faults, InputError, printable

__all__ = ["GRID_LENGTHS", "GRID_SIZES", "TrialError", "trial_sections"]

GRID_SIZES, GRID_LENGTHS = (5, 10, 20, 40), (5, 10, 15)
NOT_NEGATIVE = click.FloatRange(min=0.0)


class TrialError(InputError):
    """Faults of the options of the command."""


@click.command("trial-sections")
@click.argument("study", type=click.Path(path_type=Path), metavar="STUDY")
@click.option("--measure", required=True, help="Measure that the trial is about.")
@click.option(
    "--sections", type=click.IntRange(1, 1000), default=10, help="Sections with it, and as many without [10]."
)
@click.option("--years", type=click.IntRange(1, 40), default=5, help="Yearly surveys [5].")
@click.option("--grid", is_flag=True, help="Compare 5, 10, 20 and 40 sections over 5, 10 and 15 years as well.")
@click.option("--overlay-type", metavar="TYPE", help="Build them all of one type, such as unbonded_asphalt.")
@click.option("--unchecked", is_flag=True, help="Nobody makes sure that the measure is really done.")
@click.option("--causes", is_flag=True, help="The cause of every removal is recorded.")
@click.option("--worth", type=click.FloatRange(min=0.0, min_open=True), help="Of a section-year in good order.")
@click.option("--price", multiple=True, metavar="MEASURE=AMOUNT", help="First cost of a measure per section; repeat.")
@click.option("--cost", type=NOT_NEGATIVE, default=0.0, help="Of the trial, once.")
@click.option("--section-cost", type=NOT_NEGATIVE, default=0.0, help="Of each trial section of both arms.")
@click.option("--survey-cost", type=NOT_NEGATIVE, default=0.0, help="Of each yearly survey of one section.")
@click.option("--sections-per-year", type=click.FloatRange(min=0.0, min_open=True), help="Built later [as recorded].")
@click.option("--horizon", type=click.IntRange(1, 200), default=20, help="Years in which roads built count [20].")
@click.option(
    "--discount-rate", type=click.FloatRange(0.0, 0.5), help="Real, as a share a year [the study's, or 0.03]."
)
@click.option("--level", type=click.FloatRange(0.5, 0.999), default=0.95, help="When a sign counts as settled [0.95].")
@click.option("--trials", type=click.IntRange(20, 5000), default=200, help="Simulated trials of each design [200].")
@click.option("--no-ordinary", is_flag=True, help="Leave out the ordinary condition data.")
@click.option("--out", type=click.Path(path_type=Path), metavar="DIR", help="Folder of the results.")
def trial_sections(study: Path, out: Path | None, **options: Any) -> None:
    """What a trial of one measure would be worth to the programme of STUDY.

    It reads the results of a finished run, simulates trials whose sections get the measure by lot and are
    surveyed every year, and weighs all draws anew by what each trial would find. Where the study weighs costs,
    everything counts in its money. Otherwise, or with --worth or --price, it counts in section-years in good
    order times what one is worth.

    \b
    riskmodel trial-sections STUDY --measure internal_curing --sections 10 --years 5
    """
    prices = _prices(options["price"])
    from .pipeline import Quiet
    from .study import read_study
    from .trial import TrialDesign
    from .trialdesk import TrialQuestion, answer_trial
    from .trialvalue import TrialCost

    sizes, lengths = {options["sections"]}, {options["years"]}
    if options["grid"]:
        sizes, lengths = sizes | set(GRID_SIZES), lengths | set(GRID_LENGTHS)
    question = TrialQuestion(
        design=TrialDesign(
            options["measure"], options["sections"], options["years"],
            verified=not options["unchecked"], overlay_type=options["overlay_type"], causes=options["causes"],
        ),
        sizes=tuple(sorted(sizes)),
        lengths=tuple(sorted(lengths)),
        cost=TrialCost(options["cost"], options["section_cost"], options["survey_cost"]),
        worth=options["worth"],
        prices=prices,
        sections_per_year=options["sections_per_year"],
        horizon=options["horizon"],
        discount_rate=options["discount_rate"],
        level=options["level"],
        trials=options["trials"],
        ordinary=not options["no_ordinary"],
    )  # fmt: skip
    # the command line hands over how it shows progress
    shown_by = click.get_current_context().obj
    watcher = shown_by(moving=sys.stderr.isatty()) if shown_by is not None else Quiet()
    asked, started = read_study(study), time.monotonic()
    watcher.begin("Valuing trials")
    answer = answer_trial(asked, question, out=out, progress=watcher.advance)
    watcher.end("Valuing trials", time.monotonic() - started)
    click.echo("\n".join(printable(line, 10_000) for line in [*answer.lines, "", f"Table: {answer.file}"]))


def _prices(texts: tuple[str, ...]) -> dict[str, float]:
    """MEASURE=AMOUNT, every fault told at once."""
    faults, prices = Faults(), {}
    for text in texts:
        name, _, amount = text.partition("=")
        try:
            value = float(amount)
        except ValueError:
            value = float("nan")
        if not name or not 0.0 <= value < float("inf"):
            faults.add("a measure, =, and an amount that is not negative", column="--price", got=text,
                       remedy="Write --price internal_curing=1200")  # fmt: skip
        elif name in prices:
            faults.add("each measure has one price", column="--price", got=text, remedy="Drop one of them")
        prices[name] = value
    faults.raise_any(TrialError)
    return prices
