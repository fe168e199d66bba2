"""One door for recordings: the reader is chosen by what the file is, plug-ins included."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.metadata import entry_points
from pathlib import Path
from typing import Final

from trialkit.domain.recordings import Integrity, Recording
from trialkit.errors import Problem, TrialkitError, UnreadableError
from trialkit.ingest.sources import ReadOptions, Source, open_source
from trialkit.ingest.stamps import zone_called

PLUG_IN_GROUP: Final = "trialkit.readers"
_DEFAULTS: Final = ReadOptions()


@dataclass(frozen=True, slots=True)
class Reader:
    """A reader of one kind of recording.

    ``claims`` looks at a source and says whether the reader can read it; ``read`` returns the
    recording, or raises ``UnreadableError`` with what is wrong and how to mend it.
    """

    name: str
    claims: Callable[[Source], bool]
    read: Callable[[Source, ReadOptions], Recording]


def _built_in() -> tuple[Reader, ...]:
    from trialkit.ingest import beats, fit, table_recording, xml_tracks

    return (
        Reader("FIT", fit.is_fit, fit.read_fit),
        Reader("TCX", xml_tracks.is_tcx, xml_tracks.read_tcx),
        Reader("GPX", xml_tracks.is_gpx, xml_tracks.read_gpx),
        Reader("XLSX", table_recording.is_workbook, table_recording.read_workbook_recording),
        Reader("beat intervals", beats.is_interval_text, beats.read_intervals),
        Reader("CSV", table_recording.is_text_table, table_recording.read_csv_recording),
    )


@lru_cache(maxsize=1)
def readers() -> tuple[tuple[Reader, ...], tuple[str, ...]]:
    """All readers, plug-ins before the built-in ones, and notes on plug-ins that failed to load.

    A plug-in is an entry point of the group ``trialkit.readers`` that names a ``Reader``.
    """
    found, notes = [], []
    for entry in entry_points(group=PLUG_IN_GROUP):
        try:
            reader = entry.load()
        except Exception as error:  # noqa: BLE001 - somebody else's code must not stop the reading
            notes.append(f"plug-in {entry.name!r} could not be loaded: {error}")
            continue
        if isinstance(reader, Reader):
            found.append(reader)
        else:
            notes.append(f"plug-in {entry.name!r} is not a Reader and was left out")
    return (*found, *_built_in()), tuple(notes)


def read_recording(path: Path, *, options: ReadOptions = _DEFAULTS) -> Recording:
    """Read one recording: FIT, TCX, GPX, CSV/TSV, XLSX or beat-interval text.

    A damaged file is read up to the fault; the result then says so in ``integrity`` and ``fault``
    and must be accepted by name before it is used (see ``accept``).

    Raises
    ------
    UnreadableError
        When nothing can be read from the file, with what it is and what to do.
    """
    source = open_source(path, options.max_bytes)
    known, notes = readers()
    for reader in known:
        try:
            claimed = reader.claims(source)
        except TrialkitError:
            raise
        except Exception as error:  # noqa: BLE001 - as above
            notes = (*notes, f"reader {reader.name!r} failed on this file: {error}")
            continue
        if claimed:
            recording = _in_zone(_read(reader, source, options), options.time_zone)
            return replace(recording, notes=(*recording.notes, *notes)) if notes else recording
    from trialkit.ingest.tables import refuse_kind

    raise refuse_kind(source, "recording (FIT, TCX, GPX, CSV or XLSX)")


def _read(reader: Reader, source: Source, options: ReadOptions) -> Recording:
    try:
        return reader.read(source, options)
    except TrialkitError:
        raise
    except (ValueError, TypeError, KeyError, IndexError, ArithmeticError, AttributeError) as error:
        raise source.refuse(
            f"content that the {reader.name} reader cannot make sense of ({error})",
            "the file is damaged or of an unknown variant.",
            "export it again, or in another format.",
        ) from error


def _in_zone(recording: Recording, time_zone: str | None) -> Recording:
    """Note the zone asked for, so that clock times of a protocol are meant there."""
    return recording if time_zone is None else replace(recording, zone=zone_called(time_zone))


def accept(recording: Recording, *, damaged: bool = False) -> Recording:
    """Return the recording when it is whole, or when its damage is accepted explicitly.

    Raises
    ------
    UnreadableError
        When the file was damaged and ``damaged`` is not true.
    """
    if recording.integrity is Integrity.OK or damaged:
        return recording
    raise UnreadableError(
        Problem(
            recording.name,
            f"a damaged file ({recording.integrity.value}): {recording.fault}",
            "a damaged recording is never used silently.",
            "copy it from the device again, or accept what could be read (--accept-damaged).",
        )
    )
