"""The results as one page of plain words: how many fail early, why, what each measure buys, how sure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import xarray as xr

from .errors import printable
from .measures import CURRENT_PRACTICE, NO_MEASURES
from .reweigh import WEIGHED

if TYPE_CHECKING:
    from .records import Records

__all__ = [
    "PRIORS_ONLY",
    "WIDTH",
    "Findings",
    "build_report",
    "census_lines",
    "main_table",
    "percent_words",
    "rounded",
    "wrapped",
]

WIDTH = 79
BAR = 8
NAME, CELL = 18, 20  # a line of the measures: one name and three cells
TAILS = (0.05, 0.95)
MOST_COMBINATIONS = 3
PRIORS_ONLY = "PRIORS ONLY: no record was used. Every number below is what the prior files say."
EXTRAPOLATED = "extrapolated by the path"

CAUTIONS = (
    "These are statistics of many sections. They inform a specification and design no pavement: local standards "
    "and a licensed engineer decide.",
    "A single road can do much better or worse than the average stated here. A survey of that road comes first.",
    "On site: sawing concrete sets free silica dust (cut wet or with extraction, wear a respirator); fresh concrete "
    "is caustic (gloves, boots, eye protection); live traffic kills (close the lane as the local rules demand).",
)


@dataclass(frozen=True)
class Findings:
    """What the page is made from.

    Parameters
    ----------
    title, agency : str
    simulation : Dataset
        Of kind `simulation`: `value` (sample, portfolio, quantity), `cause_incidence`
        (sample, reference, cause), `extrapolated` (portfolio, quantity), `assured_age`
        (portfolio, statement).
    prior_only : bool
        No record was used.
    threshold : float
        Condition index that counts as failure.
    index : str
        Name of the condition index.
    labels : mapping of str to str
        Words for causes and measures.
    census : tuple of str
        The records in a few lines.
    raters : str
        Who rates high or low, as a sentence; empty where the records name no raters.
    gate : sequence of mapping, or None
        Checks of the sampler, each with name, value, limit and passed; None where nothing was sampled.
    taught : mapping of str to float
        Measure to the part by which the records narrowed the sd of its effects, 0 to 1; empty
        without records.
    priors : mapping of str to int
        Number of prior quantities by status.
    cautions : mapping of str to str
        What to mind with a measure.
    notes : tuple of str
        Warnings that arose on the way.
    advice : tuple of str
        What to require and what would overturn it, as lines; empty where costs are not weighed.
    round : tuple of str
        What the last round of records changed, then what to look at next; empty without rounds.
    trust : tuple of str
        Checks of the model in a few lines.
    exclusion : tuple of str
        What deleting the poor sections does to a line, and what of that is real, as lines.
    """

    title: str
    agency: str
    simulation: xr.Dataset
    prior_only: bool
    threshold: float
    index: str
    labels: Mapping[str, str] = field(default_factory=dict)
    census: tuple[str, ...] = ()
    raters: str = ""
    gate: Sequence[Mapping[str, Any]] | None = None
    taught: Mapping[str, float] = field(default_factory=dict)
    priors: Mapping[str, int] = field(default_factory=dict)
    cautions: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()
    round: tuple[str, ...] = ()
    trust: tuple[str, ...] = ()
    exclusion: tuple[str, ...] = ()

    @property
    def early_age(self) -> float:
        """Age below which a failure is early, years."""
        return float(self.simulation.attrs["early_age"])

    @property
    def horizon(self) -> float:
        """Age up to which mean lives are counted, years."""
        return float(self.simulation.attrs["horizon"])

    @property
    def whole(self) -> str:
        """What shares are shares of."""
        return "units of area" if self.simulation.attrs["weighted_by_area"] else "sections"

    @property
    def stands_for_types(self) -> bool:
        """No section is known; one of each overlay type stands for the programme."""
        return self.simulation.attrs["programme"] == "types"

    @property
    def portfolios(self) -> list[str]:
        """Names in the order of the simulation."""
        return [str(name) for name in self.simulation["portfolio"].values]

    def draws(self, portfolio: str, quantity: str) -> np.ndarray:
        """A quantity of a portfolio over draws, (sample,)."""
        return self.simulation["value"].sel(portfolio=portfolio, quantity=quantity).values

    def beyond(self, quantity: str) -> dict[str, bool]:
        """Portfolio to whether more than half of the quantity lies beyond the observed ages."""
        part = self.simulation["extrapolated"].sel(quantity=quantity)
        return {name: float(part.sel(portfolio=name)) > 0.5 for name in self.portfolios}

    def words(self, name: str) -> str:
        """Words for a cause or measure, safe for a terminal."""
        return printable(self.labels.get(name, name.replace("_", " ")))


def build_report(findings: Findings) -> str:
    """The page, as text of up to 79 columns.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    str
        Ends with a line end.
    """
    sections = (
        *((("What to require", iter(findings.advice)),) if findings.advice else ()),
        ("How many fail early", _how_many(findings)),
        ("Why they fail early", _why(findings)),
        ("What each measure buys", _measures(findings)),
        *((("Deleting the poor performers", iter(findings.exclusion)),) if findings.exclusion else ()),
        *((("What the last round changed", _round(findings)),) if findings.round else ()),
        ("How sure", _how_sure(findings)),
        *((("Whether to believe it", iter(findings.trust)),) if findings.trust else ()),
        ("What is extrapolated", _extrapolation(findings)),
        ("What it rests on", _basis(findings)),
        ("Cautions", _cautions(findings)),
    )
    title = printable(findings.title, WIDTH)
    head = [title, "=" * len(title)]
    if findings.agency:
        head.append(printable(findings.agency, WIDTH))
    if findings.prior_only:
        head += ["", *wrapped(PRIORS_ONLY)]
    body = [line for name, lines in sections for line in ("", name, "-" * len(name), *lines)]
    return "\n".join([*head, *body]) + "\n"


# ---------------------------------------------------------------------------------- the sections


def _how_many(f: Findings) -> Iterator[str]:
    early = 100.0 * f.draws(CURRENT_PRACTICE, "early_failure_probability")
    yield from wrapped(
        f"Under current practice {rounded(*_summary(early))} of 100 {f.whole} fail before age {f.early_age:g}. "
        f"Failed means that the condition index ({printable(f.index)}) is down to {f.threshold:g}."
    )
    yield ""
    for words, quantity in (
        ("95 in 100 outlive", "b05_age"),
        ("90 in 100 outlive", "b10_age"),
        ("80 in 100 outlive", "b20_age"),
        (f"mean life up to age {f.horizon:g}", "restricted_mean_age"),
    ):
        beside = f", {EXTRAPOLATED}" if not f.prior_only and f.beyond(quantity)[CURRENT_PRACTICE] else ""
        yield f"  {words:<24} {rounded(*_summary(f.draws(CURRENT_PRACTICE, quantity)))} years{beside}"
    yield ""
    yield from wrapped(
        "In brackets: 90 % interval, from what is not known about the programme as a whole. Read the three ages "
        "together: when about one in ten fails early, the middle one hangs on a knife edge."
    )
    yield from wrapped(f"Programme: {_programme(f)}.")


def _programme(f: Findings) -> str:
    if f.stands_for_types:
        return "no section is known, so one of each overlay type stands for it, each with the same weight"
    source = "of the records, built again" if f.simulation.attrs["programme"] == "records" else "of the table"
    return f"the {f.simulation.attrs['sections']} sections {source}"


def _why(f: Findings) -> Iterator[str]:
    incidence = f.simulation["cause_incidence"].sel(reference=CURRENT_PRACTICE)
    total = incidence.sum("cause")
    if not float(total.mean()) > 0:
        yield "No early failures are expected."
        return
    share = 100.0 * (incidence / total).transpose("sample", "cause").values
    names = [f.words(str(cause)) for cause in incidence["cause"].values]
    width = min(max(map(len, names)), WIDTH - BAR - 20)
    longest = share.mean(axis=0).max()
    yield f"Shares of the failures before age {f.early_age:g}, % (90 % interval)"
    for i in np.argsort(-share.mean(axis=0)):
        if not share[:, i].any():  # does not apply to any section of the programme
            continue
        mean, lower, upper = _summary(share[:, i])
        bar = "#" * round(BAR * mean / longest)
        yield f"  {printable(names[i], width):<{width}} {bar:<{BAR}} {rounded(mean, lower, upper, decimals=0)}"


def _measures(f: Findings) -> Iterator[str]:
    yield from wrapped(
        f"Against current practice, on the same roads: failures before age {f.early_age:g} averted of 100 {f.whole}; "
        f"gain in the age that 90 in 100 outlive; gain in mean life up to age {f.horizon:g}. "
        "Gains in years; mean (90 % interval)."
    )
    yield ""
    yield f"  {'':<{NAME}}{'averted of 100':<{CELL}}{'90 in 100 outlive':<{CELL}}mean life"
    shown = _shown_portfolios(f)
    for name in shown:
        label = "no measures" if name == NO_MEASURES else printable(name, 4 * WIDTH)
        if len(label) >= NAME:
            yield from textwrap.wrap(label, WIDTH - 2, initial_indent="  ", subsequent_indent="  ")
            label = ""
        cells = [rounded(*_summary(draws), decimals=1) for draws in _gains(f, name)]
        yield f"  {label:<{NAME}}" + "".join(f"{cell:<{CELL}}" for cell in cells).rstrip()
    hidden = len(f.portfolios) - len(shown) - 1
    if hidden > 0:
        yield f"  {hidden} more in tables/portfolios.csv."
    yield ""
    yield from wrapped("A required measure is not always done as intended; that is counted in. Gains never add up.")


def _shown_portfolios(f: Findings) -> list[str]:
    """No measures, every single measure, and the combinations that avert most."""
    names = [name for name in f.portfolios if name not in (CURRENT_PRACTICE, NO_MEASURES)]
    by_size = sorted(names, key=lambda name: -float(_gains(f, name)[0].mean()))
    single = [name for name in by_size if " + " not in name]
    joint = [name for name in by_size if " + " in name][:MOST_COMBINATIONS]
    return [*(name for name in (NO_MEASURES,) if name in f.portfolios), *single, *joint]


def _gains(f: Findings, portfolio: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Early failures averted of 100, gains in b10 age and in restricted mean age, each (sample,)."""
    averted = f.draws(CURRENT_PRACTICE, "early_failure_probability") - f.draws(portfolio, "early_failure_probability")
    longer = f.draws(portfolio, "b10_age") - f.draws(CURRENT_PRACTICE, "b10_age")
    return 100.0 * averted, longer, f.draws(portfolio, "life_gain")


def _round(f: Findings) -> Iterator[str]:
    yield from wrapped(printable(f.round[0], 500))
    for each in f.round[1:]:
        yield from wrapped(printable(each, 500), bullet=True)
    yield "More in changes.txt."


def _how_sure(f: Findings) -> Iterator[str]:
    single = [name for name in _shown_portfolios(f) if name != NO_MEASURES and " + " not in name]
    averted = {name: _gains(f, name)[0] for name in single}
    if len(single) > 1:
        best = np.argmax(np.stack(list(averted.values())), axis=0)
        counts = np.bincount(best, minlength=len(single)) / len(best)
        leader = int(counts.argmax())
        often = percent_words(counts[leader])
        yield from wrapped(
            f"Of the single requirements {single[leader]} averts most early failures in {often} of 100 draws of what "
            "is not known."
        )
    for name, draws in averted.items():
        helped = percent_words(float((draws > 0).mean()))
        yield from wrapped(f"{name}: averts some in {helped} of 100 draws{_taught(f, name)}.", bullet=True)
    yield from _assured(f)


def _taught(f: Findings, measure: str) -> str:
    """What the records taught of a measure's effect; nothing without records."""
    if measure not in f.taught:
        return ""
    if f.taught[measure] < 0.05:
        return "; its effect rests on the prior, the records taught next to nothing of it"
    return f"; the records narrowed its effect by {percent_words(f.taught[measure])} %"


def _assured(f: Findings) -> Iterator[str]:
    ages = f.simulation["assured_age"].sel(portfolio=CURRENT_PRACTICE).values
    count = f.simulation.attrs["sections"]
    real = "" if f.stands_for_types else f", and {ages[1]:.1f} years in one of {count} sections"
    yield from wrapped(
        f"Under current practice 90 in 100 {f.whole} outlive {ages[0]:.1f} years with 95 % credibility in a large "
        f"programme{real}."
    )


def _extrapolation(f: Findings) -> Iterator[str]:
    if f.prior_only:
        yield "Nothing was observed; all ages rest on the priors."
        return
    far = {str(name): f.beyond(str(name)) for name in f.simulation["quantity"].values}
    observed = float(f.simulation.attrs.get("observed_to", 0.0))
    yield from wrapped(f"95 in 100 of the sections were seen up to age {observed:.0f} or less.")
    for quantity, portfolios in far.items():
        count = sum(portfolios.values())
        if count:
            where = "" if count == len(portfolios) else f" for {count} of {len(portfolios)} portfolios"
            yield f"  {quantity:<28}{EXTRAPOLATED}{where}"
    if not any(any(portfolios.values()) for portfolios in far.values()):
        yield "No reported quantity lies mostly beyond that age."
    else:
        yield from wrapped("The shape of the path that the study chose decides these; the records cannot check it.")


def census_lines(records: Records) -> tuple[str, str, str]:
    """The records in three lines."""
    c = records.census
    aside = sum(count for status, count in c.by_status.items() if status.startswith("after_"))
    return (
        f"Records to {records.until}: {c.sections} sections in {c.projects} contracts; {c.in_service} in service, "
        f"{c.removed_condition} removed for condition, {c.removed_other} removed for another reason.",
        f"Failures seen: {c.failures_seen}; age at failure bounded in {c.interval_censored} sections, open in "
        f"{c.right_censored}; {c.left_truncated} came under observation late; cause named in {c.causes_named}.",
        f"Readings: {c.readings}, {aside} of them set aside after a restoration; {len(c.rises)} rises without a "
        "recorded restoration.",
    )


def _basis(f: Findings) -> Iterator[str]:
    for line in (*f.census[:3], f.raters):
        yield from wrapped(line)
    if f.priors:
        total = sum(f.priors.values())
        judged = f.priors.get("judgement", 0)
        yield from wrapped(f"Priors: {total} quantities, {judged} of them judgement without a measurement behind it.")
    yield from wrapped(_gate_words(f))
    if "simulated_difference" in f.simulation:
        errors = np.abs(f.simulation["simulated_difference"]) / f.simulation["simulated_error"].where(lambda e: e > 0)
        worst = f"{float(errors.max()):.1f} standard errors"
        yield from wrapped(f"Simulated lives agree with the closed form within {worst} in every portfolio.")
    for note in f.notes:
        yield from wrapped(f"Note: {printable(note, 600)}")


def _gate_words(f: Findings) -> str:
    if f.gate is None:
        return "Sampler: independent draws from the priors; there was nothing to calibrate."
    verdict = "passed" if all(check["passed"] for check in f.gate) else "FAILED"
    checks = "; ".join(f"{check['name']} {check['value']:.4g}, limit {check['limit']:g}" for check in f.gate)
    since = " The draws are those of the last fit, weighted by what changed since; `run --fresh` fits anew."
    return f"Sampler gate {verdict}: {checks}.{since if any(c['name'] == WEIGHED for c in f.gate) else ''}"


def _cautions(f: Findings) -> Iterator[str]:
    for text in CAUTIONS:
        yield from wrapped(text, bullet=True)
    for measure, text in f.cautions.items():
        if text:
            yield from wrapped(f"{measure}: {printable(text, 300)}", bullet=True)


# --------------------------------------------------------------------------------- words, figures


def rounded(mean: float, lower: float, upper: float, *, decimals: int | None = None) -> str:
    """A figure with its interval, to the digits that the interval allows.

    Parameters
    ----------
    mean, lower, upper : float
    decimals : int, optional
        Default: none, or one where the interval is narrower than 4.

    Examples
    --------
    >>> rounded(9.234, 6.12, 13.31)
    '9 (6 to 13)'
    >>> rounded(0.4321, 0.112, 1.004)
    '0.4 (0.1 to 1.0)'
    """
    places = (0 if abs(upper - lower) >= 4.0 else 1) if decimals is None else decimals
    return f"{_plain(mean, places)} ({_plain(lower, places)} to {_plain(upper, places)})"


def _plain(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def percent_words(share: float) -> str:
    """A share of 100, never rounded to certainty."""
    if 0.0 < share < 0.01:
        return "under 1"
    if 0.99 < share < 1.0:
        return "over 99"
    return f"{100.0 * share:.0f}"


def _summary(draws: np.ndarray) -> tuple[float, float, float]:
    """Mean and central 90 % interval over draws."""
    lower, upper = np.quantile(draws, TAILS)
    return float(np.mean(draws)), float(lower), float(upper)


def wrapped(text: str, *, bullet: bool = False, width: int = WIDTH) -> list[str]:
    """Lines of a paragraph, or of a point of a list."""
    first, rest = ("- ", "  ") if bullet else ("", "")
    return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=rest)


# ------------------------------------------------------------------------------------ seen again


def main_table(table: pd.DataFrame) -> str:
    """The table of portfolios as text: a line of names, then means and 90 % intervals below each other.

    Parameters
    ----------
    table : DataFrame
        Columns portfolio, quantity, unit, mean, lower, upper.
    """
    quantities = list(dict.fromkeys(table["quantity"]))
    lines = [f"Means, and below them the ends of the 90 % interval. Basis: {', '.join(dict.fromkeys(table['basis']))}."]
    for number, quantity in enumerate(quantities, start=1):
        unit = table.loc[table["quantity"] == quantity, "unit"].iloc[0]
        lines.append(f"  ({number}) {quantity}{'' if unit in ('1', 1) else f', {unit}'}")
    lines.append(" " * 8 + "".join(f"{f'({n})':>9}" for n in range(1, len(quantities) + 1)))
    for portfolio, rows in table.groupby("portfolio", sort=False):
        lines.append(str(portfolio))
        by_quantity = rows.set_index("quantity").reindex(quantities)
        for column, word in (("mean", "  mean"), ("lower", "  from"), ("upper", "  to")):
            lines.append(f"{word:<8}" + "".join(f"{_cell(value):>9}" for value in by_quantity[column]))
    return "\n".join(lines) + "\n"


def _cell(value: float) -> str:
    """Two or three digits: probabilities below one get three decimals."""
    if not math.isfinite(value):
        return ""
    return f"{value:.3f}" if abs(value) < 1 else f"{value:.1f}"
