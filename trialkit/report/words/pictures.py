"""Words inside and under figures: axes, labels, and the finding each picture shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from trialkit.report.content import CutChannel

TOO_SMALL: Final = "too small\nto matter"
ROW_NOISE: Final = "noise: how far this mean wanders by itself"
PERIOD_AXIS: Final = "period, in the order held"
NOT_AS_PLANNED: Final = "not the planned condition"
MISSING: Final = "no usable value"
TIME_AXIS: Final = "time from the start of the effort (s)"
DIFFERENCE: Final = "difference"
MEAN_DIFFERENCE: Final = "mean difference"
EACH_PAIR: Final = "each pair"
LIMITS_OF_PAIRS: Final = "where 95 % of such pairs would lie"
TYPICAL_ERROR_AXIS: Final = "typical error of one measurement"
NOISE_SEEN: Final = "seen in this trial"
NOISE_PLANNED: Final = "planned with"
OWN_RESULT: Final = "own result"
SHRUNKEN: Final = "moved towards the mean"
SHARE_OF_ORDERS: Final = "share of possible orders (%)"
BLOCKS_AXIS: Final = "number of blocks"
CHANCE_AXIS: Final = "chance (%)"
OUTCOMES_AXIS: Final = "difference in typical errors, better to the right"


def zone_names(better_right: bool) -> tuple[str, str]:
    """What the two sides of a difference mean, left and right."""
    return ("← worse", "better →") if better_right else ("← better", "worse →")


def row_mean(levels: Sequence[str]) -> str:
    """Label of the row of the mean, with the levels of the ranges drawn around it."""
    return f"mean difference, {' and '.join(levels)} range"


def row_pairs(count: int, *, several: bool) -> str:
    """Label of the row of single blocks, which are pairs unless there are several comparisons."""
    kind = "block" if several else "pair"
    return f"the one {kind}" if count == 1 else f"each of the {count} {kind}s"


def difference_axis(outcome: str) -> str:
    """Axis of a difference of an outcome."""
    return f"difference in {lower_first(outcome)}"


def pair_mean_axis(outcome: str) -> str:
    """Axis of the means of pairs."""
    return f"mean of the pair, {lower_first(outcome)}"


RECORDING_AXIS: Final = "time from the start of the recording (min)"
REMOVED: Final = "removed sample"
REST: Final = "rest"
ROUND_EDGES: Final = "edges of rounds"


def is_round(segment: str) -> bool:
    """Whether a segment is one round of a repeated effort."""
    return " round " in segment


def is_rest(segment: str) -> bool:
    """Whether a segment is a rest between rounds."""
    return " rest " in segment


def cut_beside(channel: CutChannel) -> tuple[str, ...]:
    """Names of segments that were cut but are not measured in this channel."""
    names = dict.fromkeys(s.name for r in channel.recordings for s in r.segments)
    return tuple(
        n for n in names if n not in channel.measured and not is_rest(n) and not is_round(n)
    )


def panel_title(period: int, removed: int) -> str:
    """Title of the panel of one recording."""
    return f"period {period}" + (f", {removed} removed" if removed else "")


CHANNELS: Final = {
    "heart_rate": "Heart rate",
    "muscle_oxygen": "Muscle oxygen",
    "total_haemoglobin": "Total haemoglobin",
    "rr_interval": "Time between heartbeats",
    "core_temperature": "Core temperature",
}


def channel_label(name: str) -> str:
    """Name of a channel as people read it.

    Examples
    --------
    >>> channel_label("heart_rate"), channel_label("power"), channel_label("left_leg_power")
    ('Heart rate', 'Power', 'Left leg power')
    """
    return CHANNELS.get(name) or upper_first(name.replace("_", " "))


def lower_first(text: str) -> str:
    """Start a label in lower case inside a sentence, but leave abbreviations alone.

    Examples
    --------
    >>> lower_first("Mean power"), lower_first("SmO2 at the end"), lower_first("VO2max")
    ('mean power', 'SmO2 at the end', 'VO2max')
    >>> lower_first("A warm-up"), lower_first("A")
    ('a warm-up', 'A')
    """
    first = text.split(" ", 1)[0]
    plain_word = first[:1].isupper() and (first[1:].islower() or len(first) == 1 < len(text))
    return text[:1].lower() + text[1:] if plain_word else text


def upper_first(text: str) -> str:
    """Start a sentence with a capital letter."""
    return text[:1].upper() + text[1:]
