"""Writes the records of the Skelderay demo: sections.csv, surveys.csv and truth.json beside itself.

    python studies/skelderay/make_records.py

The lives come from `true_lives.py`; this script watches them as a road authority would: surveys
every one to three years, grinding and patching, removals, a register that begins late, cells left
empty, causes written down wrongly. All of it is invented. Run again, it rewrites the same bytes.
"""

from __future__ import annotations

import csv
import io
import json
import math
import sys
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import true_lives as truth
from true_lives import DISTRICTS, KINDS, MEASURES, NAMES, STRETCH, WEAR_OUT, Roads, stream

HERE = Path(__file__).parent
EPOCH = date(1970, 1, 1)
CLOSE = (truth.RECORDS_CLOSE - EPOCH).days  # dates are days since 1970 until they are written
YEAR = 365.25
SECTION_COLUMNS = (
    *("section", "opened", "bond", "base", "thickness_in", "panel_length_ft", "trucks_per_day", "area_yd2"),
    *("district", "contractor", "project", "wet_freeze", "existing_pci", "stripping_seen", "old_slab_distress_seen"),
    *("drained", "wcm", "air_content", "saw_delay_h", *MEASURES, "randomised", "verified", "observed_from"),
    *("last_seen", "removed", "removal_reason", "failed_after", "failed_by", "cause"),
)
SURVEY_COLUMNS = ("section", "surveyed", "pci", "restored")
Row = dict[str, str]


def to_z(index: float) -> float:
    """Index on the scale where rater scatter is even."""
    return -math.log1p(STRETCH * (100.0 - index)) / STRETCH


def from_z(z: float) -> float:
    """Index of a value on that scale, not bounded."""
    return 100.0 - math.expm1(min(-STRETCH * z, 50.0)) / STRETCH


# ----------------------------------------------------------------------------------- one road watched
@dataclass
class Watched:
    """What happened to one section, in days since 1970, and what was read."""

    opened: int
    failed: int
    removed: int  # for its condition, unless something else came first
    gone_otherwise: int
    entry: int
    surveys: list[tuple[int, int, int]] = field(default_factory=list)  # day, index, restored since the last one
    restored: int | None = None
    unrecorded: bool = False
    last_seen: int | None = None

    @property
    def out(self) -> int:
        """Last day on which it was in service, or the close of the records."""
        return min(self.removed, self.gone_otherwise, CLOSE if self.last_seen is None else self.last_seen)

    @property
    def known(self) -> bool:
        """Whether the register ever held it."""
        return self.entry < min(self.removed, self.gone_otherwise)

    @property
    def removal_reason(self) -> str:
        """Reason for a removal that the records saw, or empty."""
        if self.last_seen is not None or min(self.removed, self.gone_otherwise) > CLOSE:
            return ""
        return "condition" if self.removed <= self.gone_otherwise else "other"


def watch(roads: Roads, life: np.ndarray, cause: np.ndarray) -> list[Watched]:
    """Follow every road from its opening until it is gone or the records close."""
    rng = stream("watching")
    first_inventory = [(date(truth.REGISTER_BEGINS, 1, 1) - EPOCH).days + int(rng.integers(60, 270)) for _ in DISTRICTS]
    seen = []
    for i in range(len(roads)):
        opened, failed = int(roads.opened[i]), int(roads.opened[i] + life[i] * YEAR)
        lag = rng.gamma(2.0, truth.REMOVAL_LAG / 2.0)
        road = Watched(
            opened=opened,
            failed=failed,
            removed=failed + 20 + int(lag * YEAR),
            gone_otherwise=opened + 200 + int(rng.exponential(1.0 / truth.OTHER_REMOVALS) * YEAR),
            entry=max(opened, first_inventory[roads.district[i]]),
        )
        kappa = truth.KAPPA if cause[i] == len(NAMES) else truth.KAPPA_EARLY
        survey(road, float(life[i]), kappa, rng)
        seen.append(road)
    lose_sight(seen, rng)
    return seen


def survey(road: Watched, life: float, kappa: float, rng: np.random.Generator) -> None:
    """Rate the road every one to three years; grind or patch a few that have worn."""
    start = to_z(truth.START) + truth.START_SPREAD * rng.standard_normal()
    lift, day = 0.0, road.entry + int(rng.uniform(0.1, 2.0) * YEAR)
    restored_now = 0
    while day < road.out:
        worn = ((day - road.opened) / YEAR / life) ** kappa
        z = start * (1.0 - worn) + to_z(truth.THRESHOLD) * worn + lift
        z = min(max(z, to_z(truth.HELD)), 0.0)
        index = round(min(max(from_z(z + truth.NOISE * rng.standard_normal()), 0.0), 100.0))
        road.surveys.append((day, index, restored_now))
        restored_now = 0
        chance = rng.random()
        if road.restored is None and 55 <= index <= 76 and chance < truth.RESTORED + truth.UNRECORDED:
            road.unrecorded = chance > truth.RESTORED
            gain = rng.uniform(18.0, 32.0) if road.unrecorded else rng.uniform(8.0, 20.0)
            level = from_z(z)
            lift = to_z(min(level + gain, 97.0)) - z
            road.restored, road.removed = day, road.removed + int(rng.uniform(2.0, 6.0) * YEAR)
            restored_now = int(not road.unrecorded)
        day += int(rng.choice([1, 2, 3], p=[0.35, 0.45, 0.20]) * YEAR + rng.integers(-60, 61))


def lose_sight(seen: list[Watched], rng: np.random.Generator) -> None:
    """Some roads in service are handed over; the authority knows nothing of them afterwards."""
    able = [r for r in seen if r.known and min(r.removed, r.gone_otherwise) > CLOSE and len(r.surveys) > 3]
    for place in rng.choice(len(able), truth.LOST_SIGHT, replace=False):
        road = able[place]
        road.surveys = road.surveys[:-2]
        road.last_seen = road.surveys[-1][0] + 45


# ----------------------------------------------------------------------------------- cells
def iso(day: int) -> str:
    """A date as written in the files."""
    return (EPOCH + timedelta(days=int(day))).isoformat()


def section_rows(roads: Roads, scores: np.ndarray, seen: list[Watched], done: np.ndarray) -> list[Row]:
    """Rows of sections.csv, complete: cells are emptied later."""
    rng = stream("cells")
    place: Counter[int] = Counter()
    rows = []
    for i, road in enumerate(seen):
        contract = int(roads.contract[i]) + 1
        place[contract] += 1
        bond, base = KINDS[roads.kind[i]].split("_")
        row = {
            "section": f"SK{contract:03d}-{place[contract]}",
            "opened": iso(road.opened),
            "bond": bond,
            "base": base,
            "trucks_per_day": f"{roads.trucks[i]:.0f}",
            "area_yd2": f"{round(14080 * rng.uniform(0.6, 2.8), -2):.0f}",
            "district": tuple(DISTRICTS)[roads.district[i]],
            "contractor": truth.CONTRACTORS[roads.contractor[i]],
            "project": f"SK{contract:03d}",
            "wet_freeze": str(tuple(DISTRICTS.values())[roads.district[i]]),
        }
        late = row["contractor"] == truth.LATE_SAW
        row |= indicators(KINDS[roads.kind[i]], scores[i], late, rng) | measure_cells(roads, done, i, rng) | ends(road)
        rows.append(row)
    return rows


def indicators(kind: str, score: np.ndarray, late: bool, rng: np.random.Generator) -> Row:
    """What is recorded of the old pavement, the design and the work, given the three quality scores."""
    existing, design, work = (float(s) for s in score)

    def mixed(loading: float, part: float) -> float:
        return loading * part + math.sqrt(1.0 - loading**2) * rng.standard_normal()

    _, _, _, thickness, panels = truth.TYPES[kind]
    # 0.2 of two inches on the design score; the rest of the scatter of thickness is the type's
    inches = thickness + 0.4 * design + 0.9 * rng.standard_normal()
    panel = panels[min(max(math.floor(1.5 + 1.1 * mixed(-0.3, design)), 0), 2)]
    delay = 10.0 * math.exp(0.40 * mixed(0.25, -work)) * (truth.LATE_SAW_FACTOR if late else 1.0)
    row = {
        "thickness_in": f"{max(round(2.0 * inches) / 2.0, 2.5):g}",
        "panel_length_ft": f"{panel:g}",
        "existing_pci": f"{min(max(50.0 + 15.0 * mixed(0.42, existing), 5.0), 95.0):.0f}",
        "drained": str(int(mixed(0.36, design) > 0.0)),
        "wcm": f"{min(max(0.42 + 0.03 * mixed(-0.25, work), 0.34), 0.52):.2f}",
        "air_content": f"{min(max(6.0 + 1.2 * mixed(0.20, work), 2.5), 9.5):.1f}",
        "saw_delay_h": f"{min(max(delay, 2.0), 48.0):.0f}",
    }
    stripping, distress = mixed(-0.69, existing) > 1.036, mixed(-0.61, existing) > 0.674
    row["stripping_seen"] = "" if kind.endswith("_concrete") else str(int(stripping))
    row["old_slab_distress_seen"] = "" if kind.endswith("_asphalt") else str(int(distress))
    return row


def measure_cells(roads: Roads, done: np.ndarray, i: int, rng: np.random.Generator) -> Row:
    """Requirements, measures assigned by lot, and measures that somebody checked."""
    checked = done[i] & (roads.verified[i] | (rng.random(len(MEASURES)) < truth.VERIFIED))
    row = {measure: str(int(roads.required[i, k])) for k, measure in enumerate(MEASURES)}
    row["randomised"] = ";".join(m for k, m in enumerate(MEASURES) if roads.randomised[i, k])
    row["verified"] = ";".join(m for k, m in enumerate(MEASURES) if checked[k])
    return row


def ends(road: Watched) -> Row:
    """When it came under observation and how it ended."""
    return {
        "observed_from": iso(road.entry) if road.entry > road.opened else "",
        "last_seen": iso(road.last_seen) if road.last_seen is not None else "",
        "removed": iso(road.out) if road.removal_reason else "",
        "removal_reason": road.removal_reason,
    }


def write_causes(rows: list[Row], seen: list[Watched], cause: np.ndarray) -> None:
    """Causes of some removals, of which some are wrong and some are two names."""
    rng = stream("causes")
    for row, road, true_cause in zip(rows, seen, cause, strict=True):
        kind = f"{row['bond']}_{row['base']}"
        if road.removal_reason != "condition" or rng.random() > truth.LABELLED:
            continue
        legal = [n for m, n in enumerate(NAMES) if truth.true_shares()[KINDS.index(kind), m] > 0] + [WEAR_OUT]
        named = (*NAMES, WEAR_OUT)[true_cause]
        others = [n for n in legal if n != named]
        if rng.random() < truth.LABEL_ERROR:
            named = others.pop(int(rng.integers(len(others))))
        both = [named, others[int(rng.integers(len(others)))]]
        row["cause"] = ";".join(both if rng.random() < truth.SECOND_NAME else both[:1])


def state_intervals(rows: list[Row], seen: list[Watched]) -> None:
    """For a few failures the authority itself states between which dates they came."""
    rng = stream("intervals")
    able = [
        (row, road)
        for row, road in zip(rows, seen, strict=True)
        if row["removal_reason"] == "condition" and road.restored is None and road.failed > road.entry + 400
    ]
    for place in rng.choice(len(able), truth.STATED_INTERVALS, replace=False):
        row, road = able[place]
        before, after = road.failed - int(rng.uniform(60, 350)), road.failed + int(rng.uniform(10, 300))
        row["failed_after"], row["failed_by"] = iso(before), iso(min(after, road.out - 1))
    row["failed_after"] = ""  # the last one only says "by"


def empty_cells(rows: list[Row], roads: Roads) -> None:
    """Leave out what an authority does not have on file; trials are documented in full."""
    rng = stream("missing")
    lost = rng.random(roads.contract.max() + 1) < truth.MISSING["project"]
    for i, row in enumerate(rows):
        unsure = rng.random(len(truth.MISSING))
        for (column, share), u in zip(truth.MISSING.items(), unsure, strict=True):
            missing = lost[roads.contract[i]] if column == "project" else u < share
            on_trial = column in MEASURES and bool(row["randomised"])
            # no fabric lies under a bonded overlay, recorded or not
            plain = column == "separation_fabric" and row["bond"] == "bonded"
            if missing and not on_trial and not plain and column not in row["verified"].split(";"):
                row[column] = ""


# ----------------------------------------------------------------------------------- files
def write_csv(path: Path, columns: tuple[str, ...], rows: list[Row]) -> None:
    """Write a table with line feeds on every system."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")


def constants() -> dict[str, object]:
    """Every true value, by the name it has in true_lives.py."""
    plain = (int, float, str, tuple, dict)
    found = {k: v for k, v in vars(truth).items() if k.isupper() and isinstance(v, plain)}
    found["RECORDS_CLOSE"] = truth.RECORDS_CLOSE.isoformat()
    return {k: v for k, v in found.items() if k not in ("KINDS", "NAMES")}


@dataclass(frozen=True)
class Fates:
    """The lives that the records show: age and cause of failure, and measures really done."""

    life: np.ndarray
    cause: np.ndarray
    done: np.ndarray


def truth_of(roads: Roads, seen: list[Watched], fates: Fates, names: list[str]) -> dict[str, object]:
    """Content of truth.json."""
    known = np.array([road.known for road in seen])
    life, causes = fates.life, (*NAMES, WEAR_OUT)
    by_type = {k: int((roads.kind[known] == t).sum()) for t, k in enumerate(KINDS)}
    shares = {
        k: dict(zip(NAMES, row, strict=True))
        for k, row in zip(KINDS, truth.true_shares().round(4).tolist(), strict=True)
    }
    return {
        "about": f"True values and true results of {truth.AUTHORITY}, which is invented. Written by make_records.py.",
        "constants": constants(),
        "displaced": displaced(),
        "group_terms": {g: {k: round(v, 4) for k, v in t.items()} for g, t in truth.group_terms().items()},
        "wear_out_median": {k: round(float(v), 2) for k, v in zip(KINDS, truth.wear_out_medians(), strict=True)},
        "shares": shares,
        "selection": truth.realised_selection(roads, known),
        "sections": {"ever_built": len(roads), "register": int(known.sum()), "register_by_type": by_type},
        "early_failures": {
            "ever_built": int((life < truth.EARLY_AGE).sum()),
            "register": int((life[known] < truth.EARLY_AGE).sum()),
        },
        "required": dict(zip(MEASURES, roads.required[known].sum(axis=0).tolist(), strict=True)),
        "really_done": dict(zip(MEASURES, fates.done[known].sum(axis=0).tolist(), strict=True)),
        "results": truth.true_results(roads, known),
        "age_at_failure": {n: round(float(t), 3) for n, t, k in zip(names, life, known, strict=True) if k},
        "cause_of_failure": {n: causes[c] for n, c, k in zip(names, fates.cause, known, strict=True) if k},
    }


def displaced() -> list[dict[str, object]]:
    """The three places where the truth lies a prior standard deviation or more from the prior median."""
    ratio = next(e[2] for e in truth.EFFECTS if e[:2] == ("internal_curing", "random_cracking"))
    return [
        {
            "name": "random cracking is more usual",
            "quantity": "ln of the share of early failures by random_cracking over the usual share, before normalising",
            "truth": truth.RANDOM_CRACKING_LOG_SHARE,
        },
        {
            "name": "internal curing does little against random cracking",
            "quantity": "risk ratio of internal_curing on random_cracking",
            "truth": ratio,
        },
        {
            "name": "overlays wear out sooner",
            "quantity": "median age of wear-out over the usual one, every type",
            "truth": truth.WEAR_OUT_RATIO,
        },
    ]


def summary(rows: list[Row], surveys: list[Row], seen: list[Watched], found: dict) -> str:  # type: ignore[type-arg]
    """A page of what was made, for the eye of a pavement engineer."""
    index = np.array([int(s["pci"]) for s in surveys])
    early, register = found["early_failures"], found["results"]["register"]
    kept = [road for road in seen if road.known]
    reasons = Counter(road.removal_reason for road in kept)
    lines = [
        f"{truth.AUTHORITY} (invented): {len(rows)} sections of {truth.ROADS} ever built, {len(surveys)} readings",
        f"fail before ten: {early['register']} in the register, {early['ever_built']} ever",
        f"removed for condition {reasons['condition']}, for other reasons {reasons['other']}; from before the register "
        f"{sum(road.entry > road.opened for road in kept)}",
        f"failed by the close of the records: {sum(road.failed < CLOSE for road in kept)}",
        f"restored and recorded {sum(s['restored'] == '1' for s in surveys)}, "
        f"unrecorded {sum(road.unrecorded for road in kept)}",
        f"index: 100 at {np.mean(index == 100):.1%}, under 60 at {np.mean(index < 60):.1%}, under 40 at "
        f"{np.mean(index < 40):.1%}, 0 at {np.mean(index == 0):.1%} of readings",
    ]
    lines += [
        f"{name:18s} early {r['early_failure_probability']:.3f}  b10 {r['b10_age']:5.2f}  "
        f"median {r['median_age']:5.2f}  mean to 60 {r['restricted_mean_age']:6.3f}  gain {r['life_gain']:+.3f}"
        for name, r in register.items()
    ]
    return "\n".join(lines)


def main(folder: Path = HERE) -> None:
    """Make the three files in `folder`."""
    roads = truth.build_roads()
    uniform, scores = truth.draw_chance(roads, stream("life"), 1)
    done = truth.really_done(roads, uniform["comply"], roads.required)
    life, cause = (a[0] for a in truth.draw_lives(roads, uniform, scores, done))
    seen = watch(roads, life, cause)
    rows = section_rows(roads, scores[0], seen, done[0])
    write_causes(rows, seen, cause)
    kept = [i for i, road in enumerate(seen) if road.known]
    state_intervals([rows[i] for i in kept], [seen[i] for i in kept])
    surveys = [
        {"section": rows[i]["section"], "surveyed": iso(day), "pci": str(index), "restored": str(restored)}
        for i in kept
        for day, index, restored in seen[i].surveys
    ]
    empty_cells(rows, roads)
    found = truth_of(roads, seen, Fates(life, cause, done[0]), [row["section"] for row in rows])
    folder.mkdir(parents=True, exist_ok=True)
    write_csv(folder / "sections.csv", SECTION_COLUMNS, [rows[i] for i in kept])
    write_csv(folder / "surveys.csv", SURVEY_COLUMNS, surveys)
    (folder / "truth.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8", newline="\n")
    print(summary([rows[i] for i in kept], surveys, seen, found))


if __name__ == "__main__":
    main(*(Path(argument) for argument in sys.argv[1:2]))
