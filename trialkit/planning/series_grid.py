"""Athletes x pairs under a cost: closed forms and simulation side by side, and what to choose."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy import special

from trialkit.errors import Problem, RequestError
from trialkit.planning.chunks import chunk_sizes, stream
from trialkit.planning.grids import SimulationSettings
from trialkit.planning.quantiles import Floats
from trialkit.planning.recommendation import as_asked, percent
from trialkit.planning.runners import Clock, Watch
from trialkit.planning.series import SeriesPrecision, SeriesTruth, series_precision


@dataclass(frozen=True, slots=True)
class SeriesGrid:
    """Numbers of athletes and of pairs each to try."""

    athletes: tuple[int, ...] = (6, 8, 10, 12, 16, 20)
    pairs: tuple[int, ...] = (2, 3, 4, 6, 8)


@dataclass(frozen=True, slots=True)
class SeriesCosts:
    """What a series costs, in any one currency or in hours: per athlete and per period."""

    per_athlete: float = 0.0
    per_period: float = 1.0

    def of(self, athletes: int, pairs: int) -> float:
        """Cost of a series of complete pairs."""
        return athletes * (self.per_athlete + 2 * pairs * self.per_period)


@dataclass(frozen=True, slots=True)
class SeriesAims:
    """What the series is for.

    ``power`` is the wanted chance to show the mean effect; ``se_individual`` the wanted error of
    one athlete's shrunken effect (None: not an aim); ``budget`` the most it may cost.
    """

    power: float = 0.8
    se_individual: float | None = None
    budget: float | None = None


@dataclass(frozen=True, slots=True)
class SimulatedSeries:
    """The same chances by simulation; ``mc_error`` is their largest Monte-Carlo standard error.

    ``se_shrunken`` is the root mean square error of the athletes' shrunken effects, with the
    series' own estimates of mean and variances in place of the true ones: larger than the closed
    form, which takes them as known.
    """

    power_mean: float
    power_these: float
    power_difference: float
    se_individual: float
    se_shrunken: float
    mc_error: float


@dataclass(frozen=True, slots=True)
class SeriesOption:
    """One number of athletes and pairs with its cost, in closed form and simulated."""

    cost: float
    closed: SeriesPrecision
    simulated: SimulatedSeries


@dataclass(frozen=True, slots=True)
class SeriesPlan:
    """All options; ``for_mean`` and ``for_individuals`` are the cheapest that reach the aims."""

    options: tuple[SeriesOption, ...]
    for_mean: SeriesOption | None
    for_individuals: SeriesOption | None
    reason: str
    replicates: int
    seed: int
    interrupted: bool = False


def plan_series(
    truth: SeriesTruth,
    *,
    grid: SeriesGrid | None = None,
    costs: SeriesCosts | None = None,
    aims: SeriesAims | None = None,
    settings: SimulationSettings | None = None,
    progress: Watch | None = None,
) -> SeriesPlan:
    """Weigh more athletes against more pairs of each.

    Parameters
    ----------
    truth
        Mean effect, SD of individual effects and noise, in one unit.
    grid
        Numbers of athletes and pairs to try.
    costs, aims
        What it costs and what it is for.
    settings
        Replicates and seed of the simulation.
    progress
        Called after each option; an interrupt keeps the options that are done.

    Raises
    ------
    RequestError
        When no option is within the budget, or a number is too small.
    """
    grid, settings = grid or SeriesGrid(), settings or _SETTINGS
    costs, aims = costs or SeriesCosts(), aims or SeriesAims()
    sizes = [
        (n, k)
        for n in grid.athletes
        for k in grid.pairs
        if aims.budget is None or costs.of(n, k) <= aims.budget
    ]
    if not sizes:
        raise RequestError(
            _over_budget(aims.budget or 0.0, costs, min(grid.athletes), min(grid.pairs))
        )
    options, interrupted = _options(sizes, truth, costs, settings, progress)
    by_mean = [o for o in options if o.closed.power_mean >= aims.power]
    goal = aims.se_individual
    by_own = [o for o in options if goal is not None and o.closed.se_shrunken <= goal]
    for_mean = min(by_mean, key=lambda o: o.cost, default=None)
    return SeriesPlan(
        options=options,
        for_mean=for_mean,
        for_individuals=min(by_own, key=lambda o: o.cost, default=None),
        reason=_reason(for_mean, aims, options),
        replicates=settings.replicates,
        seed=settings.seed,
        interrupted=interrupted,
    )


def _options(
    sizes: list[tuple[int, int]],
    truth: SeriesTruth,
    costs: SeriesCosts,
    settings: SimulationSettings,
    progress: Watch | None,
) -> tuple[tuple[SeriesOption, ...], bool]:
    """All options in closed form and simulated, and whether an interrupt cut them short."""
    options: list[SeriesOption] = []
    clock = Clock(settings.replicates * len(sizes), progress)
    try:
        for n, k in sizes:
            closed = series_precision(n, k, truth)
            simulated = simulate_series(n, k, truth, settings=settings)
            options.append(SeriesOption(costs.of(n, k), closed, simulated))
            clock.tick(settings.replicates)
    except KeyboardInterrupt:
        return tuple(options), True
    return tuple(options), False


_SETTINGS = SimulationSettings(replicates=10_000)


def simulate_series(
    athletes: int,
    pairs: int,
    truth: SeriesTruth,
    *,
    settings: SimulationSettings = _SETTINGS,
    level: float = 0.95,
) -> SimulatedSeries:
    """Simulate series and analyse them: t on the athletes' means, pooled noise, F for differing."""
    found = np.zeros(3)
    squares = np.zeros(2)
    for chunk, size in enumerate(chunk_sizes(settings.replicates)):
        rng = stream(settings.seed, athletes * 1000 + pairs, chunk)
        found_here, squares_here = _one_chunk((athletes, pairs, size), truth, level, rng)
        found += found_here
        squares += squares_here
    n = settings.replicates
    chances = found / n
    errors = np.sqrt(squares / (n * athletes))
    return SimulatedSeries(
        power_mean=float(chances[0]),
        power_these=float(chances[1]),
        power_difference=float(chances[2]),
        se_individual=float(errors[0]),
        se_shrunken=float(errors[1]),
        mc_error=float(np.sqrt(chances * (1 - chances) / n).max()),
    )


def _one_chunk(
    shape: tuple[int, int, int], truth: SeriesTruth, level: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Rejections (mean, these, difference) and summed squared errors (own, shrunken)."""
    athletes, pairs, _ = shape
    own = truth.effect + truth.individual_sd * rng.standard_normal((athletes, 1, shape[2]))
    d = own + sqrt(2) * truth.noise * rng.standard_normal(shape)
    # axes: (athlete, trial) from here on
    means = d.mean(axis=1)
    centre = means.mean(axis=0)
    between = means.var(axis=0, ddof=1)
    inner_df = athletes * (pairs - 1)
    squared_own = ((means - own[:, 0]) ** 2).sum()
    t_mean = np.abs(centre) / np.sqrt(between / athletes)
    by_mean = np.count_nonzero(t_mean > special.stdtrit(athletes - 1, (1 + level) / 2))
    if inner_df == 0:
        return np.array([by_mean, 0.0, 0.0]), np.array([squared_own, np.nan])
    within = ((d - means[:, None]) ** 2).sum(axis=(0, 1)) / inner_df / pairs
    # Of just these athletes: their own mean effect is then the planned one in every trial.
    of_these = centre - own[:, 0].mean(axis=0) + truth.effect
    t_these = np.abs(of_these) / np.sqrt(within / athletes)
    by_these = np.count_nonzero(t_these > special.stdtrit(inner_df, (1 + level) / 2))
    differ = np.count_nonzero(between / within > special.fdtri(athletes - 1, inner_df, level))
    weight = np.clip(1 - within / between, 0.0, 1.0)
    shrunken = centre + weight * (means - centre)
    squared = np.array([squared_own, ((shrunken - own[:, 0]) ** 2).sum()])
    return np.array([by_mean, by_these, differ], dtype=float), squared


def _reason(best: SeriesOption | None, aims: SeriesAims, options: tuple[SeriesOption, ...]) -> str:
    if not options:
        return "The run was stopped before any figure was known."
    if best is None:
        most = max(options, key=lambda o: o.closed.power_mean).closed
        return (
            f"No option is enough: {most.athletes} athletes with {most.pairs} pairs each have a "
            f"chance of {percent(most.power_mean)} to show the mean effect; {as_asked(aims.power)} "
            "is wanted."
        )
    chosen = best.closed
    return (
        f"{chosen.athletes} athletes with {chosen.pairs} pairs each: {percent(chosen.power_mean)} "
        f"chance to show the mean effect at a cost of {best.cost:g}, the cheapest that reaches "
        f"{as_asked(aims.power)}."
    )


def _over_budget(budget: float, costs: SeriesCosts, athletes: int, pairs: int) -> Problem:
    return Problem(
        where="budget",
        found=f"{budget:g}",
        wrong=f"the smallest series tried costs {costs.of(athletes, pairs):g}.",
        fix="try fewer athletes or pairs, or raise the budget.",
    )
