"""Compiling what a run needs in two processes at once, where it is not on disk: else each would compile all of it."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numba import types

from .crew import Tell
from .density import LogDensity, point_of
from .kernel import section_sums
from .kernelcall import COLUMNS
from .lifesettings import LifeSettings
from .measures import CURRENT_PRACTICE, Portfolio
from .priordraws import prior_draws
from .priors import PriorSet
from .programme import programme_from_records
from .raters import RATER
from .records import Records
from .simulate import simulate

__all__ = ["Ahead"]

SUMS, REST = "sum over cells", "all the rest"


@dataclass(frozen=True)
class Ahead:
    """Work for two processes: the sum over cells, which takes longest, and beside it terms of the density and lives.

    Each part is called as a run will call it, with one section and two draws, and kept on disk.

    Parameters
    ----------
    records : Records
    priors : PriorSet
    settings : LifeSettings or None
    """

    records: Records
    priors: PriorSet
    settings: LifeSettings | None

    items: ClassVar[tuple[str, ...]] = (SUMS, REST)

    def __call__(self, item: str, tell: Tell) -> None:
        """Compile one of the `items`; what there is to warn of is said by those whose work it is."""
        if item == SUMS:
            sums: Any = section_sums(COLUMNS)
            sums.compile((types.int64, types.int64))
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            self._lives()
            self._terms()

    def _terms(self) -> None:
        density = LogDensity.of(self.records, self.priors, settings=self.settings)
        point = point_of(density, density.layout.centre)
        if point.early is not None:
            point.early.back(np.zeros(len(point.q)), *(np.zeros(np.shape(table)) for table in point.early.tables))

    def _lives(self) -> None:
        programme = programme_from_records(self.records.sections, self.priors).isel(section=slice(0, 1))
        drawn = prior_draws(self.priors, draws=2, raters=RATER in self.records.readings)
        simulate(drawn, programme, self.priors, portfolios=[Portfolio(CURRENT_PRACTICE, reference=True)], seed=0)
