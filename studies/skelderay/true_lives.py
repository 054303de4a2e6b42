"""True values of the Skelderay demo, its invented roads, their lives, and the true results.

Everything here is invented: the road authority, its places, its contractors and its roads. This
generator shares no code with `riskmodel`. `make_records.py` watches these lives and writes the files.

Units: inches, feet, square yards, trucks per day, years, index points of a 0-100 condition index.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

# ----------------------------------------------------------------------------------- true values
SEED = 20241251  # every random stream starts from it; chosen so that the late contractor shows in the records
ROADS = 424  # sections ever built; a few are gone before the register begins
YEARS = (1996, 2021)  # first and last opening year
REGISTER_BEGINS = 2006  # an older section is known only if it was still in service then
RECORDS_CLOSE = date(2024, 12, 31)
EARLY_AGE, HORIZON = 10.0, 60.0  # years
REDRAWS = 2000  # fates per road for the true results

EARLY_FAILURE = 0.110  # P(fails before age ten), odds multiplier 1, no measures, wear-out included
WEAR_OUT_SHAPE = 3.6  # Weibull shape of wear-out
WEAR_OUT_RATIO = 0.76  # DISPLACED: every type wears out at 0.76 of the age that is usually assumed
TYPES = {  # share of contracts, odds of early failure, usual wear-out (years), thickness (in), panels (ft)
    "bonded_asphalt": (0.30, 1.10, 38.0, 5.2, (5.0, 6.0, 6.0)),
    "bonded_concrete": (0.07, 1.50, 32.0, 4.3, (12.0, 15.0, 15.0)),
    "bonded_composite": (0.09, 1.25, 36.0, 5.0, (5.0, 6.0, 6.0)),
    "unbonded_asphalt": (0.10, 0.85, 45.0, 7.6, (6.0, 12.0, 15.0)),
    "unbonded_concrete": (0.32, 0.90, 45.0, 7.8, (6.0, 12.0, 15.0)),
    "unbonded_composite": (0.12, 1.00, 42.0, 7.5, (6.0, 12.0, 15.0)),
}
ROOTS = ("existing", "design", "workmanship")
OTHER_SHARE = 0.05  # share of early failures of no listed kind
ROOT_SHARE = {  # share of the other early failures, in the order of ROOTS
    "bonded_asphalt": (0.40, 0.20, 0.40),
    "bonded_concrete": (0.30, 0.20, 0.50),
    "bonded_composite": (0.45, 0.20, 0.35),
    "unbonded_asphalt": (0.25, 0.25, 0.50),
    "unbonded_concrete": (0.25, 0.35, 0.40),
    "unbonded_composite": (0.35, 0.25, 0.40),
}
RANDOM_CRACKING_LOG_SHARE = 0.95  # DISPLACED: its share times exp(0.95) before the shares are made to sum to 1
MECHANISMS = {  # root, median age (years), shape, log-odds per score sd, share within the root by type of TYPES
    "reflective_cracking": ("existing", 2.10, 2.0, 0.75, (0.25, 0.45, 0.25, 0.15, 0.25, 0.25)),
    "support_loss": ("existing", 6.20, 3.3, 0.70, (0.60, 0.10, 0.60, 0.75, 0.55, 0.55)),
    "old_slab_distress": ("existing", 6.00, 2.5, 0.60, (0.15, 0.45, 0.15, 0.10, 0.20, 0.20)),
    "joint_mismatch": ("design", 1.80, 2.0, 0.70, (0.25, 0.60, 0.25, 0.05, 0.15, 0.15)),
    "panel_breaks": ("design", 5.20, 2.9, 0.80, (0.55, 0.30, 0.55, 0.60, 0.55, 0.55)),
    "faulting": ("design", 7.00, 4.3, 0.70, (0.20, 0.10, 0.20, 0.35, 0.30, 0.30)),
    "random_cracking": ("workmanship", 2.60, 2.5, 0.85, (0.45, 0.35, 0.45, 0.60, 0.60, 0.60)),
    "debonding": ("workmanship", 0.75, 1.4, 0.70, (0.25, 0.50, 0.25, 0.00, 0.00, 0.00)),
    "joint_deterioration": ("workmanship", 8.50, 4.6, 0.65, (0.30, 0.15, 0.30, 0.40, 0.40, 0.40)),
    "other": ("", 5.00, 2.0, 0.00, ()),
}
WEAR_OUT = "wear_out"

MEASURES = ("pre_survey", "separation_fabric", "prompt_sawing", "internal_curing")
FABRIC_TYPES = ("unbonded_concrete", "unbonded_composite")  # where fabric can be required
COMPLIANCE = (0.80, 0.85, 0.68, 0.86)  # really done as intended where required, in the order of MEASURES
REQUIRED_RATE = (0.32, 0.42, 0.32, 0.10)  # share of contracts with the requirement once it existed
FIRST_YEAR = (1996, 2008, 2003, 2012)  # since when the requirement exists
TRIALS = (  # sections assigned by lot, four a contract, two of them treated: measure, type, year
    ("internal_curing", "unbonded_concrete", 2013),
    ("internal_curing", "bonded_asphalt", 2014),
    ("internal_curing", "bonded_asphalt", 2015),
    ("separation_fabric", "unbonded_concrete", 2012),
    ("separation_fabric", "unbonded_concrete", 2014),
    ("separation_fabric", "unbonded_composite", 2016),
)
EFFECTS = (  # measure, mechanism, share of such early failures that remains when it is really done, on which types
    ("pre_survey", "reflective_cracking", 0.68, None),
    ("pre_survey", "support_loss", 0.68, None),
    ("pre_survey", "old_slab_distress", 0.85, None),
    ("separation_fabric", "reflective_cracking", 0.62, FABRIC_TYPES),
    ("separation_fabric", "support_loss", 0.62, FABRIC_TYPES),
    ("separation_fabric", "panel_breaks", 1.15, ("unbonded_asphalt",)),  # bond given up over asphalt
    ("prompt_sawing", "random_cracking", 0.52, None),
    ("internal_curing", "random_cracking", 0.97, None),  # DISPLACED: nearly nothing
    ("internal_curing", "panel_breaks", 0.84, None),
    ("internal_curing", "joint_deterioration", 0.90, None),
)
SELECTION = 1.3  # log-odds of a requirement per log-odds of severity of the contract's road: worse roads get more

YEAR_SLOPE = -0.20  # log-odds of early failure per decade, 0 in 2010: practice became better
DISTRICT_SD, CONTRACTOR_SD, CONTRACT_SD = 0.30, 0.35, 0.35  # log-odds of early failure
LATE_SAW_SCORE = -1.2  # mean workmanship score of the contractor who saws late; 0 for all others
LATE_SAW_FACTOR = 1.5  # and his hours from placing to the first cut over those of others
TRUCKS_EARLY = 0.22  # log-odds per doubling of trucks from 1000 a day, on the three mechanisms below
TRUCKS_MECHANISMS = ("support_loss", "panel_breaks", "faulting")
TRUCKS_WEAR_OUT = -0.08  # ln of wear-out age per doubling of trucks from 1000 a day
FROST = 0.30  # log-odds of wet districts with frost against dry ones, on the four mechanisms below
FROST_MECHANISMS = ("reflective_cracking", "support_loss", "old_slab_distress", "joint_deterioration")

THRESHOLD, STRETCH = 60.0, 0.04  # index that counts as failure; growth of rater scatter per point
START, START_SPREAD = 95.5, 1.4  # condition at opening: mean (points), sd between sections (z)
HELD = 8.0  # patching holds a failed road at about this index until it is removed
NOISE = 3.1  # rater scatter, z
KAPPA, KAPPA_EARLY = 1.8, 2.3  # exponent of age in the fall of condition: wear-out, early mechanisms
REMOVAL_LAG = 3.2  # mean years from the threshold to removal, Gamma of shape 2

OTHER_REMOVALS = 0.0026  # removals for widening and the like, per section-year: about one removal in five
RESTORED, UNRECORDED = 0.080, 0.030  # chance at a survey of 55-76 points: ground or patched, recorded or not
LABELLED, LABEL_ERROR, SECOND_NAME = 0.35, 0.25, 0.15  # causes written down, wrong, with a second name beside
STATED_INTERVALS = 8  # failures whose dates the authority states itself
LOST_SIGHT = 8  # sections handed over to towns and not watched since
VERIFIED = 0.06  # share of measures really done that an inspector confirmed in the file
MISSING = {  # share of empty cells
    "thickness_in": 0.15,
    "panel_length_ft": 0.15,
    "trucks_per_day": 0.05,
    "area_yd2": 0.04,
    "contractor": 0.06,
    "project": 0.05,
    "existing_pci": 0.50,
    "stripping_seen": 0.60,
    "old_slab_distress_seen": 0.60,
    "drained": 0.30,
    "wcm": 0.75,
    "air_content": 0.75,
    "saw_delay_h": 0.85,
    "pre_survey": 0.15,
    "separation_fabric": 0.20,
    "prompt_sawing": 0.25,
    "internal_curing": 0.05,
}

# ----------------------------------------------------------------------------------- invented names
AUTHORITY = "Skelderay County Road Authority"
DISTRICTS = {  # name: wet with frost
    "Upper Skel": 1,
    "Ravenfold": 1,
    "Hollin Moor": 1,
    "Saltreach": 0,
    "Eddermouth": 0,
    "Low Skel": 1,
    "Thornplain": 0,
}
LATE_SAW = "Gristlow Paving"
CONTRACTORS = (
    "Ambermoor Roads",
    "Brackwyn Concrete",
    "Corvane Paving",
    "Dunhallow Works",
    "Elderfirth Slipform",
    "Fennicote Roads",
    LATE_SAW,
    "Harnwick Concrete",
    "Issendale Paving",
    "Jorrowby Works",
    "Kestmere Slipform",
    "Lorrimoor Paving",
)
KINDS, NAMES = tuple(TYPES), tuple(MECHANISMS)
ROOT_OF = np.array([ROOTS.index(m[0]) if m[0] else 0 for m in MECHANISMS.values()])  # `other` has no score effect
MEDIAN, SHAPE, SCORE_EFFECT = (np.array([m[i] for m in MECHANISMS.values()], float) for i in (1, 2, 3))
USUAL_WEAR_OUT = np.array([t[2] for t in TYPES.values()])


def stream(purpose: str) -> np.random.Generator:
    """Random numbers of one purpose; no purpose disturbs another."""
    return np.random.default_rng([SEED, *purpose.encode()])


def expit(x: np.ndarray) -> np.ndarray:
    """Probability of log-odds."""
    return 1.0 / (1.0 + np.exp(-x))


def weibull_age(u: np.ndarray, median: np.ndarray, shape: np.ndarray | float) -> np.ndarray:
    """Age at the upper tail probability `u`."""
    return median * (-np.log(u) / math.log(2.0)) ** (1.0 / shape)


# ----------------------------------------------------------------------------------- log-odds that mean the truth
def true_shares() -> np.ndarray:
    """Share of early failures, (type, mechanism): the usual table with random cracking raised."""
    table = np.zeros((len(KINDS), len(NAMES)))
    for t, kind in enumerate(KINDS):
        for m, (root, *_, within) in enumerate(MECHANISMS.values()):
            part = ROOT_SHARE[kind][ROOTS.index(root)] * within[t] if root else 0.0
            table[t, m] = (1.0 - OTHER_SHARE) * part if root else OTHER_SHARE
    table[:, NAMES.index("random_cracking")] *= math.exp(RANDOM_CRACKING_LOG_SHARE)
    return table / table.sum(axis=1, keepdims=True)


def wear_out_medians() -> np.ndarray:
    """Median age of wear-out at 1000 trucks a day, (type,), years."""
    return USUAL_WEAR_OUT * WEAR_OUT_RATIO


def spread() -> np.ndarray:
    """Standard deviation of the log-odds between sections, (mechanism,)."""
    contractor = np.array([m[0] == "workmanship" for m in MECHANISMS.values()]) * CONTRACTOR_SD**2
    groups = np.array([bool(m[0]) for m in MECHANISMS.values()]) * (DISTRICT_SD**2 + CONTRACT_SD**2)
    return np.sqrt(SCORE_EFFECT**2 + contractor + groups)


def mean_susceptibility(log_odds: np.ndarray) -> np.ndarray:
    """Mean over sections, (..., mechanism): a plain sum over a fine grid of normal deviates."""
    x = np.linspace(-6.0, 6.0, 241)
    weight = np.exp(-0.5 * x**2)
    return expit(log_odds[..., None] + spread()[:, None] * x) @ (weight / weight.sum())


def bisect(wanted: np.ndarray, value_of) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Where the increasing function `value_of` reaches `wanted`, element by element."""
    low, high = np.full(wanted.shape, -20.0), np.full(wanted.shape, 20.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = value_of(middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)


def intercepts() -> np.ndarray:
    """Log-odds of susceptibility at score 0, (type, mechanism); -20 where a mechanism cannot occur.

    P(no early failure) = P(not worn out) x product over mechanisms, each with its share of the log.
    """
    odds = np.array([t[1] for t in TYPES.values()]) * EARLY_FAILURE / (1.0 - EARLY_FAILURE)
    worn = -np.expm1(-math.log(2.0) * (EARLY_AGE / wear_out_medians()) ** WEAR_OUT_SHAPE)
    survival = (1.0 / (1.0 + odds)) / (1.0 - worn)
    each = 1.0 - survival[:, None] ** true_shares()
    by_ten = -np.expm1(-math.log(2.0) * (EARLY_AGE / MEDIAN) ** SHAPE)
    return bisect(each / by_ten, mean_susceptibility)


def effect_table() -> np.ndarray:
    """Lowering of the log-odds by a measure really done, (measure, type, mechanism)."""
    base, weight = intercepts(), np.array([t[0] for t in TYPES.values()])
    delta = np.zeros((len(MEASURES), len(KINDS), len(NAMES)))
    for measure, mechanism, ratio, kinds in EFFECTS:
        m, on = NAMES.index(mechanism), np.isin(KINDS, kinds or KINDS)
        share = weight * on / (weight * on).sum()

        def remaining(shift: np.ndarray, m: int = m, share: np.ndarray = share) -> np.ndarray:
            return share @ mean_susceptibility(base + shift)[:, m]

        wanted = np.asarray(ratio * remaining(np.zeros(())))
        delta[MEASURES.index(measure), on, m] = -bisect(wanted, remaining)
    return delta


# ----------------------------------------------------------------------------------- roads
@dataclass(frozen=True)
class Roads:
    """Everything about the sections that a new life would not change; arrays run over sections."""

    kind: np.ndarray  # position in KINDS
    opened: np.ndarray  # days since 1970-01-01
    contract: np.ndarray
    district: np.ndarray
    contractor: np.ndarray
    trucks: np.ndarray
    score_mean: np.ndarray  # (section, root)
    log_odds: np.ndarray  # (section, mechanism), at score 0 and without measures
    severity: np.ndarray  # the contract's term of the log-odds
    wear_median: np.ndarray
    delta: np.ndarray  # (measure, section, mechanism)
    required: np.ndarray  # (section, measure)
    randomised: np.ndarray
    verified: np.ndarray

    def __len__(self) -> int:
        return len(self.kind)


def draw_contracts() -> list[dict[str, int]]:
    """Contracts in order of letting: year, month, type, district, contractor, sections, trial."""
    rng = stream("contracts")
    weight = np.array([t[0] for t in TYPES.values()])
    works_in = [rng.permutation(len(DISTRICTS))[:4] for _ in CONTRACTORS]
    contracts, built = [], 0
    for trial in [*range(len(TRIALS)), *[-1] * ROADS]:
        contractor = int(rng.integers(len(CONTRACTORS)))
        kind, year = int(rng.choice(len(KINDS), p=weight)), int(rng.integers(YEARS[0], YEARS[1] + 1))
        size = int(rng.integers(2, 6))
        if trial >= 0:
            kind, year, size = KINDS.index(TRIALS[trial][1]), TRIALS[trial][2], 4
        contracts.append(
            {
                "year": year,
                "month": int(rng.integers(4, 11)),
                "kind": kind,
                "district": int(rng.choice(works_in[contractor])),
                "contractor": contractor,
                "size": min(size, ROADS - built),
                "trial": trial,
            }
        )
        built += contracts[-1]["size"]
        if built == ROADS:
            break
    return sorted(contracts, key=lambda c: (c["year"], c["month"]))


def build_roads() -> Roads:
    """Draw contracts, sections, group terms and requirements."""
    contracts = draw_contracts()
    rng = stream("roads")
    of = np.repeat(np.arange(len(contracts)), [c["size"] for c in contracts])
    take = {key: np.array([c[key] for c in contracts])[of] for key in contracts[0]}
    months = (take["year"] - 1970) * 12 + take["month"] - 1
    opened = months.astype("datetime64[M]").astype("datetime64[D]").astype(int) + rng.integers(0, 28, len(of))
    typical = np.where(np.char.startswith(np.array(KINDS), "unbonded"), 800.0, 450.0)[take["kind"]]
    trucks = np.rint(
        typical * np.exp(0.55 * rng.standard_normal(len(contracts))[of] + 0.2 * rng.standard_normal(len(of)))
    )
    severity = CONTRACT_SD * rng.standard_normal(len(contracts))
    late = CONTRACTORS.index(LATE_SAW)
    score_mean = np.zeros((len(of), 3))
    score_mean[take["contractor"] == late, ROOTS.index("workmanship")] = LATE_SAW_SCORE
    roads = Roads(
        kind=take["kind"],
        opened=opened,
        contract=of,
        district=take["district"],
        contractor=take["contractor"],
        trucks=trucks,
        score_mean=score_mean,
        log_odds=np.zeros((len(of), len(NAMES))),
        severity=severity[of],
        wear_median=USUAL_WEAR_OUT[take["kind"]]
        * WEAR_OUT_RATIO
        * (trucks / 1000.0) ** (TRUCKS_WEAR_OUT / math.log(2.0)),
        delta=effect_table()[:, take["kind"]],
        required=required_measures(contracts, severity)[of],
        randomised=np.zeros((len(of), len(MEASURES)), bool),
        verified=np.zeros((len(of), len(MEASURES)), bool),
    )
    return run_trials(replace(roads, log_odds=road_log_odds(roads)), take["trial"])


def road_log_odds(roads: Roads) -> np.ndarray:
    """Log-odds of susceptibility at score 0 and without measures, (section, mechanism)."""
    has_root = np.array([bool(m[0]) for m in MECHANISMS.values()])
    terms = group_terms()
    odds = (
        intercepts()[roads.kind] + YEAR_SLOPE * ((roads.opened / 365.25 + 1970.0 - 2010.0) / 10.0)[:, None] * has_root
    )
    odds += (np.array(list(terms["district"].values()))[roads.district] + roads.severity)[:, None] * has_root
    odds[:, ROOT_OF == 2] += np.array(list(terms["contractor"].values()))[roads.contractor][:, None]
    odds += TRUCKS_EARLY * np.log2(roads.trucks / 1000.0)[:, None] * np.isin(NAMES, TRUCKS_MECHANISMS)
    frost = np.array(list(DISTRICTS.values()))[roads.district] - 0.5
    return odds + FROST * frost[:, None] * np.isin(NAMES, FROST_MECHANISMS)


def group_terms() -> dict[str, dict[str, float]]:
    """Log-odds of early failure of every district and contractor; either sums to zero."""
    rng = stream("groups")
    district = DISTRICT_SD * rng.standard_normal(len(DISTRICTS))
    contractor = CONTRACTOR_SD * rng.standard_normal(len(CONTRACTORS))
    return {
        "district": dict(zip(DISTRICTS, (district - district.mean()).tolist(), strict=True)),
        "contractor": dict(zip(CONTRACTORS, (contractor - contractor.mean()).tolist(), strict=True)),
    }


def required_measures(contracts: list[dict[str, int]], severity: np.ndarray) -> np.ndarray:
    """Which contracts require which measure: oftener on worse roads, never before the requirement existed."""
    rng = stream("requirements")
    required = np.zeros((len(contracts), len(MEASURES)), bool)
    for c, contract in enumerate(contracts):
        kind = KINDS[contract["kind"]]
        for k, measure in enumerate(MEASURES):
            odds = REQUIRED_RATE[k] / (1.0 - REQUIRED_RATE[k]) * math.exp(SELECTION * severity[c])
            if measure == "separation_fabric" and kind not in FABRIC_TYPES:
                odds = 0.08 if kind == "unbonded_asphalt" else 0.0  # a few put fabric over asphalt
            asked = rng.random() < odds / (1.0 + odds)
            required[c, k] = asked and contract["year"] >= FIRST_YEAR[k]
    return required


def run_trials(roads: Roads, trial: np.ndarray) -> Roads:
    """Assign the trial measures by lot within each trial contract; those treated are verified."""
    rng = stream("trials")
    required, randomised, verified = roads.required.copy(), roads.randomised.copy(), roads.verified.copy()
    for number, (measure, _, _) in enumerate(TRIALS):
        rows, k = np.flatnonzero(trial == number), MEASURES.index(measure)
        treated = rng.permutation(rows)[: len(rows) // 2]
        randomised[rows, k] = True
        required[rows, k] = np.isin(rows, treated)
        verified[treated, k] = True
    return replace(roads, required=required, randomised=randomised, verified=verified)


# ----------------------------------------------------------------------------------- lives
def draw_lives(roads: Roads, uniform: dict[str, np.ndarray], scores: np.ndarray, done: np.ndarray):  # type: ignore[no-untyped-def]
    """Age at failure and cause (position in NAMES, or len(NAMES) for wear-out), each (..., section)."""
    odds = roads.log_odds - SCORE_EFFECT * scores[..., ROOT_OF]
    for k in range(len(MEASURES)):
        odds -= done[..., k, None] * roads.delta[k]
    ages = np.where(uniform["susceptible"] < expit(odds), uniform["early_age"], np.inf)
    first = ages.argmin(axis=-1)
    early = np.take_along_axis(ages, first[..., None], axis=-1)[..., 0]
    return np.minimum(early, uniform["wear_age"]), np.where(early < uniform["wear_age"], first, len(NAMES))


def draw_chance(roads: Roads, rng: np.random.Generator, redraws: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Chance of `redraws` fates (the ages already on their Weibull scale) and the quality scores."""
    shape = (redraws, len(roads))
    scores = roads.score_mean + rng.standard_normal((*shape, 3))
    return {
        "susceptible": rng.random((*shape, len(NAMES))),
        "early_age": weibull_age(1.0 - rng.random((*shape, len(NAMES))), MEDIAN, SHAPE),
        "wear_age": weibull_age(1.0 - rng.random(shape), roads.wear_median, WEAR_OUT_SHAPE),
        "comply": rng.random((*shape, len(MEASURES))),
    }, scores


def really_done(roads: Roads, comply: np.ndarray, required: np.ndarray) -> np.ndarray:
    """Required and done as intended, (..., section, measure)."""
    return required & ((comply < np.array(COMPLIANCE)) | (roads.verified & roads.required))


def realised_selection(roads: Roads, known: np.ndarray) -> dict[str, float]:
    """How much worse the roads are for which a measure was chosen (log-odds), trials left out."""
    found = {}
    for k, measure in enumerate(MEASURES):
        rows = known & ~roads.randomised[:, k]
        chosen = roads.severity[rows & roads.required[:, k]].mean()
        found[measure] = round(float(chosen - roads.severity[rows & ~roads.required[:, k]].mean()), 3)
    return found


def portfolios(roads: Roads) -> dict[str, np.ndarray]:
    """Requirements under each portfolio, (section, measure)."""
    can = np.ones_like(roads.required)
    can[:, MEASURES.index("separation_fabric")] = np.isin(np.array(KINDS)[roads.kind], FABRIC_TYPES)
    found = {"no_measures": np.zeros_like(can), "current_practice": roads.required}
    for k, measure in enumerate(MEASURES):
        found[measure] = roads.required | (can & (np.arange(len(MEASURES)) == k))
    return found


def true_results(roads: Roads, known: np.ndarray) -> dict[str, object]:
    """Life of the programme under every portfolio, by brute force: `REDRAWS` fates for every road."""
    rng, block = stream("fates"), 50
    lives: dict[str, list[np.ndarray]] = {name: [] for name in portfolios(roads)}
    causes = []
    for _ in range(REDRAWS // block):
        uniform, scores = draw_chance(roads, rng, block)
        for name, required in portfolios(roads).items():
            life, cause = draw_lives(roads, uniform, scores, really_done(roads, uniform["comply"], required))
            lives[name].append(life)
            if name == "current_practice":
                causes.append(np.where(life < EARLY_AGE, cause, -1)[:, known])
    whole = {name: np.concatenate(parts) for name, parts in lives.items()}
    counts = np.array([(np.concatenate(causes) == m).sum() for m in range(len(NAMES) + 1)])
    shares = dict(zip((*NAMES, WEAR_OUT), np.round(counts / counts.sum(), 4).tolist(), strict=True))
    return {
        "register": {
            name: life_figures(life[:, known], whole["current_practice"][:, known]) for name, life in whole.items()
        },
        "ever_built": {name: life_figures(life, whole["current_practice"]) for name, life in whole.items()},
        "cause_shares_current_practice": shares,
    }


def life_figures(life: np.ndarray, current: np.ndarray) -> dict[str, float]:
    """The reported quantities of a programme, years and probabilities."""
    mean = float(np.minimum(life, HORIZON).mean())
    return {
        "early_failure_probability": round(float((life < EARLY_AGE).mean()), 4),
        "b05_age": round(float(np.quantile(life, 0.05)), 2),
        "b10_age": round(float(np.quantile(life, 0.10)), 2),
        "b20_age": round(float(np.quantile(life, 0.20)), 2),
        "median_age": round(float(np.quantile(life, 0.50)), 2),
        "restricted_mean_age": round(mean, 3),
        "life_gain": round(mean - float(np.minimum(current, HORIZON).mean()), 3),
        "survival_25": round(float((life > 25.0).mean()), 4),
        "survival_45": round(float((life > 45.0).mean()), 4),
    }
