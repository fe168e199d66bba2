"""A small protocol that is right in everything, for tests to break or to change."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from trialkit.errors import Problem, ProtocolError
from trialkit.protocol import loads

SOUND = """\
format = 1

[trial]
title = "Ice vest before a hot 5 km: an n-of-1 trial (invented)"
question = "Does an ice vest lower my time over 5 km in the heat?"
athlete = "runner Z (invented)"
invented = true

[[conditions]]
name = "vest"
label = "Ice vest"
recipe = "15 min in the vest, then 10 min jog."

[[conditions]]
name = "none"
label = "No vest"
recipe = "15 min sitting, then 10 min jog."
reference = true

[[outcomes]]
name = "time"
label = "Time over 5 km"
unit = "s"
better = "lower"
role = "primary"
scale = "log"
worthwhile = { value = 1.0, unit = "%", reason = "invented" }
typical_error = { value = 1.5, unit = "%", df = 7, source = "invented" }
half_life = { value = 240, source = "invented" }
familiarisation_gain = { value = 1.0, source = "invented" }
measure = { channel = "distance", segment = "race", statistic = "finish_time" }

[[outcomes]]
name = "heart-rate"
label = "Mean heart rate"
unit = "bpm"
better = "lower"
role = "secondary"
measure = { channel = "heart_rate", segment = "race", statistic = "mean", min_coverage = 0.8 }

[[segments]]
name = "race"
lap = 2

[design]
scheme = "randomised-pairs"
blocks = 8
familiarisation = 2

[rest]
between_sessions = { from = 2, to = 4, unit = "day" }

[calendar]
start = 2026-06-01
time_zone = "Europe/Madrid"
weekdays = ["mon", "wed", "fri"]
window = ["16:00", "19:00"]
blackout = [
    { from = 2026-06-10, to = 2026-06-12, reason = "exams" },
    { from = 2026-07-01, to = 2026-07-01 },
]
session_min = 90

[analysis]
looks = [4, 8]

[roles]
blind = ["analyst"]

[cautions]
effort = "maximal"
heat = true
text = ["Stop with dizziness or chills."]

[card]
steps = [
    { minutes = 15, text = "Sit, with or without the vest." },
    { minutes = 10, text = "Jog." },
]
"""


@pytest.fixture
def sound() -> str:
    """Text of a protocol without problems."""
    return SOUND


@pytest.fixture
def problems_of() -> Callable[[str], tuple[Problem, ...]]:
    """The problems of a text that must have some."""

    def judge(text: str) -> tuple[Problem, ...]:
        with pytest.raises(ProtocolError) as caught:
            loads(text, where="my.toml")
        return caught.value.problems

    return judge
