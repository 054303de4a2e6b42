"""The rules by which checks of the calibrated model pass or fail: from their figures to verdicts.

Each rule states how often it would fail by chance where the model is right. Limits are below one in a hundred,
since some fifteen checks are made.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from .criticism import CURVES
from .groupfit import BY_READINGS, SPLITS, GroupFit
from .leaveout import LeftOut, trusted_k
from .measures import CURRENT_PRACTICE
from .sensitivity import LEAST, LIKELIHOOD, POWERS, PRIOR, diagnosis
from .verdicts import Verdict, judged, not_applicable

__all__ = [
    "SECTIONS",
    "group_verdicts",
    "left_out_verdicts",
    "predicted_verdicts",
    "score_verdicts",
    "sections_table",
    "sensitivity_verdicts",
    "threshold_verdicts",
]

SMALL = 0.005
"""Chance of a failure where the model is right, of checks from simulated records: one of 300 is the least there is."""
RARE = 0.001
"""The same of checks from an exact distribution."""
FAR, FAR_CHANCE = 3.0, 0.0026998
"""Normal scores beyond it are far; the chance of one."""
FEWEST = 10
"""Readings that a group needs."""
AGE_CLASSES = (2.5, 5.0, 7.5, 10.0, 12.5, 15.0, 20.0, 25.0)
OUTSIDE = 0.5
"""Share of ages outside nine in ten simulated records; ages hang together."""
TIMES = 1.25
"""Times as far as the farthest of the few simulated sets of which Turnbull's estimate is made."""
APART = 1.0
"""Standard deviations a doubling. Of a normal prior and likelihood as wide as each other it is reached where they lie
three standard errors of their difference apart."""
TRUSTED = 0.7
SECTIONS = (
    "section",
    "project",
    "readings",
    "elpd",
    "pareto_k",
    "what",
    "age",
    "recorded",
    "chance",
    "tail_area",
    "why",
)


# ------------------------------------------------------------------------ simulated records


def predicted_verdicts(predicted: pd.DataFrame, moved: pd.DataFrame, early_age: float) -> Iterator[Verdict]:
    """Records as the priors, and as the calibrated model, expect them (see `predicted`).

    Parameters
    ----------
    predicted : DataFrame
        From `predicted.predicted_table`.
    moved : DataFrame
        From `criticism.moved_table`.
    early_age : float
        Years.
    """
    yield _extremes(
        "records within what the priors expected", predicted, "prior_tail", prior_words(moved, early_age),
        "ask whoever stated the priors: one of them rules out what these roads did. Widen it under [priors.override]",
    )  # fmt: skip
    yield _extremes(
        "records within what the calibrated model expects", predicted, "tail", "",
        "look where it lies apart: a kind of failure, of scatter or of removal that the model does not know",
    )  # fmt: skip


def prior_words(moved: pd.DataFrame, early_age: float) -> str:
    """What the priors said of early failures and what the records made of it, as a sentence."""
    rows = moved[(moved["quantity"] == "early_failure_probability") & (moved["portfolio"] == CURRENT_PRACTICE)]
    if rows.empty:
        return ""
    row = 100.0 * rows.iloc[0][["prior_lower", "prior_upper", "lower", "upper"]].astype(float)
    return (
        f"The priors say {row.iloc[0]:.0f} to {row.iloc[1]:.0f} of 100 fail before age {early_age:g}; "
        f"the records made it {row.iloc[2]:.0f} to {row.iloc[3]:.0f}. "
    )


def _extremes(check: str, predicted: pd.DataFrame, column: str, before: str, remedy: str) -> Verdict:
    known = predicted[predicted[column].notna()]
    if known.empty:
        return not_applicable(check, f"{before}There are too few readings and removals to compare.".strip())
    worst: Any = known.iloc[int(known[column].argmin())]
    stem = "prior_" if column.startswith("prior") else ""
    value, limit = float(worst[column]), 2.0 * SMALL
    said = (
        f'{before}Of {len(known)} figures the farthest is "{worst["statistic"]}": {worst["recorded"]:.1f} on record, '
        f"{worst[f'{stem}lower']:.1f} to {worst[f'{stem}upper']:.1f} expected."
    )
    return judged(value > limit, check, said, remedy, value=value, limit=limit)


def group_verdicts(fit: GroupFit) -> Iterator[Verdict]:
    """Removals of all sections, and by age, district and root cause (see `groupfit`)."""
    for split, words in SPLITS.items():
        check = f"removals against Kaplan-Meier: {words}"
        if split not in fit.tail:
            yield not_applicable(check, _why_no_split(split))
            continue
        name, age, recorded, middle = fit.worst[split]
        group = name.replace("_", " ")
        found = (
            f"Farthest for {group} at age {age:g}: {100 * recorded:.1f} of 100 removed on record, "
            f"{100 * middle:.1f} in simulated records, of which {100 * fit.tail[split]:.0f} of 100 lie as far off."
        )
        yield judged(
            fit.tail[split] > SMALL, check, found,
            f"the model's lives do not fit {group}: check its ages, causes and removals, then whether it differs in "
            "something that the tables do not hold",
            value=fit.tail[split], limit=SMALL,
        )  # fmt: skip


def _why_no_split(split: str) -> str:
    return {
        "root": "No removal on record names a cause, or too few sections are under observation.",
        "district": "The records name no two districts with enough sections under observation.",
    }.get(split, "Too few sections are under observation at the same age.")


def threshold_verdicts(fit: pd.DataFrame, by_group: GroupFit) -> Iterator[Verdict]:
    """Readings at or below the threshold by Turnbull's estimate, beside simulated records.

    Parameters
    ----------
    fit : DataFrame
        From `criticism.fit_table`.
    by_group : GroupFit
    """
    remedy = (
        "compare the curves: lives or the scatter of readings are off. Look at the checks by age of reading and of the "
        "scatter first"
    )
    check = "readings below the threshold against Turnbull"
    rows = fit[fit["curve"] == "above_threshold"]
    too_few = "No section was read at or below the threshold, or too few were read."
    if rows.empty:
        yield not_applicable(f"{check}: {SPLITS['all']}", too_few)
    else:
        inside = rows["recorded"].between(rows["lower"] - 1e-9, rows["upper"] + 1e-9)
        said = f"At {int(inside.sum())} of {len(rows)} ages the records lie where nine in ten simulated records do."
        share = 1.0 - float(inside.mean())
        yield judged(share <= OUTSIDE, f"{check}: {SPLITS['all']}", said, remedy, value=share, limit=OUTSIDE)
    for split in BY_READINGS:
        if split not in by_group.read_low:
            yield not_applicable(f"{check}: {SPLITS[split]}", too_few)
            continue
        times, (group, age, recorded, middle) = by_group.read_low[split]
        said = (
            f"Farthest for {group} at age {age:g}: {100 * recorded:.1f} of 100 read so low on record, "
            f"{100 * middle:.1f} in simulated records; {times:.1f} times as far as in any of {CURVES} simulated sets."
        )
        yield judged(times <= TIMES, f"{check}: {SPLITS[split]}", said, remedy, value=times, limit=TIMES)


# ------------------------------------------------------------------------- leave-one-out


def left_out_verdicts(sections: LeftOut, projects: LeftOut | None) -> Iterator[Verdict]:
    """Whether single sections, or contracts, steer the result."""
    limit = trusted_k(len(sections.log_weight))
    worst = int(np.nanargmax(sections.pareto_k))
    value = float(sections.pareto_k[worst])
    off = [name for name, bad in zip(sections.unit, sections.distrusted, strict=True) if bad]
    found = (
        f"Largest Pareto k {value:.2f} ({sections.unit[worst]}); {len(off)} of {len(sections.unit)} above {limit:.2f}."
    )
    yield judged(
        not off, "no single section steers the result", found,
        f"check the records of {', '.join(off[:3])}: right, and unlike all others? Run once without them",
        value=value, limit=limit,
    )  # fmt: skip
    yield _projects_verdict(projects, limit)


def _projects_verdict(projects: LeftOut | None, limit: float) -> Verdict:
    check = "whole contracts predicted from the others"
    if projects is None:
        return not_applicable(check, "No contract on record has two sections.")
    off = int(projects.distrusted.sum())
    if off:
        return not_applicable(
            check,
            f"Pareto k is above {limit:.2f} for {off} of {len(projects.unit)} contracts, so weighting cannot leave "
            "them out.",
            "to know it, run the study once without one of these contracts",
        )
    found = (
        f"All {len(projects.unit)} contracts can be left out (largest k {np.nanmax(projects.pareto_k):.2f}): expected "
        f"log density {projects.total:.0f}."
    )
    return judged(True, check, found, "", value=float(np.nanmax(projects.pareto_k)), limit=limit)


def sections_table(left_out: LeftOut, scores: pd.DataFrame, projects: NDArray[np.str_]) -> pd.DataFrame:
    """Every section left out, those that the model explains worst first.

    Parameters
    ----------
    left_out : LeftOut
    scores : DataFrame
        From `readingscores.reading_scores`.
    projects : ndarray of str (section,)

    Returns
    -------
    DataFrame
        Columns `SECTIONS`: `elpd` is the ln density of its records given all others; what, age, recorded and
        chance are those of its least expected reading or removal, and `tail_area` its two-sided chance times the
        number of them, at most 1; `why` says so in words.
    """
    readings = scores[scores["what"] == "reading"].groupby("section").size()
    worst = scores.sort_values("tail_area").drop_duplicates("section").set_index("section")
    count = scores.groupby("section").size()
    rows = []
    for i, name in enumerate(left_out.unit):
        own: Any = worst.loc[name] if name in worst.index else None
        told = (
            ("", np.nan, np.nan, np.nan, np.nan, "") if own is None else
            (own["what"], own["age"], own["recorded"], own["chance"],
             min(1.0, float(own["tail_area"]) * int(count[name])), _why(own))
        )  # fmt: skip
        rows.append((name, projects[i], int(readings.get(name, 0)), left_out.elpd[i], left_out.pareto_k[i], *told))
    table = pd.DataFrame(rows, columns=list(SECTIONS))
    return table.sort_values(["tail_area", "elpd"], ignore_index=True)


def _why(event: Mapping[str, Any]) -> str:
    """The least expected event of a section in words."""
    after = {0: "all other sections", 1: "its earlier reading and all other sections"}.get(
        int(event["number"]), f"its {event['number']} earlier readings and all other sections"
    )
    if event["what"] == "removal":
        chance = _percent(event["chance"])
        return f"removed at age {event['age']:.1f}; given {after} the chance of that by then was {chance}"
    high = event["chance"] > 0.5
    odds = 1.0 - event["chance"] if high else event["upper_chance"]
    return (
        f"read {event['recorded']:.0f} at age {event['age']:.1f}; given {after} the chance of so "
        f"{'high' if high else 'low'} a reading was {_percent(odds)}"
    )


def _percent(chance: float) -> str:
    return "under 0.01 %" if chance < 1e-4 else f"{100.0 * chance:.2g} %"


# ------------------------------------------------------------------------- scores of readings


def score_verdicts(scores: pd.DataFrame, groups: pd.DataFrame) -> Iterator[Verdict]:
    """Whether the chances of the readings are uniform, without heavy tails, and independent of everything.

    Parameters
    ----------
    scores : DataFrame
        From `readingscores.reading_scores`.
    groups : DataFrame
        Columns `section`, `district`, `contractor`; empty texts where a section has none.
    """
    readings = scores[(scores["what"] == "reading") & scores["score"].notna()].merge(groups, on="section", how="left")
    if len(readings) < 2 * FEWEST:
        yield not_applicable("readings predicted one by one", "There are too few readings.")
        return
    score = readings["score"].to_numpy()
    yield _uniform(score)
    yield _tails(score)
    yield _one_after_the_other(readings)
    classes = np.digitize(readings["age"], AGE_CLASSES)
    yield _no_shift(
        score, np.array([_class_words(c) for c in range(len(AGE_CLASSES) + 1)])[classes], "age of the reading", "age",
        "condition falls otherwise with age than the path says: try another `path` under [condition], or ask which "
        "failures set in late",
    )  # fmt: skip
    yield _no_shift(
        score, readings["year"].to_numpy().astype(str), "survey year", "year",
        "that survey read differently: other raters, another method or another crew. Correct its readings, or keep "
        "them out",
    )  # fmt: skip
    for column in ("district", "contractor"):
        yield _no_shift(
            score, readings[column].fillna("").to_numpy().astype(str), column, column,
            f"the {column} is read, or built, differently in something that the tables do not hold",
        )  # fmt: skip


def _class_words(number: int) -> str:
    ends = (0.0, *AGE_CLASSES, np.inf)
    return (
        f"{ends[number]:g} to {ends[number + 1]:g} years"
        if number < len(AGE_CLASSES)
        else f"over {ends[number]:g} years"
    )


def _uniform(score: NDArray[np.float64]) -> Verdict:
    value = float(stats.kstest(score, "norm").pvalue)
    found = (
        f"{len(score)} readings, each predicted without its section: mean score {score.mean():+.2f}, sd "
        f"{score.std():.2f}, where 0 and 1 are expected (Kolmogorov-Smirnov p {value:.2g})."
    )
    return judged(
        value > RARE, "chances of readings are uniform (LOO-PIT)", found,
        "the scatter of the readings or the path is off: see the checks by age, year and tails",
        value=value, limit=RARE,
    )  # fmt: skip


def _tails(score: NDArray[np.float64]) -> Verdict:
    far = int((np.abs(score) > FAR).sum())
    value = float(stats.binomtest(far, len(score), FAR_CHANCE, alternative="greater").pvalue)
    expected = FAR_CHANCE * len(score)
    found = f"{far} of {len(score)} readings lie beyond {FAR:g} standard deviations; {expected:.1f} are expected."
    return judged(
        value > RARE, "no more wild readings than expected", found,
        "look at the sections that are explained worst: misread, misdated or repaired without a record? Rater error "
        "has heavier tails than the model's",
        value=value, limit=RARE,
    )  # fmt: skip


def _one_after_the_other(readings: pd.DataFrame) -> Verdict:
    check = "readings of a section independent of each other"
    ordered = readings.sort_values(["section", "number"])
    score, owner = ordered["score"].to_numpy(), ordered["section"].to_numpy()
    pair = np.flatnonzero(owner[1:] == owner[:-1])
    if len(pair) < 2 * FEWEST:
        return not_applicable(check, "Too few sections were read twice.")
    found = stats.pearsonr(score[pair], score[pair + 1])
    value = float(found.pvalue)
    words = f"Correlation of {found.statistic:+.2f} between the scores of readings that follow each other."
    return judged(
        value > RARE, check, words,
        "errors run on from survey to survey (the same rater, or roads that differ in how they age): intervals of "
        "single sections are too narrow, and the path exponent may differ between roads",
        value=value, limit=RARE,
    )  # fmt: skip


def _no_shift(score: NDArray[np.float64], names: NDArray[np.str_], check: str, word: str, remedy: str) -> Verdict:
    """Sum over groups of count times squared mean: chi-square where no group is shifted."""
    check = f"readings not shifted by {check}"
    known, place, count = np.unique(names, return_inverse=True, return_counts=True)
    mean = np.bincount(place, score) / count
    used = (count >= FEWEST) & (known != "")
    if used.sum() < 2:
        return not_applicable(check, f"The records hold no two values of {word} with {FEWEST} readings.")
    squares = np.where(used, count * mean**2, 0.0)
    value = float(stats.chi2.sf(squares.sum(), int(used.sum())))
    worst = int(squares.argmax())
    side = "higher" if mean[worst] > 0 else "lower"
    found = (
        f"Farthest: {known[worst]}, read {abs(mean[worst]):.2f} standard deviations {side} than expected "
        f"({count[worst]} readings)."
    )
    return judged(value > RARE, check, found, remedy, value=value, limit=RARE)


# ---------------------------------------------------------------------------- sensitivity


def sensitivity_verdicts(table: pd.DataFrame, places: pd.DataFrame | None) -> Iterator[Verdict]:
    """Whether priors and records pull what is decided apart, and whether the first place holds.

    Parameters
    ----------
    table : DataFrame
        From `sensitivity.sensitivity_table`.
    places : DataFrame or None
        From `sensitivity.first_places`; None where costs are not weighed.
    """
    yield _conflict(table)
    check = "first place holds with priors more and less sure"
    if places is None:
        yield not_applicable(check, "The study weighs no costs, so nothing is first.")
        return
    changed = places[~places["same_first"].astype(bool)]
    found = f"{len(changed)} of {len(places)} changes of weight put another portfolio first"
    if len(changed):
        one = changed.iloc[0]
        found += f", as {one['component']} to the power {one['power']:g}: {one['first_place']}"
    poor = int((places["k_hat"] > TRUSTED).sum())
    found += f"; the weights of {poor} cannot be trusted" if poor else ""
    yield judged(
        changed.empty, check, f"{found}.",
        "the choice hangs on how sure that prior is: state it with care, and weigh what a trial would be worth",
        value=float(len(changed)), limit=0.0,
    )  # fmt: skip


def _conflict(table: pd.DataFrame) -> Verdict:
    """Where both matter, whether they pull to different sides, and how far."""
    check = "priors and records pull to the same side"
    if LIKELIHOOD not in set(table["component"]):
        return not_applicable(check, "The calibration holds no likelihood to weigh the priors against.")
    pairs = _moves(table)
    both = [pair for pair, (prior, records, _) in pairs.items() if min(prior, records) >= LEAST]
    far = {pair: pairs[pair][2] for pair in both}
    value = max(far.values(), default=0.0)
    if not far:
        said = "; ".join(f"{_words(pair)} {diagnosis(*pairs[pair][:2])}" for pair in list(pairs)[:3])
        return judged(True, check, f"Nothing decided on is moved by both: {said}.", "", value=0.0, limit=APART)
    worst = max(far, key=lambda pair: far[pair])
    found = (
        f"Farthest apart: {_words(worst)}, by {far[worst]:.2f} of its standard deviation a doubling of either weight; "
        f"{len(both)} of {len(pairs)} quantities are moved by both."
    )
    return judged(
        value <= APART, check, found,
        "compare priors and posterior in the page: a prior that the records contradict draws the result between "
        "them, where neither would put it",
        value=value, limit=APART,
    )  # fmt: skip


def _moves(table: pd.DataFrame) -> dict[tuple[str, str], tuple[float, float, float]]:
    """Sensitivities to priors and records, and how far they pull apart in sd a doubling, by quantity and portfolio."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for row in table.to_dict("records"):
        found.setdefault((row["quantity"], row["portfolio"]), {})[row["component"]] = row
    out = {}
    for pair, rows in found.items():
        one, two = (_slope(rows[name]) for name in (PRIOR, LIKELIHOOD))
        apart = min(abs(one), abs(two)) if one * two < 0 else 0.0
        out[pair] = (rows[PRIOR]["sensitivity"], rows[LIKELIHOOD]["sensitivity"], apart)
    return out


def _slope(row: Mapping[str, Any]) -> float:
    """Change of the mean a doubling of the weight, in standard deviations."""
    return float((row["mean_more"] - row["mean_less"]) / np.log2(POWERS[1] / POWERS[0]) / max(row["sd"], 1e-12))


def _words(pair: tuple[str, str]) -> str:
    return " of ".join(part.replace("_", " ") for part in pair)
