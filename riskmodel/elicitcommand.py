"""The command `elicit`: what experts believe becomes a prior. Loads nothing heavy before it runs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .errors import Faults, InputError, printable

if TYPE_CHECKING:
    from .priors import PriorSet

__all__ = ["ElicitError", "elicit"]


class ElicitError(InputError):
    """Faults of the options of the command."""


@click.command()
@click.argument("what", metavar="WHAT")
@click.argument("answers", type=click.Path(path_type=Path), metavar="[ANSWERS.csv]", required=False)
@click.option("--to", required=True, metavar="FILE.toml", help="Where the prior is written.")
@click.option("--replace", is_flag=True, help="Let it take the place of a file of that name.")
@click.option(
    "--pooling", type=click.Choice(["linear", "logarithmic"]), default="linear", help="Of the prior [linear]."
)
@click.option("--study", type=click.Path(path_type=Path), help="Whose prior files and overrides to start from.")
@click.option("--source", help="Who was asked, when and how, in one line.")
@click.option("--reasons", help="Why they believe it, in one line.")
def elicit(
    what: str,
    answers: Path | None,
    to: str,
    replace: bool,
    pooling: str,
    study: Path | None,
    source: str | None,
    reasons: str | None,
) -> None:
    """Ask experts, and write what they believe as a prior.

    WHAT is a measure ("of 100 sections that would have failed early this way, how many still would?"; NAME.2 for its
    second effect), or the key of any quantity of the prior files, such as removal_lag. The questions come at the
    terminal; or ANSWERS.csv holds them, one row an expert: expert, p05, p50, p95, and weight where they count
    differently.

    \b
    riskmodel elicit prompt_sawing --to sawing.toml
    """
    target = _target(to, replace)
    texts = {"--source": source, "--reasons": reasons}
    from .elicitdialogue import ask_experts, ask_text
    from .elicitwords import elicited_lines
    from .expertanswers import judged, read_answers, topic_of
    from .priorentry import entry_text, validate_entry
    from .store import write_text

    _check_texts(texts)
    priors = _priors(study)
    topic = topic_of(what, priors)
    experts = ask_experts(topic) if answers is None else read_answers(answers, topic)
    elicited = judged(topic, experts, pooling=pooling)
    if answers is None and reasons is None:
        reasons = ask_text("Why do they believe it, in one line")
    source = source or f"elicited from {', '.join(expert.name for expert in experts)}"
    text = entry_text(elicited, source=source, rationale=reasons or "No reasons were noted.")
    validate_entry(text, priors)
    lines = elicited_lines(elicited)
    write_text(text, target)
    click.echo("\n".join(printable(line, 10_000) for line in ["", *lines, "", f"Prior: {target}"]))


def _target(name: str, replace: bool) -> Path:
    """The file to write, refused before anything is asked."""
    path, faults = Path(name), Faults()
    if path.suffix.lower() != ".toml":
        faults.add("the file ends in .toml", column="--to", got=path.name, remedy="Change its ending")
    elif path.is_dir() or not (path.parent.is_dir() and os.access(path.parent, os.W_OK)):
        faults.add("the folder must exist and be writable", column="--to", got=name, remedy="Make it first")
    elif path.exists() and not replace:
        faults.add(
            "the file exists already", column="--to", got=path.name, remedy="Choose another name, or add --replace"
        )
    faults.raise_any(ElicitError)
    return path


def _check_texts(texts: dict[str, str | None]) -> None:
    faults = Faults()
    for option, text in texts.items():
        if text is not None and (not text.strip() or not text.isprintable()):
            faults.add("a printable text is expected", column=option, got=text)
    faults.raise_any(ElicitError)


def _priors(study: Path | None) -> PriorSet:
    from .priors import load_priors

    if study is None:
        return load_priors()
    from .study import read_study

    asked = read_study(study)
    return load_priors(asked.priors, asked.overrides)
