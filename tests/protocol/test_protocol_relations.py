"""What does not fit between fields, and slips of the pen, are told at once and on their lines."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from trialkit.errors import Problem, ProtocolError
from trialkit.protocol import loads, ready_protocols

Judge = Callable[[str], tuple[Problem, ...]]

TWO = """\
[[conditions]]
name = "cap"
label = "Ice cap"
recipe = "Cap."
"""
RELATIONS = [
    ("reference = true\n", "", "conditions", "the one the others"),
    ('jog."\n\n', 'jog."\nreference = true\n\n', "conditions.none.reference", "already"),
    ('name = "none"', 'name = "vest"', "conditions.vest.name", "taken"),
    ('name = "heart-rate"', 'name = "time"', "outcomes.time.name", "taken"),
    ("[design]", '[[segments]]\nname = "race"\nlap = 3\n[design]', "segments.race.name", "taken"),
    ("lap = 2", 'lap = 2\nevent = "start"', "segments.race", "exactly one way"),
    ("lap = 2", "", "segments.race", "exactly one way"),
    ("lap = 2", 'channel = "power"', "segments.race", "level"),
    ("lap = 2", "lap = 2\nabove = 3", "segments.race", "level"),
    ("[[outcomes]]", f"{TWO}\n[[outcomes]]", "conditions", "compares exactly 2"),
    ('"randomised-pairs"', '"incomplete-blocks"', "design.block_size", "no balanced"),
    ('"randomised-pairs"', '"phase-change"', "design", '"phase-change" needs it'),
    ('"randomised-pairs"', '"multi-day-blocks"', "design", '"multi-day-blocks" needs it'),
    ('"randomised-pairs"', '"fixed"', "design", "names the condition of each period"),
    ("familiarisation = 2", "periods_per_session = 2", "rest", "holds 2 periods"),
]


@pytest.mark.parametrize(("old", "new", "field", "says"), RELATIONS)
def test_what_does_not_fit_together_is_told_once(
    sound: str, problems_of: Judge, old: str, new: str, field: str, says: str
) -> None:
    assert old in sound
    problems = problems_of(sound.replace(old, new, 1))
    assert [p.where for p in problems] == [f"my.toml: {field}"]
    assert says in problems[0].wrong
    assert problems[0].line is not None


def test_one_condition_is_no_comparison(sound: str, problems_of: Judge) -> None:
    start, end = (
        sound.index('[[conditions]]\nname = "vest"'),
        sound.index('[[conditions]]\nname = "n'),
    )
    found = {p.wrong for p in problems_of(sound[:start] + sound[end:])}
    assert "a comparison needs at least two conditions." in found


def test_an_order_names_known_conditions_and_all_of_them(sound: str, problems_of: Judge) -> None:
    fixed = '"fixed"\norder = ["vest", "vets"]'
    problems = problems_of(sound.replace('"randomised-pairs"', fixed))
    assert [p.where.removeprefix("my.toml: design.") for p in problems] == ["order.2", "order"]
    assert problems[0].fix == "use vest or none."


def test_a_fixed_order_may_name_one_block_or_the_whole_trial(sound: str) -> None:
    block = sound.replace('"randomised-pairs"', '"fixed"\norder = ["vest", "none"]')
    whole = sound.replace('"randomised-pairs"', '"fixed"\norder = ' + str(["vest", "none"] * 8))
    plans = [loads(text, where="x").plan() for text in (block, whole)]
    assert plans[0].design.order == plans[1].design.order == ("vest", "none") * 8


def test_slips_of_every_kind_are_told_at_once_in_order_of_their_lines(
    sound: str, problems_of: Judge
) -> None:
    text = sound
    for old, new in [
        ("format = 1", "format = one"),
        ("invented = true", "invented = yes"),
        ('title = "Ice', "title = “Ice"),
        ('unit = "s"', 'unit = "sek"'),
        ("blocks = 8", "blocks = 8,5"),
        ("from = 2, to = 4", "from = 4, to = 2"),
        ("[4, 8]", "[8, 4]"),
        ('effort = "maximal"', 'effort = "max"'),
    ]:
        text = text.replace(old, new, 1)
    problems = problems_of(text)
    lines = [p.line for p in problems]
    assert len(problems) == 8
    assert lines == sorted(lines)
    assert [p.where.removeprefix("my.toml").removeprefix(": ") for p in problems] == [
        "",
        "",
        "",
        "outcomes.time.unit",
        "",
        "rest.between_sessions",
        "analysis.looks",
        "cautions.effort",
    ]


SYNTAX = [
    ("session_min = 90", "session_min = 90,5", "decimal comma"),
    ("session_min = 90", "session_min = 90 min", "stands alone"),
    ("session_min = 90", "session_min = .5", "both sides"),
    ("session_min = 90", "session_min = 090", "begin with a zero"),
    ("session_min = 90", "session_min =", "missing"),
    ("session_min = 90", "session_min = # long", "missing"),
    ("session_min = 90", "session_min: 90", "joined by ="),
    ("session_min = 90", "session_min 90", "one key, an ="),
    ("session_min = 90", "session_min = none", "left out"),
    ("session_min = 90", "= 90", "as TOML asks"),
    ("session_min = 90", "session_min = 90\nsession_min = 91", "twice"),
    ("start = 2026-06-01", "start = 01.06.2026", "year-month-day"),
    ("start = 2026-06-01", "start = 1/6/2026", "year-month-day"),
    ("start = 2026-06-01", "start = 2026-02-30", "year-month-day"),
    ('["16:00", "19:00"]', "16:00", "needs quotes"),
    ("invented = true", "invented = True", "true and false"),
    ("invented = true", "invented = on", "true and false"),
    ('name = "vest"', "name = vest", "text needs quotes"),
    ('name = "vest"', "name = “vest”", "typographic"),
    ('name = "vest"', 'name = "vest', "not closed"),
    ('name = "vest"', "name = 'the runner's vest'", "after the closing quote"),
    ('name = "vest"', 'name = "a\\vest"', "backslash"),
    ('name = "vest"', 'name = "a\x01"', "cannot be printed"),
    ("from = 2, to = 4", "from = 2,5, to = 4", "decimal comma"),
    ('unit = "day" }', 'unit = "day", }', "one line"),
]


@pytest.mark.parametrize(("old", "new", "says"), SYNTAX)
def test_a_slip_of_the_pen_is_explained_on_its_line(
    sound: str, problems_of: Judge, old: str, new: str, says: str
) -> None:
    assert old in sound
    text = sound.replace(old, new, 1)
    (problem,) = problems_of(text)
    assert problem.where == "my.toml"
    assert says in problem.wrong
    assert new.rsplit("\n", maxsplit=1)[-1] in text.split("\n")[(problem.line or 0) - 1]


OPEN = [
    ("[design]", "[design", "brackets", "[design"),
    ("[design]", "[trial]", "twice", "[trial]"),
    ("[[conditions]]", "[conditions]", "double brackets", "[conditions]"),
    ("steps = [", "steps = [[", "not closed", "steps = [["),
    ('title = "', 'title = """', "not closed", 'title = """'),
    ("{ from = 2026-06-10,", "{ from = 2,5,", "decimal comma", "{ from = 2,5,"),
]


@pytest.mark.parametrize(("old", "new", "says", "line"), OPEN)
def test_what_is_left_open_is_pointed_at_where_it_begins(
    sound: str, problems_of: Judge, old: str, new: str, says: str, line: str
) -> None:
    text = sound.replace(old, new)
    problems = problems_of(text)
    assert any(says in p.wrong and line in text.split("\n")[(p.line or 0) - 1] for p in problems), (
        problems
    )


def test_a_list_given_as_one_table_is_told_to_double_its_brackets(
    sound: str, problems_of: Judge
) -> None:
    (problem,) = problems_of(sound.replace("[[segments]]", "[segments]"))
    assert problem.fix == "write [[segments]] each time."


def test_the_sound_protocol_is_sound(sound: str) -> None:
    assert loads(sound, where="x").trial.invented


def test_who_opens_the_conditions_is_not_blind_to_them():
    text = ready_protocols()["warm-up-separate-days"].read_text(encoding="utf-8")
    blind = text.replace("blind = []", 'blind = ["analyst"]', 1)
    loads(text, where="x")
    with pytest.raises(ProtocolError, match="knows the conditions"):
        loads(blind, where="x")
