"""What a person says about a file that the file does not say itself, as typed and as stored."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from trialkit.errors import Problem, RequestError

if TYPE_CHECKING:
    from trialkit.ingest.sources import ReadOptions

_YES_NO = {"yes": True, "no": False}
_TEXTS = ("time_zone", "delimiter", "decimal", "sheet", "time_column")
_NAMED = {"channel": "channels", "unit": "units"}


def parse_settings(pairs: Sequence[str]) -> dict[str, str]:
    """Read ``KEY=VALUE`` texts; keys are checked when they are used.

    Raises
    ------
    RequestError
        When a text has no ``=`` or a key is not known.
    """
    problems, settings = [], {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        known = key in (*_TEXTS, "day_first") or key.partition(".")[0] in _NAMED
        if not equals or not known or not value:
            problems.append(
                Problem(
                    where="--read",
                    found=repr(pair),
                    wrong="it is not KEY=VALUE with a key known here.",
                    fix="use " + ", ".join(_TEXTS) + ", day_first=yes or no, "
                    "channel.COLUMN=heart_rate, unit.COLUMN=bpm.",
                )
            )
        settings[key] = value
    if problems:
        raise RequestError(problems)
    return settings


def read_options(settings: Mapping[str, Any], *, time_zone: str) -> ReadOptions:
    """Turn settings into options of the readers; clock times without zone are in ``time_zone``.

    Raises
    ------
    RequestError
        When a value does not fit its key.
    """
    from trialkit.ingest.sources import ReadOptions

    fields: dict[str, Any] = {"time_zone": time_zone, "channels": {}, "units": {}}
    for key, value in settings.items():
        name, _, column = key.partition(".")
        if name in _NAMED:
            fields[_NAMED[name]][column] = value
        else:
            fields[key] = _READ_BY.get(key, str)(value)
    return ReadOptions(**fields)


def _yes_no(value: str) -> bool:
    if value not in _YES_NO:
        raise RequestError(
            Problem(
                where="--read day_first",
                found=repr(value),
                wrong="an answer is needed.",
                fix="use day_first=yes for 31/12/2026, day_first=no for 12/31/2026.",
            )
        )
    return _YES_NO[value]


def _zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError):
        raise RequestError(
            Problem(
                where="--read time_zone",
                found=repr(value),
                wrong="is not a time zone of the IANA list.",
                fix="use a name such as Europe/Oslo or UTC.",
            )
        ) from None
    return value


_READ_BY: dict[str, Callable[[str], Any]] = {"day_first": _yes_no, "time_zone": _zone}
