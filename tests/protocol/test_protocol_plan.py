"""The plan says what the file says, and a file written from it says the same again."""

from __future__ import annotations

import dataclasses
import tomllib
from datetime import date, time
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.design.schemes import scheme_names
from trialkit.domain.measures import CHANNELS, STATISTICS, MeasureRecipe
from trialkit.domain.outcomes import Better, Role, Scale
from trialkit.domain.plans import CardStep, Hazards, Span
from trialkit.domain.recordings import SegmentRule
from trialkit.domain.units import find_unit
from trialkit.errors import ProtocolError
from trialkit.protocol import Protocol, differences, loads, to_toml
from trialkit.protocol.conduct import Scheme


def test_the_plan_holds_what_the_file_says(sound: str) -> None:
    plan = loads(sound, where="x").plan()
    outcome, second = plan.outcomes
    assert plan.invented
    assert plan.reference.name == "none"
    assert (outcome.better, outcome.role, outcome.scale) == (
        Better.LOWER,
        Role.PRIMARY,
        Scale.LOG,
    )
    assert outcome.typical_error is not None
    assert outcome.typical_error.df == 7
    assert (outcome.half_life_min, outcome.half_life_source) == (240, "invented")
    assert outcome.measure == MeasureRecipe("distance", "race", "finish_time")
    assert second.measure == MeasureRecipe("heart_rate", "race", "mean", min_coverage=0.8)
    assert plan.segments == (SegmentRule("race", lap=2),)
    assert (plan.design.block_size, plan.design.familiarisation) == (2, 2)
    assert plan.rest.between_sessions == Span(2, 4, "day")
    assert plan.calendar.start == date(2026, 6, 1)
    assert plan.calendar.weekdays == (0, 2, 4)
    assert plan.calendar.window == (time(16), time(19))
    assert plan.calendar.blackout[0] == (date(2026, 6, 10), date(2026, 6, 12))
    assert plan.analysis.looks == (4, 8)
    assert plan.blinding.blind == ("analyst",)
    assert plan.hazards == Hazards("maximal", heat=True)
    assert plan.card[0] == CardStep(15, "Sit, with or without the vest.")
    assert plan.details["calendar.blackout.1.reason"] == "exams"
    assert plan.details["trial.framework"] == "superiority"


def test_hours_become_minutes_and_one_figure_is_a_range(sound: str) -> None:
    text = sound.replace(
        "[rest]", '[rest]\nwashout = { from = 36, unit = "h", reason = "invented" }'
    )
    assert loads(text, where="x").plan().rest.washout == Span(2160, 2160, "min", "invented")


def test_spellings_of_units_are_brought_to_one(sound: str) -> None:
    text = sound.replace('unit = "bpm"', 'unit = "beats/min"')
    assert loads(text, where="x").plan().outcomes[1].unit == "bpm"


def test_free_numbers_of_a_measure_are_its_settings(sound: str) -> None:
    text = sound.replace("min_coverage = 0.8", "level = 120")
    measure = loads(text, where="x").plan().outcomes[1].measure
    assert measure is not None
    assert measure.settings == {"level": 120.0}
    assert loads(to_toml(loads(text, where="x")), where="x").plan().outcomes[1].measure == measure


def test_the_file_knows_every_scheme_that_can_be_drawn_and_no_other() -> None:
    assert set(get_args(Scheme)) == set(scheme_names())


def test_every_channel_has_a_unit_the_house_knows() -> None:
    assert all(find_unit(unit).symbol == unit for unit in CHANNELS.values())
    assert len(set(STATISTICS)) == len(STATISTICS)


LETTERS = st.characters(categories=["L", "N", "P", "S"], exclude_characters="\u2028")
TEXT = st.text(LETTERS | st.just(" "), min_size=1, max_size=12).map(lambda t: f"x{t}x")
LONG = st.lists(TEXT, min_size=1, max_size=3).map("\n".join)
FIGURE = st.floats(0.001, 1e6)
SPAN = st.tuples(st.integers(1, 9), st.integers(0, 9), LONG).map(
    lambda s: {"from": s[0], "to": s[0] + s[1], "reason": s[2]}
)


@st.composite
def documents(draw: st.DrawFn, base: dict[str, Any]) -> dict[str, Any]:
    """The sound protocol with much of it drawn anew, within its rules."""
    data = {name: dict(t) if isinstance(t, dict) else t for name, t in base.items()}
    data["trial"] |= draw(
        st.fixed_dictionaries(
            {"title": TEXT, "question": LONG},
            optional={
                "aim": LONG,
                "site": LONG,
                "written": st.dates(),
                "framework": st.sampled_from(["equivalence", "non-inferiority"]),
                "invented": st.booleans(),
            },
        )
    )
    first = {**data["outcomes"][0], "subjective": draw(st.booleans())}
    first["worthwhile"] = {"value": draw(FIGURE), "unit": "%", "reason": draw(LONG)}
    data["outcomes"] = [first, *data["outcomes"][1 : draw(st.integers(1, 2))]]
    data["rest"] = {
        "between_sessions": {**draw(SPAN), "unit": "day"},
        "washout": {**draw(SPAN), "unit": draw(st.sampled_from(["min", "h", "day"]))},
    }
    data["design"]["constraints"] = draw(
        st.fixed_dictionaries({}, optional={"longest_run": st.integers(1, 5)})
    )
    data["expected"] = draw(
        st.fixed_dictionaries(
            {}, optional={"phi": st.floats(-0.9, 0.9), "missing": st.floats(0, 0.9), "source": LONG}
        )
    )
    data["card"] = {"steps": [{"minutes": draw(st.floats(0, 1440)), "text": "x"}]}
    data["cautions"]["text"] = draw(st.lists(LONG, max_size=2))
    return data


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_what_is_written_reads_as_what_it_was(sound_data: dict[str, Any], data: Any) -> None:
    protocol = Protocol.model_validate(data.draw(documents(sound_data)))
    assert loads(to_toml(protocol), where="x") == protocol
    plan = protocol.plan()
    assert loads(to_toml(plan), where="x").plan() == plan


@pytest.fixture(scope="module")
def sound_data() -> dict[str, Any]:
    from pathlib import Path

    text = (Path(__file__).parent / "conftest.py").read_text(encoding="utf-8")
    return tomllib.loads(text.split('"""\\\n', 1)[1].split('"""', 1)[0])


def test_a_plan_that_breaks_a_rule_is_not_written(sound: str) -> None:
    plan = loads(sound, where="x").plan()
    wild = dataclasses.replace(plan, design=dataclasses.replace(plan.design, scheme="my-own"))
    with pytest.raises(ProtocolError, match="none of the words"):
        to_toml(wild)
    unfit = dataclasses.replace(plan, design=dataclasses.replace(plan.design, block_size=3))
    with pytest.raises(ProtocolError, match="2 conditions"):
        to_toml(unfit)


def test_a_protocol_is_never_changed_once_read(sound: str) -> None:
    protocol = loads(sound, where="x")
    with pytest.raises(ValueError, match="frozen"):
        protocol.trial.title = "other"  # type: ignore[misc]


def test_differences_name_the_field_and_both_values(sound: str) -> None:
    old = loads(sound, where="x")
    new = loads(
        sound.replace("blocks = 8", "blocks = 10")
        .replace("looks = [4, 8]", "")
        .replace("2026-06-12", "2026-06-13")
        .replace('reason = "invented"', f'reason = "{"long " * 30}end"')
        .replace('window = ["16:00"', 'window = ["15:30"'),
        where="x",
    )
    found = {d.field: (d.before, d.after) for d in differences(old, new)}
    assert found.pop("outcomes.time.worthwhile.reason") == ('"invented"', f'"{"long " * 30}end"')
    assert found == {
        "design.blocks": ("8", "10"),
        "calendar.blackout.1.to": ("2026-06-12", "2026-06-13"),
        "calendar.window": ('["16:00", "19:00"]', '["15:30", "19:00"]'),
        "analysis.looks": ("[4, 8]", None),
    }
    assert differences(old, old) == ()


def test_a_new_condition_in_front_does_not_make_the_others_look_changed(sound: str) -> None:
    start = sound.index("[[conditions]]")
    cap = '[[conditions]]\nname = "cap"\nlabel = "Ice cap"\nrecipe = "Cap."\n\n'
    text = (sound[:start] + cap + sound[start:]).replace("randomised-pairs", "randomised-blocks")
    fields = {d.field for d in differences(loads(sound, where="x"), loads(text, where="x"))}
    assert fields == {
        "conditions.cap.name",
        "conditions.cap.label",
        "conditions.cap.recipe",
        "conditions.cap.reference",
        "design.scheme",
    }
