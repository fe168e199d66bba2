"""Faults that only show between fields, in what is compared, measured, timed and analysed.

Each check needs its tables, and only those, to be right on their own: a slip in one table does not
hide what is wrong between two others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from trialkit.domain.measures import CHANNELS, LEVEL_STATISTICS, TIME_STATISTICS
from trialkit.domain.units import find_unit
from trialkit.protocol.conduct import AnalysisTable, CalendarTable, DesignTable, RolesTable
from trialkit.protocol.design_relations import design_faults, rest_faults, session_faults
from trialkit.protocol.dictionary import keys_of
from trialkit.protocol.findings import Finding, written
from trialkit.protocol.lines import Path
from trialkit.protocol.measurement import ConditionTable, MeasureTable, OutcomeTable, SegmentTable
from trialkit.protocol.schema import Protocol


@dataclass(frozen=True)
class Parts:
    """What of a file is right on its own: whole top tables, and single items of list tables."""

    whole: Mapping[str, Any]
    items: Mapping[Path, Any]


def right_parts(data: Mapping[str, Any]) -> Parts:
    """The parts of a file that are right on their own, whatever the others look like."""
    whole: dict[str, Any] = {}
    items: dict[Path, Any] = {}
    for name, info in Protocol.model_fields.items():
        adapter: TypeAdapter[Any] = TypeAdapter(info.rebuild_annotation())
        if name in data:
            _keep(whole, name, adapter, data[name])
        elif not info.is_required():
            whole[name] = info.default
    for name, table in (("outcomes", OutcomeTable), ("segments", SegmentTable)):
        found = data.get(name)
        for index, item in enumerate(found if isinstance(found, list) else []):
            _keep(items, (name, index), TypeAdapter(table), item)
    return Parts(whole, items)


def _keep(into: dict[Any, Any], key: Any, adapter: TypeAdapter[Any], value: object) -> None:
    try:
        into[key] = adapter.validate_python(value)
    except ValidationError:
        return  # told by the check of the single fields


def relation_findings(parts: Parts) -> Iterator[Finding]:
    """Every fault between fields that can be judged from the parts that are right."""
    for needs, check in _CHECKS:
        if all(name in parts.whole for name in needs):
            yield from check(*(parts.whole[name] for name in needs))
    for (name, index), item in parts.items.items():
        yield from _ITEM_CHECKS[str(name)](item, (name, index))


def _condition_faults(conditions: tuple[ConditionTable, ...]) -> Iterator[Finding]:
    if len(conditions) < 2:
        yield Finding(
            ("conditions",),
            str(len(conditions)),
            "a comparison needs at least two conditions.",
            "add another [[conditions]] table.",
        )
    references = [i for i, c in enumerate(conditions) if c.reference]
    if not references:
        yield Finding(
            ("conditions",),
            "no reference",
            "one condition is the one the others are compared with.",
            "add reference = true to that condition.",
        )
    for index in references[1:]:
        yield Finding(
            ("conditions", index, "reference"),
            "true",
            f'"{conditions[references[0]].name}" is the reference already.',
            "keep reference = true in one condition only.",
        )


def _same_names(name: str) -> Callable[[tuple[Any, ...]], Iterator[Finding]]:
    def check(tables: tuple[Any, ...]) -> Iterator[Finding]:
        seen: set[str] = set()
        for index, table in enumerate(tables):
            if table.name in seen:
                yield Finding(
                    (name, index, "name"),
                    written(table.name),
                    "the name is taken by an earlier table.",
                    "give each its own name.",
                )
            seen.add(table.name)

    return check


def _outcome_faults(outcome: OutcomeTable, path: Path) -> Iterator[Finding]:
    wanted = "%" if outcome.scale == "log" else outcome.unit
    why = (
        "on the log scale differences are in percent."
        if outcome.scale == "log"
        else ("it must have the outcome's own unit.")
    )
    for key in ("worthwhile", "typical_error"):
        figure = getattr(outcome, key)
        if figure is not None and figure.unit != wanted:
            percent = figure.unit == "%"
            other = ', or set scale = "log"' if percent else ""
            fix = f'give the figure in {wanted}, with unit = "{wanted}"{other}.'
            yield Finding((*path, key, "unit"), written(figure.unit), why, fix)
    if outcome.measure is not None:
        yield from _measure_faults(outcome.measure, outcome.unit, (*path, "measure"))


def _measure_faults(measure: MeasureTable, unit: str, path: Path) -> Iterator[Finding]:
    for key in measure.model_extra or {}:
        near = get_close_matches(key, keys_of(MeasureTable), n=1, cutoff=0.75)
        if near:
            yield Finding(
                (*path, key),
                f'the key "{key}"',
                "it would be taken for a setting of the statistic.",
                f'did you mean "{near[0]}"?',
            )
    given = {
        **dict.fromkeys(LEVEL_STATISTICS, CHANNELS[measure.channel]),
        **dict.fromkeys(TIME_STATISTICS, "s"),
    }.get(measure.statistic)
    if given and find_unit(given).dimension != find_unit(unit).dimension:
        yield Finding(
            (*path, "statistic"),
            f'"{measure.statistic}" of {measure.channel}',
            f"its value is in {given}, which cannot become the outcome's unit {unit}.",
            f'give the outcome unit = "{given}", or choose another channel or statistic.',
        )


def _segment_faults(segment: SegmentTable, path: Path) -> Iterator[Finding]:
    ways = ("lap", "event", "elapsed_s", "clock", "channel")
    given = [way for way in ways if getattr(segment, way) is not None]
    if len(given) != 1:
        yield Finding(
            path,
            " and ".join(given) or "no way to find it",
            "a segment is found in exactly one way.",
            f"give one of {', '.join(ways)}.",
        )
    if (segment.channel is None) != (segment.above is None):
        yield Finding(
            path,
            "channel without above" if segment.above is None else "above without channel",
            "a threshold needs its channel and its level.",
            'write both, such as channel = "power" and above = 200.',
        )
    for key in ("elapsed_s", "clock"):
        ends = getattr(segment, key)
        if ends is not None and not ends[0] < ends[1]:
            yield _backwards((*path, key), ends)


def _segment_names(
    outcomes: tuple[OutcomeTable, ...], segments: tuple[SegmentTable, ...]
) -> Iterator[Finding]:
    names = [segment.name for segment in segments]
    for index, outcome in enumerate(outcomes):
        asked = outcome.measure.segment if outcome.measure else None
        near = get_close_matches(asked or "", names, n=1, cutoff=0.75)
        if asked and near and asked not in names and not asked.startswith(("lap ", "round ")):
            yield Finding(
                ("outcomes", index, "measure", "segment"),
                written(asked),
                "no segment of this name is declared.",
                f'did you mean "{near[0]}"?',
            )


def _calendar_faults(calendar: CalendarTable) -> Iterator[Finding]:
    if len(set(calendar.weekdays)) < len(calendar.weekdays):
        yield Finding(
            ("calendar", "weekdays"),
            written(calendar.weekdays),
            "a day is named twice.",
            "name each day once.",
        )
    for index, blackout in enumerate(calendar.blackout):
        if blackout.last < blackout.first:
            yield _backwards(("calendar", "blackout", index), (blackout.first, blackout.last))
    if calendar.window is None:
        return
    start, end = (60 * clock.hour + clock.minute for clock in calendar.window)
    if end <= start:
        yield _backwards(("calendar", "window"), calendar.window)
    elif end - start < calendar.session_min:
        yield Finding(
            ("calendar", "window"),
            f"{end - start} min",
            f"a session of {calendar.session_min} min does not fit.",
            "widen the window or shorten session_min.",
        )


def _look_faults(analysis: AnalysisTable, design: DesignTable) -> Iterator[Finding]:
    most = analysis.max_blocks or design.blocks
    if most < design.blocks:
        yield Finding(
            ("analysis", "max_blocks"),
            str(most),
            f"the design has {design.blocks} blocks already.",
            f"give {design.blocks} or more, or leave it out.",
        )
    path = ("analysis", "looks")
    if analysis.looks and max(analysis.looks) > most:
        yield Finding(
            path,
            written(analysis.looks),
            f"the trial ends after {most} blocks.",
            f"give looks up to {most}, or raise the number of blocks.",
        )


def _look_order(analysis: AnalysisTable) -> Iterator[Finding]:
    path = ("analysis", "looks")
    if any(b <= a for a, b in zip(analysis.looks, analysis.looks[1:], strict=False)):
        yield Finding(
            path, written(analysis.looks), "each look comes after the one before.", "sort them."
        )


def _backwards(path: Path, ends: tuple[object, object]) -> Finding:
    return Finding(
        path,
        f"{written(ends[0])} to {written(ends[1])}",
        "it ends before it begins.",
        "give the earlier one first.",
    )


def _role_faults(roles: RolesTable) -> Iterator[Finding]:
    """Who opens the conditions, or keeps the key, cannot be blind to them."""
    knowing = {roles.opens_sequence: "opens the sequence", roles.keyholder: "keeps the key"}
    for index, role in enumerate(roles.blind):
        person = "athlete" if role == "athlete" else getattr(roles, role)
        if person and person in knowing:
            yield Finding(
                ("roles", "blind", index),
                f"{role} ({person})",
                f"{person} {knowing[person]} and so knows the conditions.",
                f'leave "{role}" out of blind, or give that task to somebody else.',
            )


_CHECKS: Final[tuple[tuple[tuple[str, ...], Callable[..., Iterator[Finding]]], ...]] = (
    (("conditions",), _condition_faults),
    (("conditions",), _same_names("conditions")),
    (("outcomes",), _same_names("outcomes")),
    (("segments",), _same_names("segments")),
    (("outcomes", "segments"), _segment_names),
    (("conditions", "design", "calendar"), design_faults),
    (("rest",), rest_faults),
    (("design", "rest"), session_faults),
    (("calendar",), _calendar_faults),
    (("analysis",), _look_order),
    (("analysis", "design"), _look_faults),
    (("roles",), _role_faults),
)
_ITEM_CHECKS: Final[Mapping[str, Callable[[Any, Path], Iterator[Finding]]]] = {
    "outcomes": _outcome_faults,
    "segments": _segment_faults,
}
