"""On which line of a TOML text each key and each list item stands.

The text has been accepted by ``tomllib`` before: the scanner only follows its structure and never
judges it. ``tomllib`` still decodes every quoted key, so escapes are read in one place only.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Final

Path = tuple[str | int, ...]

_BLANK: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY: Final = re.compile(r"[^\s.=\[\]{}#,\"']+")
_STRING: Final = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|'
    r"'''.*?'{3,5}|"
    r'"(?:[^"\\\n]|\\.)*"|'
    r"'[^'\n]*'",
    re.DOTALL,
)
_SCALAR: Final = re.compile(r"[^,\]}#\n]+")


def key_lines(text: str) -> Mapping[Path, int]:
    """Line (from 1) of every key and list item, by its path in the parsed document.

    A table that only exists through its children has the line of its first child.

    Examples
    --------
    >>> lines = key_lines('a = 1\\n[[b]]\\nc = [1,\\n 2]\\n')
    >>> lines["a",], lines["b", 0, "c"], lines["b", 0, "c", 1]
    (1, 3, 4)
    """
    return _Scanner(text).scan()


def line_of(path: Path, lines: Mapping[Path, int]) -> int | None:
    """Line of a path, or of the nearest thing that holds it; None for the file as a whole."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Scanner:
    """Walks once through the text; ``place`` is the index of the next character."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.place = 0
        self.line = 1
        self.counted = 0
        self.lines: dict[Path, int] = {}
        self.list_sizes: dict[Path, int] = {}

    def scan(self) -> Mapping[Path, int]:
        table: Path = ()
        self._skip_blank()
        while self.place < len(self.text):
            if self._sees("["):
                table = self._header()
            else:
                self._pair(table)
            self._skip_blank()
        return self.lines

    def _header(self) -> Path:
        opener = "[[" if self._sees("[[") else "["
        self.place += len(opener)
        keys = self._dotted_key()
        self.place += len(opener)
        path = (*self._resolve(keys[:-1]), keys[-1])
        self._note(path)
        if opener == "[[":
            number = self.list_sizes.get(path, 0)
            self.list_sizes[path] = number + 1
            path = (*path, number)
            self._note(path)
        return path

    def _resolve(self, keys: tuple[str, ...]) -> Path:
        """A key that names a list of tables means the last table of the list."""
        path: Path = ()
        for key in keys:
            path = (*path, key)
            self._note(path)
            if path in self.list_sizes:
                path = (*path, self.list_sizes[path] - 1)
        return path

    def _pair(self, table: Path) -> None:
        path = table
        for key in self._dotted_key():
            path = (*path, key)
            self._note(path)
        self._skip_blank()
        self.place += 1  # the equals sign
        self._value(path)

    def _value(self, path: Path) -> None:
        self._skip_blank()
        if self._sees("["):
            self._list(path)
        elif self._sees("{"):
            self._inline_table(path)
        else:
            found = _STRING.match(self.text, self.place) or _SCALAR.match(self.text, self.place)
            self.place = found.end() if found else self.place + 1

    def _list(self, path: Path) -> None:
        number = 0
        self.place += 1
        while not self._closes("]"):
            self._note((*path, number))
            self._value((*path, number))
            number += 1

    def _inline_table(self, path: Path) -> None:
        self.place += 1
        while not self._closes("}"):
            self._pair(path)

    def _closes(self, closer: str) -> bool:
        """Step over blanks and a comma; step over the closer too when it is there."""
        self._skip_blank()
        if self._sees(","):
            self.place += 1
            self._skip_blank()
        if self.place >= len(self.text):
            return True
        if self._sees(closer):
            self.place += 1
            return True
        return False

    def _dotted_key(self) -> tuple[str, ...]:
        keys = []
        while True:
            self._skip_blank()
            quoted = _STRING.match(self.text, self.place)
            found = quoted or _BARE_KEY.match(self.text, self.place)
            if found is None:
                raise ValueError(f"no key at character {self.place}")
            raw = found.group()
            keys.append(tomllib.loads(f"key = {raw}")["key"] if quoted else raw)
            self.place = found.end()
            self._skip_blank()
            if not self._sees("."):
                return tuple(keys)
            self.place += 1

    def _skip_blank(self) -> None:
        found = _BLANK.match(self.text, self.place)
        self.place = found.end() if found else self.place

    def _sees(self, mark: str) -> bool:
        return self.text.startswith(mark, self.place)

    def _note(self, path: Path) -> None:
        """Remember the line of a path's first mention."""
        self.line += self.text.count("\n", self.counted, self.place)
        self.counted = self.place
        self.lines.setdefault(path, self.line)
