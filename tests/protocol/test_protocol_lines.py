"""The line of every key and list item, against a writer that knows where it wrote them."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.protocol.lines import key_lines, line_of

TRICKY = ["", "[not.a.table]", "a = 1", "# no comment", "{x}", '"', "'", '""', "é\n[[b]]\nc = 2\n"]
BARE = st.text("abcXYZ019_-", min_size=1, max_size=4)
KEYS = BARE | st.sampled_from(["a b", "x.y", "", "é", 'q"q', "[k]", "#k", "=", "t\tt"])
TEXTS = st.sampled_from(TRICKY) | st.text("ab \n\"'[]{}#=,\\", max_size=8)
VALUES = st.recursive(
    st.integers(-9, 9) | st.booleans() | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=6,
)
TABLES = st.dictionaries(KEYS, VALUES, max_size=4)


class Writer:
    """Writes TOML in many ways and notes the line of everything it writes."""

    def __init__(self, choose: Callable[[list[Any]], Any]) -> None:
        self.choose = choose
        self.text = ""
        self.lines: dict[tuple[str | int, ...], int] = {}

    def note(self, path: tuple[str | int, ...]) -> None:
        self.lines.setdefault(path, self.text.count("\n") + 1)

    def gap(self) -> str:
        return str(self.choose(["", " ", "\n", ' # [x] = "1\n', "\n  \n"]))

    def key(self, key: str) -> str:
        bare = key and set(key) <= set("abcXYZ019_-")
        return key if bare and self.choose([True, False]) else json.dumps(key)

    def string(self, text: str, *, lines: bool) -> str:
        ways = [json.dumps(text)]
        if "'" not in text and "\n" not in text:
            ways.append(f"'{text}'")
        if lines and "\\" not in text:
            ways.append('"""\n' + text.replace('"', '\\"') + '"""')
            ways.append('"""\\\n  ' + text.replace('"""', '""\\"') + '.\\"."""')
        if lines and "'" not in text:
            ways.append("'''\n" + text + "'''")
        return str(self.choose(ways))

    def value(self, path: tuple[str | int, ...], value: Any, *, lines: bool = True) -> None:
        if isinstance(value, dict):
            self.text += "{"
            for number, (key, item) in enumerate(value.items()):
                self.text += ", " if number else " "
                self.note((*path, key))
                self.text += self.key(key) + " = "
                self.value((*path, key), item, lines=lines)
            self.text += "}"
        elif isinstance(value, list):
            self.text += "["
            for number, item in enumerate(value):
                self.text += self.gap() if lines else ""
                self.note((*path, number))
                self.value((*path, number), item, lines=lines)
                self.text += (self.gap() if lines else "") + ","
            self.text += (self.gap() if lines else "") + "]"
        elif isinstance(value, str):
            self.text += self.string(value, lines=lines)
        else:
            self.text += json.dumps(value)

    def table(self, path: tuple[str | int, ...], table: dict[str, Any]) -> None:
        for key, value in table.items():
            self.note((*path, key))
            self.text += f"{self.key(key)} ="
            self.value((*path, key), value)
            self.text += self.choose(["\n", ' # """ = [\n', "\r\n", "\n\n"])


def paths_of(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    items = value.items() if isinstance(value, dict) else enumerate(value)
    found = set()
    for key, item in items:
        found.add((*path, key))
        if isinstance(item, dict | list):
            found |= paths_of(item, (*path, key))
    return found


LISTS = st.dictionaries(KEYS, st.lists(TABLES, min_size=1, max_size=3), max_size=3)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(st.integers(0, 2**32), TABLES, LISTS)
def test_every_key_and_item_has_the_line_it_was_written_on(seed, root, lists) -> None:
    writer = Writer(Random(seed).choice)
    writer.table((), root)
    for name, tables in lists.items():
        if name in root:
            continue
        for number, table in enumerate(tables):
            writer.note((name,))
            writer.note((name, number))
            writer.text += f"[[{writer.key(name)}]]\n"
            writer.table((name, number), table)
            writer.note((name, number, "sub"))
            writer.note((name, number, "sub", "deep"))
            writer.text += f"[ {writer.key(name)} . sub.'deep' ]\n"
            writer.note((name, number, "sub", "deep", "dotted"))
            writer.note((name, number, "sub", "deep", "dotted", "key"))
            writer.text += 'dotted . "key" = 1979-05-27 07:32:00\n'
            writer.note((name, number, "sub", "deep", "dotted", "two"))
            writer.text += "dotted.two = +1_0.0e-1\n"
    document = tomllib.loads(writer.text)
    lines = key_lines(writer.text)
    assert set(lines) == paths_of(document)
    assert lines == writer.lines


def test_a_place_without_a_line_has_the_line_of_what_holds_it() -> None:
    lines = key_lines("a = 1\n[b]\nc = 2\n")
    assert line_of(("b", "missing", 3), lines) == 2
    assert line_of(("nothing",), lines) is None


@pytest.mark.parametrize("ending", ['"', '""'])
def test_quotes_may_touch_the_end_of_a_long_text(ending: str) -> None:
    text = f'a = """x{ending}"""\nb = 1\n'
    assert tomllib.loads(text)["a"] == "x" + ending
    assert key_lines(text) == {("a",): 1, ("b",): 2}
