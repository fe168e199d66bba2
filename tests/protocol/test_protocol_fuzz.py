"""Nothing that can be typed ends in anything but a protocol or problems in plain words."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialkit.errors import Problem, ProtocolError
from trialkit.protocol import Protocol, loads, phrasing
from trialkit.protocol.dictionary import keys_of, table_of
from trialkit.protocol.fields import Table

QUIET = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
JUNK = [
    "true",
    "-1",
    "0",
    "1_000_000_000_000",
    "0x" + "f" * 400,
    "2.5",
    "inf",
    "nan",
    '""',
    '"x"',
    '"2,5"',
    '"2.5 W"',
    f'"{"x" * 30_000}"',
    '"a\\nb"',
    "[]",
    "[1]",
    '["x", "y", "z", "u", "v"]',
    "[[]]",
    "[{}]",
    "{}",
    "{ x = 1 }",
    "2026-05-04",
    "2026-05-04T10:00:00Z",
    "10:00:00",
]


def problems_of(text: str) -> tuple[Problem, ...]:
    try:
        loads(text, where="f")
    except ProtocolError as error:
        return error.problems
    return ()


def fields(table: type[Table], path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for key, info in keys_of(table).items():
        found.append((*path, key))
        inner = table_of(info.annotation)
        found += fields(inner, (*path, key)) if inner else []
    return found


@pytest.mark.parametrize("path", fields(Protocol), ids=".".join)
def test_every_field_says_of_every_kind_of_value_what_is_wrong(
    path: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    def untold(fault: Any, _: Any) -> None:
        raise AssertionError(f"no words for {fault['type']}")

    monkeypatch.setattr(phrasing, "_otherwise", untold)
    for junk in JUNK:
        value = junk
        for key in reversed(path[1:]):
            value = f"{{ {key} = {value} }}"
        forms = [value, f"[{value}]"]
        for form in forms:
            problems = problems_of(f"{path[0]} = {form}\n")
            assert problems  # the rest of the file is missing
            assert all(p.found and p.wrong and p.fix for p in problems)


@QUIET
@given(
    st.lists(
        st.tuples(
            st.integers(0, 10_000),
            st.integers(0, 12),
            st.text("\"'[]{}=.,#\n\\ a1-:%“é\x00", max_size=4),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_any_damage_is_told_on_a_line_of_the_file(
    sound: str, cuts: list[tuple[int, int, str]]
) -> None:
    text = sound
    for place, length, filling in cuts:
        start = place % max(len(text), 1)
        text = text[:start] + filling + text[start + length :]
    problems = problems_of(text)
    last = text.count("\n") + 1
    assert all(p.line is None or 1 <= p.line <= last for p in problems)
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        assert problems
        assert any(p.line for p in problems)


@QUIET
@given(st.text(max_size=60))
def test_any_text_is_judged(text: str) -> None:
    assert problems_of(text)
