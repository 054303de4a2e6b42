"""What a question may be told: one entry an amount, with its unit, limits, words and the units of the answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .amounts import Amount, Rule, amount
from .errors import Faults

__all__ = ["CORES", "CURING", "DAY", "DELETION", "MIXTURE", "SAWING", "Asked", "read_amounts"]


@dataclass(frozen=True)
class Asked:
    """An amount that a question asks for.

    Parameters
    ----------
    option : str
        Name on the command line.
    field : str
        Of the question.
    rule : Rule
    help : str
    shown : tuple of str
        Units of the answer, the first before the others.
    required : bool
    """

    option: str
    field: str
    rule: Rule
    help: str
    shown: tuple[str, ...] = ("",)
    required: bool = False

    @property
    def flag(self) -> str:
        """As typed."""
        return f"--{self.option}"


CEMENT = Asked("cement", "cementitious", Rule("content", 200, 600, "335kg/m3 or 565lb/yd3"),
               "Cementitious content, kg/m3 or lb/yd3.", ("kg/m3", "lb/yd3"), True)  # fmt: skip
W_CM = Asked("w-cm", "w_cm", Rule("number", 0.25, 0.70, "0.42"), "Water to cementitious material by mass.", ("",), True)
STRENGTH = Asked("strength", "strength_28", Rule("strength", 15, 90, "35MPa or 5000psi"),
                 "Compressive strength at 28 days, MPa or psi.", ("MPa", "psi"))  # fmt: skip
SPREAD = Asked("spread", "spread", Rule("number", 0, 3, "1", ranged=False),
               "Multiplies the usual spread of inputs given as one value [1].")  # fmt: skip
SAMPLES = Asked("samples", "samples", Rule("number", 100, 20_000, "2000", whole=True, ranged=False),
                "Samples of the inputs [2000].")  # fmt: skip
SEED = Asked("seed", "seed", Rule("number", 0, 2**31, "1", whole=True, ranged=False), "Seed of the samples [1].")

DAY = (
    Asked("air", "air", Rule("temperature", -25, 45, "25C or 77F"), "Mean air temperature of the day, C or F.",
          ("C", "F")),
    Asked("swing", "swing", Rule("difference", 0, 20, "8C or 14F"),
          "Half the difference between the day's highest and lowest temperature, C or F.", ("C", "F")),
    Asked("wind", "wind_speed", Rule("speed", 0, 25, "3m/s, 11km/h or 7mph"),
          "Wind about 0.5 m above the slab, m/s, km/h or mph.", ("m/s", "mph")),
    Asked("humidity", "humidity", Rule("share", 0, 1, "50%"), "Relative humidity, %.", ("%",)),
    Asked("sun", "noon_sun", Rule("sunshine", 0, 1200, "600W/m2"),
          "Sunshine at noon, W/m2: about 800 on a bright summer day, 200 under cloud.", ("W/m2",)),
)  # fmt: skip
SAWING = (
    CEMENT,
    W_CM,
    Asked("thickness", "thickness", Rule("length", 0.05, 0.6, "200mm or 8in"), "Slab or overlay thickness, mm or in.",
          ("mm", "in"), True),
    Asked("mix-temperature", "mix_temperature", Rule("temperature", 2, 45, "28C or 82F"),
          "Concrete as placed, C or F.", ("C", "F"), True),
    *DAY,
    Asked("friction", "friction", Rule("number", 0.1, 10, "1.5"), "Friction of the slab on its base, if known."),
    STRENGTH,
    Asked("saw-strength", "saw_strength", Rule("strength", 0.3, 15, "3MPa or 435psi"),
          "Strength at which the joint no longer ravels, in place of that of --saw.", ("MPa", "psi")),
    Asked("accept", "accepted", Rule("share", 0.001, 0.5, "5%", ranged=False),
          "Chance of a random crack still accepted [5%].", ("%",)),
    Asked("level-shift", "level_shift", Rule("number", -5, 5, "-2..0"),
          "Shift of the chance of a crack on the log-odds, drawn evenly; fit it to your records [-2..0]."),
    SPREAD,
    SAMPLES,
    SEED,
)  # fmt: skip
CORES = (
    Asked("share", "share", Rule("share", 0.001, 1, "10%", ranged=False),
          "Share of the road that is unsound where there is trouble.", ("%",), True),
    Asked("chance", "chance", Rule("share", 0.01, 0.9999, "90%", ranged=False), "Wanted chance to find it [90%].",
          ("%",)),
    Asked("sensitivity", "sensitivity", Rule("share", 0.01, 1, "85%", ranged=False),
          "Chance that a core at an unsound spot shows it [85%].", ("%",)),
    Asked("specificity", "specificity", Rule("share", 0.5, 1, "97%", ranged=False),
          "Chance that a core at a sound spot is reported sound [97%].", ("%",)),
    Asked("clustering", "clustering", Rule("number", 0, 0.99, "0.1", ranged=False),
          "Correlation of neighbouring spots: 0 scattered, 0.3 long stretches [0.1]."),
    Asked("belief", "belief", Rule("share", 0, 0.999, "40%", ranged=False),
          "Chance, before coring, that the road hides trouble [40%].", ("%",)),
    Asked("cores", "cores", Rule("number", 1, 10_000, "12", whole=True, ranged=False), "A plan to judge."),
    Asked("joints", "joints", Rule("number", 1, 1_000_000, "200", whole=True, ranged=False),
          "Joints on the job, for opening some of a finite number."),
    Asked("length", "length", Rule("distance", 0.01, 10_000, "5mi or 8km", ranged=False),
          "Lane length of the job, to give cores a mile and a kilometre.", ("km", "mi")),
)  # fmt: skip
CURING = (
    Asked("cement", "cementitious", Rule("content", 100, 800, "335kg/m3 or 565lb/yd3"), CEMENT.help,
          CEMENT.shown, True),
    Asked("w-cm", "w_cm", Rule("number", 0.2, 0.8, "0.40"), W_CM.help, ("",), True),
    Asked("absorption", "absorption", Rule("share", 0.02, 0.6, "18%"),
          "Absorption of the lightweight aggregate by dry mass, %.", ("%",), True),
    Asked("desorption", "desorption", Rule("share", 0.3, 1, "90%"), "Share of it given back [90%].", ("%",)),
    Asked("saturation", "saturation", Rule("share", 0.1, 1, "90..100%"),
          "Share of the absorption reached in the stockpile, drawn evenly [90..100%].", ("%",)),
    Asked("chemical-shrinkage", "chemical_shrinkage", Rule("share", 0.03, 0.2, "7%"),
          "Curing water by mass of cementitious material; 7% is 7 lb per 100 lb [7%].", ("%",)),
    Asked("aggregate", "aggregate", Rule("content", 1, 1000, "154kg/m3 or 259lb/yd3", ranged=False),
          "Dry lightweight aggregate that is planned, to be judged.", ("kg/m3", "lb/yd3")),
    STRENGTH,
    Asked("bulk-density", "bulk_density", Rule("density", 200, 1500, "880kg/m3 or 55lb/ft3", ranged=False),
          "Dry loose bulk density, for the volume.", ("kg/m3", "lb/ft3")),
    SPREAD,
    SAMPLES,
    SEED,
)  # fmt: skip
DELETION = (
    Asked("below", "below", Rule("number", -1e6, 1e6, "60", ranged=False),
          "Delete sections with a reading below this index [the threshold]."),
    Asked("at-age", "at_age", Rule("number", 0.1, 200, "10", ranged=False),
          "With --below: read by this age, years [any age]."),
    Asked("failed-by", "failed_by", Rule("number", 0.1, 200, "10", ranged=False),
          "Delete sections known to have failed by this age, years, in place of --below."),
)  # fmt: skip
MIXTURE = (
    Asked("share-early", "share_early", Rule("share", 0, 0.9, "10%", ranged=False), "Share that fails early, %.",
          ("%",), True),
    Asked("early-age", "early_age", Rule("number", 0.5, 100, "10", ranged=False),
          "Age at which half of those have failed, years.", ("years",), True),
    Asked("life", "life", Rule("number", 2, 200, "45", ranged=False),
          "Age at which half of the others are worn out, years.", ("years",), True),
    Asked("early-shape", "early_shape", Rule("number", 1, 30, "5", ranged=False),
          "Weibull shape of early failure: larger is closer together [5]."),
    Asked("shape", "shape", Rule("number", 1, 30, "8", ranged=False), "Weibull shape of wear-out [8]."),
    Asked("threshold", "threshold", Rule("number", 1, 99, "60", ranged=False), "Index that counts as failure [60]."),
    Asked("start", "start", Rule("number", 2, 100, "97", ranged=False), "Index as built [97]."),
    Asked("power", "power", Rule("number", 0.3, 5, "1.3", ranged=False),
          "How the path bends: 1 straight, more late and steep [1.3]."),
    Asked("scatter", "scatter", Rule("number", 0, 30, "4", ranged=False), "Scatter of a reading, index points [4]."),
    Asked("every", "every", Rule("number", 0.25, 20, "2", ranged=False), "Years between surveys [2].", ("years",)),
    Asked("surveyed-to", "surveyed_to", Rule("number", 1, 100, "24", ranged=False), "Age at the last survey [24].",
          ("years",)),
    Asked("removal-lag", "removal_lag", Rule("number", 0, 50, "8", ranged=False),
          "Years from failure to removal, mean [8].", ("years",)),
    Asked("sections", "sections", Rule("number", 20, 20_000, "2000", whole=True, ranged=False),
          "Sections simulated [2000]."),
    Asked("seed", "seed", Rule("number", 0, 2**31, "1", whole=True, ranged=False), "Seed of the simulation [1]."),
)  # fmt: skip


def read_amounts(asked: Sequence[Asked], texts: Mapping[str, Any], faults: Faults) -> dict[str, Amount]:
    """Amounts that were given, faults noted."""
    found = {}
    for each in asked:
        text = texts.get(each.field)
        if text is not None:
            value = amount(each.flag, text, each.rule, faults)
            if value is not None:
                found[each.field] = value
        elif each.required:
            faults.add(f"{each.flag} is needed", remedy=f"Add {each.flag} {each.rule.example}")
    return found
