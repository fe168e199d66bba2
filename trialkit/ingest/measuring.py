"""One door for measures: clean, cut, check coverage, then take the value or say why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from trialkit.domain.measures import CHANNELS, MeasuredValue, MeasureRecipe
from trialkit.domain.recordings import Recording, Segment
from trialkit.ingest.channels import kind_of
from trialkit.ingest.cleaning import CleanedChannel, clean
from trialkit.ingest.segments import WHOLE, find_segment
from trialkit.ingest.windows import NotMeasurable, Window, cut


@dataclass(frozen=True, slots=True)
class Taken:
    """What a measure gave: a number in a unit, its standard error where it has one, remarks."""

    value: float
    unit: str
    uncertainty: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Context:
    """What a measure may look at beyond its own window: the recording, segments, the recipe."""

    recording: Recording
    segments: Mapping[str, Segment]
    recipe: MeasureRecipe

    def setting(self, name: str, default: float | None = None) -> float:
        """Look a named setting up.

        Raises
        ------
        NotMeasurable
            When the recipe does not hold it and there is no default.
        """
        value = self.recipe.settings.get(name, default)
        if value is None:
            raise NotMeasurable(f"the recipe needs the setting {name!r}")
        return float(value)

    def seconds(self, default: float | None = None) -> float:
        """Window of the recipe in seconds."""
        value = self.recipe.seconds if self.recipe.seconds is not None else default
        if value is None or value <= 0:
            raise NotMeasurable(f"{self.recipe.statistic} needs a window (seconds above 0)")
        return float(value)

    def window(self, segment: Segment, channel: str | None = None) -> Window:
        """Cut another segment (or another channel) the way the main window is cut."""
        return cut(cleaned(self.recording, channel or self.recipe.channel).channel, segment)

    def check(self, window: Window) -> None:
        """Refuse a window with a gap over the recipe's limit or too little coverage."""
        check_coverage(window, self.recipe)

    def rounds(self) -> tuple[Segment, ...]:
        """Rounds of the recipe's segment, in time order."""
        start = f"{self.recipe.segment} round "
        found = [s for name, s in self.segments.items() if name.startswith(start)]
        return tuple(sorted(found, key=lambda s: s.start_s))


Measure = Callable[[Window, Context], Taken]


@lru_cache(maxsize=1)
def measures() -> Mapping[str, Measure]:
    """All measures by name."""
    from trialkit.ingest import measures_heart, measures_level, measures_oxygen, measures_shape

    rooms = (measures_level, measures_shape, measures_heart, measures_oxygen)
    return {name: function for room in rooms for name, function in room.MEASURES.items()}


NEEDS_NO_COVERAGE: Final = frozenset({"finish_time", "split_variability", "count"})
"""Measures that look at edges, not at samples in between."""


def measure(
    recording: Recording, recipe: MeasureRecipe, *, segments: Sequence[Segment] = ()
) -> MeasuredValue:
    """Take one outcome value from a recording by its recipe.

    Parameters
    ----------
    recording
        The recording; implausible values and spikes are left out before measuring and counted.
    recipe
        Channel (or ``a/b`` for a ratio), segment, statistic, window and limits.
    segments
        Segments found by the protocol's rules; without one of the recipe's name, a lap of that
        name is taken.

    Returns
    -------
    MeasuredValue
        The number with unit, coverage and remarks; or the reason why there is none.
    """
    try:
        return _measured(recording, recipe, {s.name: s for s in segments})
    except NotMeasurable as error:
        return _void(recipe, str(error), 0.0, 0)


def _measured(
    recording: Recording, recipe: MeasureRecipe, segments: dict[str, Segment]
) -> MeasuredValue:
    compute = measures().get(recipe.statistic)
    if compute is None:
        known = ", ".join(sorted(measures()))
        raise NotMeasurable(f"no measure is called {recipe.statistic!r}; there are {known}")
    segment = _segment(recording, recipe, segments)
    main = cleaned(recording, recipe.channel.partition("/")[0])
    window = cut(main.channel, segment)
    try:
        if recipe.statistic not in NEEDS_NO_COVERAGE:
            check_coverage(window, recipe)
        taken = compute(window, Context(recording, segments, recipe))
    except NotMeasurable as error:
        return _void(recipe, str(error), window.coverage, window.time_s.size)
    notes = (*_removal_notes(main), *taken.notes)
    return MeasuredValue(
        recipe=recipe,
        unit=taken.unit,
        value=taken.value,
        coverage=window.coverage,
        n_samples=int(window.time_s.size),
        uncertainty=taken.uncertainty,
        notes=notes,
    )


def cleaned(recording: Recording, name: str) -> CleanedChannel:
    """Clean a channel of a recording with the house's limits.

    Raises
    ------
    NotMeasurable
        When the recording does not hold it, or holds it in an unknown unit.
    """
    channel = recording.channels.get(name)
    if channel is None:
        held = ", ".join(recording.channels) or "none"
        raise NotMeasurable(f"the recording has no channel {name!r}; it has {held}")
    wanted = CHANNELS.get(kind_of(name))
    if wanted is not None and channel.unit != wanted:
        raise NotMeasurable(f"channel {name!r} is in {channel.unit!r}, not in {wanted}")
    return clean(channel)


def _segment(
    recording: Recording, recipe: MeasureRecipe, segments: Mapping[str, Segment]
) -> Segment:
    from trialkit.errors import UnanswerableError

    if recipe.segment in segments:
        return segments[recipe.segment]
    try:
        return find_segment(recording, recipe.segment or WHOLE)
    except UnanswerableError as error:
        raise NotMeasurable(f"segment {recipe.segment!r}: {error.problems[0].wrong}") from None


def check_coverage(window: Window, recipe: MeasureRecipe) -> None:
    """Refuse a window with a gap over the recipe's limit or too little coverage."""
    name, where = window.channel.name, f"segment {window.segment.name!r}"
    if not window.time_s.size:
        raise NotMeasurable(f"no valid sample of {name} in {where}")
    if window.longest_gap_s > recipe.max_gap_s:
        raise NotMeasurable(
            f"a gap of {window.longest_gap_s:.1f} s in {name} of {where}, over the "
            f"{recipe.max_gap_s:g} s that may be bridged"
        )
    if window.coverage < recipe.min_coverage:
        raise NotMeasurable(
            f"{name} covers {window.coverage:.0%} of {where}, under the "
            f"{recipe.min_coverage:.0%} that is needed"
        )


def _removal_notes(found: CleanedChannel) -> tuple[str, ...]:
    removed = tuple(
        f"{r.n} samples of {found.channel.name} removed: {r.reason}" for r in found.removals
    )
    return (*removed, *(f"{found.channel.name}: {remark}" for remark in found.remarks))


def _void(recipe: MeasureRecipe, reason: str, coverage: float, n: int) -> MeasuredValue:
    unit = CHANNELS.get(kind_of(recipe.channel), "")
    return MeasuredValue(recipe, unit, None, coverage, int(n), reason=reason)
