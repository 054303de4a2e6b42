"""Questions asked directly, without a study: when to saw, how many cores, how much curing water.

Each question is a frozen dataclass in SI units, each answer another; nothing is printed. Inputs
are ranges that nine in ten lie in (`Amount`). An input given as one value gets the usual spread of
its kind (judgement, no measurement behind it), so that the answer never looks surer than it is.
The answers inform a specification; local standards and a licensed engineer decide.
"""

from __future__ import annotations

from .cores import CoresAnswer, CoresQuestion, answer_cores, share_left_open
from .curing import CuringAnswer, CuringQuestion, answer_curing
from .sawing import BASES, LEVEL_SHIFT, SAWS, SawingAnswer, SawingQuestion, answer_sawing

__all__ = [
    "BASES",
    "LEVEL_SHIFT",
    "SAWS",
    "CoresAnswer",
    "CoresQuestion",
    "CuringAnswer",
    "CuringQuestion",
    "SawingAnswer",
    "SawingQuestion",
    "answer_cores",
    "answer_curing",
    "answer_sawing",
    "share_left_open",
]
