"""Every rule of a single field is seen firing, once, on its line, in a coach's words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from trialkit.errors import Problem

Judge = Callable[[str], tuple[Problem, ...]]


@dataclass(frozen=True)
class Slip:
    """A line of the sound protocol, what it is turned into, and what must be said of it."""

    old: str
    new: str
    field: str
    says: str
    fix: str

    @property
    def line(self) -> str:
        """The line that must be pointed at: the first changed one."""
        return self.new.split("\n")[0]


def slip(old: str, new: str, field: str, says: str, fix: str = "") -> object:
    return pytest.param(Slip(old, new, field, says, fix), id=f"{field}<-{new[:40]}")


MEASURE = 'measure = { channel = "distance", segment = "race", statistic = "finish_time" }'
FIELDS = [
    slip("format = 1", "format = 2", "format", "one shape", "format = 1"),
    slip("invented = true", 'invented = "yes"', "trial.invented", "yes or no", "true or false"),
    slip("invented = true", "invented = 1", "trial.invented", "yes or no"),
    slip("invented = true", "ethic = ''", "trial.ethic", "no such key", '"ethics"'),
    slip("invented = true", "blocks = 4", "trial.blocks", "elsewhere", "[design]"),
    slip("invented = true", "zzzz = 4", "trial.zzzz", "no such key", "title"),
    slip("invented = true", "invented = true\naim = 3", "trial.aim", "text", "quotes"),
    slip("invented = true", 'purpose = "privat"', "trial.purpose", "none of", "personal, res"),
    slip("invented = true", "written = '3 May'", "trial.written", "date", "2026-05-04"),
    slip(
        "invented = true",
        "written = 2026-05-04T10:00:00",
        "trial.written",
        "without a time of day",
    ),
    slip(
        'athlete = "runner Z (invented)"', 'athlete = " "', "trial.athlete", "must say", "athlete ="
    ),
    slip(
        'athlete = "runner Z (invented)"',
        'athlete = "runner\\nZ"',
        "trial.athlete",
        "one line",
    ),
    slip(
        'athlete = "runner Z (invented)"',
        'athlete = "runner\\u0007Z"',
        "trial.athlete",
        "control characters",
    ),
    slip(
        'athlete = "runner Z (invented)"',
        f'athlete = "{"Z" * 201}"',
        "trial.athlete",
        "at most 200",
        "shorten",
    ),
    slip(
        'name = "vest"', 'name = "Ice Vest"', "conditions.Ice Vest.name", "small letters", '"ice-v'
    ),
    slip('name = "vest"', 'name = "è"', "conditions.è.name", "small letters", "short name"),
    slip('recipe = "15 min sitting, then 10 min jog."', "", "conditions.none.recipe", "is needed"),
    slip('unit = "s"', 'unit = "sek"', "outcomes.time.unit", "not a unit", "bpm"),
    slip('better = "lower"', 'better = "lowest"', "outcomes.time.better", "none of", '"lower"'),
    slip(
        'role = "secondary"', 'role = "Second"', "outcomes.heart-rate.role", "none", '"secondary"'
    ),
    slip('scale = "log"', "scale = 10", "outcomes.time.scale", "none of", "raw, log"),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        'worthwhile = { value = "1,5 %", unit = "%", reason = "invented" }',
        "outcomes.time.worthwhile.value",
        "without quotes",
        "value = 1.5.",
    ),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        'worthwhile = { value = 0, unit = "%", reason = "invented" }',
        "outcomes.time.worthwhile.value",
        "above 0",
    ),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        'worthwhile = { value = nan, unit = "%", reason = "invented" }',
        "outcomes.time.worthwhile.value",
        "with an end",
    ),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        'worthwhile = { value = 1.0, unit = "%" }',
        "outcomes.time.worthwhile.reason",
        "needed",
        "reason = ",
    ),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        "worthwhile = 1.0",
        "outcomes.time.worthwhile",
        "several entries",
        "{ value = 2.0",
    ),
    slip(
        'worthwhile = { value = 1.0, unit = "%", reason = "invented" }',
        'worthwhile = { value = 3.0, unit = "s", reason = "invented" }',
        "outcomes.time.worthwhile.unit",
        "in percent",
        'unit = "%"',
    ),
    slip(
        'typical_error = { value = 1.5, unit = "%", df = 7, source = "invented" }',
        'typical_error = { value = 1.5, unit = "s", df = 7, source = "invented" }',
        "outcomes.time.typical_error.unit",
        "in percent",
    ),
    slip(
        'typical_error = { value = 1.5, unit = "%", df = 7, source = "invented" }',
        'typical_error = { value = 1.5, unit = "%", df = -7, source = "invented" }',
        "outcomes.time.typical_error.df",
        "above 0",
    ),
    slip(
        'typical_error = { value = 1.5, unit = "%", df = 7, source = "invented" }',
        'typical_error = { value = true, unit = "%", df = 7, source = "invented" }',
        "outcomes.time.typical_error.value",
        "a number is needed",
    ),
    slip(
        'role = "secondary"',
        'role = "secondary"\nworthwhile = { value = 2, unit = "%", reason = "x" }',
        "outcomes.heart-rate.worthwhile.unit",
        "own unit",
        'scale = "log"',
    ),
    slip(
        MEASURE,
        'measure = { channel = "distanze", segment = "race", statistic = "finish_time" }',
        "outcomes.time.measure.channel",
        "not one of",
        '"distance"',
    ),
    slip(
        MEASURE,
        'measure = { channel = "distance", segment = "race", statistic = "finish" }',
        "outcomes.time.measure.statistic",
        "not one of",
        '"finish_time"',
    ),
    slip(
        MEASURE,
        'measure = { channel = "distance", segment = "race", statistic = "mean" }',
        "outcomes.time.measure.statistic",
        "in m",
    ),
    slip(
        MEASURE,
        'measure = { channel = "distance", segment = "rase", statistic = "finish_time" }',
        "outcomes.time.measure.segment",
        "no segment",
        '"race"',
    ),
    slip(
        MEASURE,
        MEASURE.replace(" }", ", second = 3 }"),
        "outcomes.time.measure.second",
        "setting",
        '"seconds"',
    ),
    slip(
        MEASURE,
        MEASURE.replace(" }", ', goal = "5" }'),
        "outcomes.time.measure.goal",
        "without quotes",
        "goal = 5.",
    ),
    slip("lap = 2", "lap = 0", "segments.race.lap", "no lap"),
    slip("lap = 2", "lap = true", "segments.race.lap", "no lap"),
    slip("lap = 2", "elapsed_s = [600, 60]", "segments.race.elapsed_s", "before it begins"),
    slip("lap = 2", 'clock = ["4 pm", "16:30"]', "segments.race.clock.1", "ISO", "16:10:00"),
    slip('scheme = "randomised-pairs"', 'scheme = "pairs"', "design.scheme", "none of", "-pairs"),
    slip("blocks = 8", "blocks = 8.5", "design.blocks", "whole number"),
    slip("blocks = 8", 'blocks = "8"', "design.blocks", "without quotes", "blocks = 8"),
    slip("blocks = 8", "blocks = true", "design.blocks", "whole number"),
    slip("blocks = 8", "blocks = 8\nblock_size = 3", "design.block_size", "2 conditions", "= 2"),
    slip(
        "blocks = 8",
        'blocks = 8\norder = ["vest", "none"]',
        "design.order",
        "draws the order",
    ),
    slip(
        "blocks = 8",
        "blocks = 8\nconstraints = { min_phase = 3 }",
        "design.constraints.min_phase",
        'scheme "phase-change"',
    ),
    slip(
        "between_sessions = { from = 2, to = 4, unit",
        "between_sessions = { from = 4, to = 2, unit",
        "rest.between_sessions",
        "shorter than the shortest",
    ),
    slip(
        "between_sessions = { from = 2, to = 4, unit",
        "between_sessions = { from = 0, to = 4, unit",
        "rest.between_sessions.from",
        "1 is the next day",
    ),
    slip(
        'between_sessions = { from = 2, to = 4, unit = "day" }',
        'between_sessions = { from = 48, to = 72, unit = "h" }',
        "rest.between_sessions.unit",
        "by days",
        "in day",
    ),
    slip(
        'between_sessions = { from = 2, to = 4, unit = "day" }',
        'between_periods = { from = 30, unit = "min" }',
        "rest.between_periods",
        "one period",
        "periods_per_session",
    ),
    slip("start = 2026-06-01", 'start = "2026-06-01"', "calendar.start", "without quotes"),
    slip(
        'time_zone = "Europe/Madrid"',
        'time_zone = "Madrid"',
        "calendar.time_zone",
        "IANA",
        "Europe/",
    ),
    slip(
        'time_zone = "Europe/Madrid"', 'time_zone = "../etc"', "calendar.time_zone", "IANA", "UTC"
    ),
    slip('"mon", "wed", "fri"', '"mon", "mon"', "calendar.weekdays", "twice"),
    slip('"mon", "wed", "fri"', '"monday"', "calendar.weekdays.1", "none of", '"mon"'),
    slip('["mon", "wed", "fri"]', "[]", "calendar.weekdays", "at least 1"),
    slip('["mon", "wed", "fri"]', '"mon"', "calendar.weekdays", "list", "square brackets"),
    slip('["16:00", "19:00"]', '["19:00", "16:00"]', "calendar.window", "before it begins"),
    slip('["16:00", "19:00"]', '["16:00", "17:00"]', "calendar.window", "does not fit", "widen"),
    slip('["16:00", "19:00"]', '["16:00"]', "calendar.window.2", "missing", "16:00"),
    slip('["16:00", "19:00"]', '["4 pm", "19:00"]', "calendar.window.1", "time of day", "07:15"),
    slip('["16:00", "19:00"]', "[16:00:30, 19:00:00]", "calendar.window.1", "time of day"),
    slip("to = 2026-06-12", "to = 2026-06-02", "calendar.blackout.1", "before it begins"),
    slip("to = 2026-07-01", 'to = "July"', "calendar.blackout.2.to", "date"),
    slip("session_min = 90", "session_min = 0", "calendar.session_min", "at least 1"),
    slip("session_min = 90", "session_min = 1441", "calendar.session_min", "at most 1440"),
    slip("looks = [4, 8]", "looks = [8, 4]", "analysis.looks", "after the one before"),
    slip("looks = [4, 8]", "looks = [4, 9]", "analysis.looks", "ends after 8", "up to 8"),
    slip("looks = [4, 8]", "looks = [1, 8]", "analysis.looks.1", "at least 2"),
    slip("looks = [4, 8]", "max_blocks = 6", "analysis.max_blocks", "8 blocks already"),
    slip("looks = [4, 8]", "level = 1", "analysis.level", "below 1"),
    slip("looks = [4, 8]", 'method = "t-test"', "analysis.method", "none of"),
    slip('blind = ["analyst"]', 'blind = ["coach"]', "roles.blind.1", "none of", "tester"),
    slip('effort = "maximal"', 'effort = "max"', "cautions.effort", "none of", '"maximal"'),
    slip('effort = "maximal"', "", "cautions.effort", "is needed", 'effort = "maximal"'),
    slip(
        "minutes = 10, text", 'minutes = "10 min", text', "card.steps.2.minutes", "without its unit"
    ),
    slip("[cautions]", "[cautons]", "cautons", "no such key", '"cautions"'),
    slip("[[conditions]]", "[[condition]]", "condition", "no such key", '"conditions"'),
]


@pytest.mark.parametrize("slip", FIELDS)
def test_one_slip_gives_one_problem_on_its_line(sound: str, problems_of: Judge, slip: Slip) -> None:
    assert slip.old in sound
    text = sound.replace(slip.old, slip.new, 1)
    problems = [p for p in problems_of(text) if p.where == f"my.toml: {slip.field}"]
    assert len(problems) == 1, problems_of(text)
    problem = problems[0]
    assert slip.says in problem.wrong
    assert slip.fix in problem.fix
    assert problem.found
    pointed = text.split("\n")[(problem.line or 0) - 1]
    key = slip.field.rsplit(".", 1)[-1]
    if slip.new and "\n" not in slip.new:
        assert slip.line in pointed
    elif slip.new:
        assert pointed in slip.new
    else:  # a key that is not there: the header or first key of its table
        assert pointed.startswith("[")
        assert key not in pointed


@pytest.mark.parametrize("slip", [p for p in FIELDS if "condition]]" not in p.values[0].new])
def test_a_slip_has_no_echo_elsewhere(sound: str, problems_of: Judge, slip: Slip) -> None:
    assert len(problems_of(sound.replace(slip.old, slip.new, 1))) == 1
