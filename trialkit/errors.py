"""The error tree. Every error carries its problems and the exit status a command ends with."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong: where it is, what was found, why it is wrong, how to mend it.

    ``where`` names a file, a field or a column in the user's own words; ``line`` counts from 1.
    """

    where: str
    found: str
    wrong: str
    fix: str
    line: int | None = None

    def __str__(self) -> str:
        place = self.where if self.line is None else f"{self.where}, line {self.line}"
        return f"{place}: found {self.found}; {self.wrong} Fix: {self.fix}"


class TrialkitError(Exception):
    """Anything the user can mend. Raised once, with all its problems gathered."""

    exit_status = 2

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        self.problems = (problems,) if isinstance(problems, Problem) else tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[TrialkitError], tuple[tuple[Problem, ...]]]:
        return type(self), (self.problems,)


class RequestError(TrialkitError):
    """The request (a command's arguments, a call's values) is wrong. Exit status 2."""


class ProtocolError(TrialkitError):
    """The protocol file is wrong. Exit status 2."""


class JournalError(TrialkitError):
    """The journal refuses an entry, or is damaged or tampered with. Exit status 2."""


class UnreadableError(TrialkitError):
    """A recording or a table cannot be read, or is damaged and not accepted. Exit status 3."""

    exit_status = 3


class UnanswerableError(TrialkitError):
    """The design or the data cannot answer the question that was asked. Exit status 4."""

    exit_status = 4
