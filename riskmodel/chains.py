"""The sampler's chains, and every section's likelihood at given draws, as pieces of work for a crew.

A chain has a seed of its own and runs alone, so that it is the same wherever it runs and whatever runs beside it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from operator import attrgetter
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from .ahead import Ahead
from .crew import Once, Tell
from .density import LogDensity
from .frame import Density, Frame, Nested, climb, opposite
from .groupcoordinates import GroupCoordinates, GroupTerms, terms_of
from .parameters import coords_of
from .ratecoordinates import RateCoordinates
from .ratercoordinates import RaterCoordinates
from .sampler import DivergedError, Walk, one_by_one, walk
from .scorecoordinates import ScoreCoordinates
from .sharedcoordinates import Quadratic, SharedCoordinates, Spreads, few_terms
from .spreadcoordinates import SpreadCoordinates
from .streams import integer_seed

if TYPE_CHECKING:
    from .calibrate import Sampling
    from .lifesettings import LifeSettings
    from .priors import PriorSet
    from .records import Records

__all__ = [
    "Chain",
    "Chains",
    "LikelihoodAt",
    "Ready",
    "acceptances",
    "earlier_points",
    "sampler_coordinates",
]

POLL_SECONDS = 0.5
LONG, MANY = 300_000, 2_000  # draws times sections; sections, from which on records rule over priors
REACH = 1.0
"""How far from the middle the last frame is measured: as far as draws lie."""
DEEPEST = 3
"""Doublings of a path: at steps of 0.4 seven are about half a turn, and what lies beyond comes back."""
LONGEST_STEP = 0.5 * np.pi
"""A quarter turn. Half a turn leads to the opposite point, which is accepted just as readily and is nowhere new."""


@dataclass(frozen=True)
class Chain:
    """What one chain gives.

    Parameters
    ----------
    posterior, stats : Dataset (chain, draw, ...)
        Of one chain; `stats` tells the acceptance it was run at (chain,), and `log_prior` (chain, draw).
    likelihood : Dataset (chain, draw, section)
        Log-likelihood of every section's records at these draws.
    preparing, sampling : float
        Seconds.
    """

    posterior: xr.Dataset
    stats: xr.Dataset
    likelihood: xr.Dataset
    preparing: float
    sampling: float


class Chains:
    """The chains of a calibration, to be run one by one.

    Parameters
    ----------
    records : Records
    priors : PriorSet
    settings : LifeSettings or None
    sampling : Sampling
    start : Dataset (chain, draw, ...) or None
        Draws of an earlier fit; each chain starts at one of them.
    """

    def __init__(
        self,
        records: Records,
        priors: PriorSet,
        settings: LifeSettings | None,
        sampling: Sampling,
        start: xr.Dataset | None,
    ):
        self.sampling, self.make = sampling, partial(Ready, records, priors, settings, start)
        self.ahead = Ahead(records, priors, settings)
        self.sections = records.sections.sizes["section"]
        self.ready = Once(self.make)

    def prepare(self) -> None:
        """Make ready what the chains share."""
        self.ready()

    def long(self, numbers: Sequence[int], running: bool) -> bool:
        """Whether processes are worth it: each makes ready for itself, and of many sections nearly all is compiled."""
        draws = len(numbers) * (self.sampling.draws + self.sampling.tune)
        return self.sections <= MANY and (running or draws * self.sections >= LONG)

    def __call__(self, number: int, tell: Tell) -> Chain:
        """Run a chain, and once more if a draw diverged; its draws are its steps."""
        ready, steps = self.ready(), self.sampling.draws + self.sampling.tune
        begun = time.perf_counter()
        for again, accept in enumerate(acceptances(self.sampling.target_accept)):
            try:
                z, stats = self._sampled(ready, number, again, accept, tell)
            except DivergedError:
                continue
            if not stats["diverging"].any():
                break
        sampling = time.perf_counter() - begun
        posterior, stats = ready.finished(number, z, stats.assign(target_accept=("chain", [accept])))
        likelihood = ready.density.log_likelihood(posterior, lambda done: tell(steps))
        return Chain(posterior, stats, likelihood, ready.seconds, sampling)

    def _sampled(
        self, ready: Ready, number: int, again: int, accept: float, tell: Tell
    ) -> tuple[np.ndarray, xr.Dataset]:
        """Draws in the coordinates (1, draw, element) and their statistics; the first time a divergence ends it."""
        if self.sections <= MANY:
            tree = self._by_library(ready, number, again, accept, tell)
            stats = tree["sample_stats"].to_dataset().drop_vars("divergence_message", errors="ignore")
            return tree["posterior"].to_dataset()["z"].values, stats
        found = self.walked(one_by_one(ready.evaluate), ready, [number], again, accept, tell, whole=bool(again))
        return found.draws, found.statistics(0)

    def walked(
        self,
        density: Density,
        ready: Ready,
        numbers: Sequence[int],
        again: int,
        accept: float,
        tell: Tell,
        *,
        whole: bool,
    ) -> Walk:
        """Chains in step, by `sampler.walk`.

        Parameters
        ----------
        density : callable
            In the coordinates, at points (chain, element).
        ready : Ready
        numbers : sequence of int
            The chains.
        again : int
            How often they have been run.
        accept : float
        tell : callable
        whole : bool
            See `sampler.walk`.
        """
        sampling, more = self.sampling, ["again"] if again else []
        seeds = [integer_seed(sampling.seed, "sampler", f"chain {number}", *more) for number in numbers]
        return walk(
            density,
            np.stack([ready.begin(seed) for seed in seeds]),
            draws=sampling.draws,
            tune=sampling.tune,
            accept=accept,
            seeds=seeds,
            tell=tell,
            whole=whole,
        )

    def _by_library(self, ready: Ready, number: int, again: int, accept: float, tell: Tell) -> xr.DataTree:
        """Run nutpie in the background, so that an interrupt stops it at once, and the first time a divergence too.

        Its paths follow the standard normal exactly, and step through what the density is beyond that: as many nearly
        normal elements as a network has contracts do not shorten the steps.
        """
        import nutpie

        sampling, done, diverged = self.sampling, [0], [False]
        place = ("sampler", f"chain {number}", *(["again"] if again else []))

        def report(chains: list[Any]) -> None:
            done[0] = sum(chain.finished_draws for chain in chains)
            diverged[0] = any(draw >= sampling.tune for chain in chains for draw in chain.divergent_draws)

        handle = nutpie.sample(
            ready.compiled(),
            draws=sampling.draws,
            tune=sampling.tune,
            chains=1,
            cores=1,
            seed=integer_seed(sampling.seed, *place),
            target_accept=accept,
            exact_normal_trajectory=True,
            max_step_size=LONGEST_STEP,
            maxdepth=DEEPEST,
            save_warmup=False,
            progress_bar=False,
            progress_callback=report,
            blocking=False,
        )
        try:
            while True:
                try:
                    return handle.wait(timeout=POLL_SECONDS)
                except TimeoutError:
                    tell(done[0])
                    if diverged[0] and not again:
                        raise DivergedError from None
        except BaseException:
            handle.cancel()
            raise


def acceptances(first: float) -> tuple[float, float]:
    """What a chain is run at, and is run again at if a draw diverged: half as far from one."""
    return first, 0.5 * (1.0 + first)


class Ready:
    """What the chains of one process share.

    Parameters
    ----------
    records, priors, settings, start
        See `Chains`.
    by : callable (density)
        Who evaluates the density.

    Attributes
    ----------
    density : LogDensity
    plain : callable
        The density at reals of the layout.
    coordinates : Nested
        In which the posterior is about standard normal.
    earlier : ndarray (sample, element) or None
        Draws of an earlier fit in them.
    seconds : float
    """

    def __init__(
        self,
        records: Records,
        priors: PriorSet,
        settings: LifeSettings | None,
        start: xr.Dataset | None,
        by: Callable[[LogDensity], Density] = attrgetter("value_and_gradient"),
    ):
        begun = time.perf_counter()
        self.density = LogDensity.of(records, priors, settings=settings)
        self.plain = by(self.density)
        earlier = None if start is None else earlier_points(self.density, start)
        middle = None if earlier is None else earlier.mean(axis=0)
        self.coordinates = sampler_coordinates(self.density, middle, self.plain)
        self.earlier = None if earlier is None else self.coordinates.undo(earlier)
        self.seconds = time.perf_counter() - begun

    def compiled(self) -> Any:
        """The density as a model of nutpie, with nothing compiled for it."""
        from nutpie.compiled_pyfunc import from_pyfunc

        size = self.density.layout.size
        evaluate = self.evaluate
        return from_pyfunc(
            size,
            lambda: evaluate,
            lambda seed, other_seed, chain: lambda z: {"z": z},
            [np.dtype("float64")],
            [(size,)],
            ["z"],
            make_initial_point_fn=self.begin,
        )

    @property
    def evaluate(self) -> Density:
        """The density in the coordinates."""
        return self.coordinates.density(self.plain)

    def place(self, z: np.ndarray) -> np.ndarray:
        """The reals of the layout (..., element) at z (..., element)."""
        return self.coordinates.place(z)

    def finished(self, number: int, z: np.ndarray, stats: xr.Dataset) -> tuple[xr.Dataset, xr.Dataset]:
        """Posterior and statistics of a chain from its draws in the coordinates (1, draw, element)."""
        posterior = self.density.dataset(self.place(z)).assign_coords(chain=[number])
        log_prior = self.density.log_prior(posterior)
        return posterior, stats.assign_coords(chain=[number]).assign(log_prior=log_prior)

    def begin(self, seed: Any) -> np.ndarray:
        """Where a chain begins in the coordinates: at an earlier draw, or one unit from the mode in every direction.

        That far lie the draws of a standard normal; and the library takes its first scale of each element from the
        gradient there, which is then about one. (From points anywhere within two units the first thirty steps took
        half of all gradients of the warm-up.) Of many sections only terms of large groups stand off: with everything
        else off too, chains of 100,000 sections began where the density is curved most, and drifted eleven units away.
        """
        rng = np.random.default_rng(seed)
        if self.earlier is not None:
            return self.earlier[rng.integers(len(self.earlier))]
        begun = rng.choice([-1.0, 1.0], self.density.layout.size)
        for part in self.coordinates.parts:
            if isinstance(part, ScoreCoordinates):
                begun[part.among] = 0.0
        return begun


def sampler_coordinates(density: LogDensity, start: np.ndarray | None, plain: Density | None = None) -> Nested:
    """Coordinates in which the posterior is about standard normal; `plain` evaluates the density.

    Those of raters, groups and spreads, the frame at the mode in them, and those of what the groups share. Of many
    sections also those of mechanisms, another frame, and those of what is skewed. (Of few the priors say more of shares
    and score effects than the records do, and they are normal in these themselves.) Modes and curvatures are then those
    of the density averaged over two opposite points, at which terms of large groups are as large as in draws: with all
    of 6,667 terms at their modes, the mode of their spread lay four standard deviations from its draws.

    In the first frame terms of groups, spreads of small groups, and what belongs to raters with few readings keep their
    own directions. The search begins with the spreads between groups held, since with the terms standardised the mode
    of all is far from where the posterior's mass lies: a spread of 9 between 1,200 contracts, posterior mean 0.1.

    Spreads of large groups stand as normal scores of their density with the terms integrated out. They are looked at
    twice: beside the first frame's mode, which then moves to where their median is, and in the last frame, which turns
    them.
    """
    layout, plain = density.layout, plain or density.value_and_gradient
    raters = RaterCoordinates.of(density)
    at = layout.centre if start is None else start
    if len(raters.raw):
        # with offsets themselves as coordinates the density has a spike where all are nought, and so is their spread
        at = raters.undo(climb(plain, at)[0])
    terms, many = terms_of(layout, [group.column for group in density.priors.groups]), len(density.sections) > MANY
    nested = Nested((raters,))
    if terms:
        at, _ = climb(nested.density(plain), at, np.array([one.spread for one in terms]))
    groups: list[GroupCoordinates] = []
    for number in range(len(terms)):
        groups.append(GroupCoordinates.measured(layout, nested.density(plain), at, terms, number, many))
        nested, at = Nested((*nested.parts, groups[-1])), groups[-1].undo(at)
    few = few_terms(terms)
    if many:
        rates = RateCoordinates.of(density, [one.spread for one in few])
        nested, at = Nested((*nested.parts, rates)), rates.undo(at)
    scores = SpreadCoordinates.of(layout)
    nested, at = Nested((*nested.parts, scores)), scores.undo(at)
    large, away = terms[: len(terms) - len(few)] if many else [], np.zeros(layout.size)
    if large:
        some = np.concatenate([one.raw for one in large])
        away[some] = np.random.default_rng(len(some)).choice([-1.0, 1.0], len(some))

    def typical(but: GroupTerms | None = None) -> Density:
        return opposite(nested.density(plain), away if but is None else np.where(np.isin(every, but.raw), 0.0, away))

    def of_large_spreads() -> list[ScoreCoordinates]:
        return [ScoreCoordinates.of_spread(typical(one), layout.size, one.spread, one.raw) for one in large]

    every, wide = np.arange(layout.size), [one.spread for one in large]
    names = (f"{group.column}_raw" for group in density.priors.groups)
    kept = [every[layout.spans[name]] for name in names if name in layout.spans]
    own, apart = [np.array([one.spread]) for one in few], [np.array([i]) for i in raters.apart]
    frame = Frame.at_mode(typical(), at, [*kept, *own, *apart, *(np.array([i]) for i in wide)])
    nested = Nested((*nested.parts, frame))
    nested = Nested((*nested.parts, *of_large_spreads()))
    if few:
        spreads = Spreads(layout, scores, frame, few)
        shared = SharedCoordinates.of(spreads, Quadratic.measured(typical(), nested.place, spreads))
        nested = Nested((*nested.parts, shared))
    if few and not many:
        nested = Nested((*nested.parts, Frame.moved(typical(), np.zeros(layout.size), own)))
    if many:
        kept = [one.raw for one in large]
        frame = Frame.at_mode(typical(), np.zeros(layout.size), [*kept, *apart], REACH, held=wide)
        nested = Nested((*nested.parts, frame))
        nested = Nested((*nested.parts, *of_large_spreads()))
        turned = np.setdiff1d(frame.turned, wide)
        nested = Nested((*nested.parts, ScoreCoordinates.measured(typical(), layout.size, turned)))
    return nested


def earlier_points(density: LogDensity, draws: xr.Dataset) -> np.ndarray:
    """Draws of an earlier fit as reals (sample, element).

    New levels of a group are drawn from their prior; a variable that the fit did not have stands at the middle
    of its own.
    """
    rng = np.random.default_rng(integer_seed(draws.sizes["draw"], "starting points"))
    coords, count = coords_of(density.priors, density.levels), draws.sizes["chain"] * draws.sizes["draw"]
    held: dict[str, np.ndarray] = {}
    for variable in density.layout.variables:
        if variable.name not in draws:
            continue
        earlier = draws[variable.name].transpose("chain", "draw", ...)
        for dim in earlier.dims[2:]:
            if str(dim) in coords and dim in earlier.coords:
                earlier = earlier.reindex({dim: coords[str(dim)]})
        values = np.where(np.isnan(earlier.values), rng.standard_normal(earlier.shape), earlier.values)
        if values.shape[2:] == ((len(variable.laws),) if variable.dim else ()):
            held[variable.name] = values.reshape(count, *values.shape[2:])
    return np.broadcast_to(density.layout.real(held), (count, density.layout.size))


class LikelihoodAt:
    """Log-likelihood of every section's records at some draws.

    Parameters
    ----------
    *arguments, **settings
        Of `LogDensity.of`.
    """

    def __init__(self, *arguments: Any, **settings: Any):
        self.ready = Once(partial(LogDensity.of, *arguments, **settings))

    def __call__(self, draws: xr.Dataset, tell: Tell) -> xr.Dataset:
        """Log-likelihood, Dataset (chain, draw, section)."""
        return self.ready().log_likelihood(draws, tell)
