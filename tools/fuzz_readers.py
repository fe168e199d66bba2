"""Read thousands of damaged files: nothing but a reading or a plain refusal may come of any.

Run from the root of a checkout with the ``dev`` extra installed:

    python tools/fuzz_readers.py --cases 10000 --seed 1

For each format, whole files are damaged at random (bytes flipped, cut out, doubled, inserted;
workbooks also inside their archive) and read; what can be read is measured. A case fails when
anything but a TrialkitError is raised, a warning escapes, it takes over 5 s, or the process needs
over 500 MB. Each format runs in a process of its own. Exit status 1 when a case failed; every
failing case can be repeated with ``--format F --only N``.
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from pathlib import Path

from trialkit.domain.measures import MeasureRecipe
from trialkit.errors import TrialkitError
from trialkit.ingest.measuring import measure
from trialkit.ingest.quality import recording_quality
from trialkit.ingest.reading import read_recording
from trialkit.ingest.tables import read_table

FORMATS = {
    "fit": ".fit",
    "tcx": ".tcx",
    "gpx": ".gpx",
    "csv": ".csv",
    "xlsx": ".xlsx",
    "beats": ".txt",
}
MOST_SECONDS = 5.0
MOST_MEGABYTES = 500
ROOT = Path(__file__).resolve().parents[1]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--format", choices=FORMATS)
    parser.add_argument("--only", type=int)
    given = parser.parse_args()
    if given.format is not None:
        return 0 if run_format(given.format, given.cases, given.seed, only=given.only) else 1
    bad = 0
    for name in FORMATS:
        command = [sys.executable, __file__, "--format", name]
        command += ["--cases", str(given.cases), "--seed", str(given.seed)]
        # A reader stuck in native code cannot be interrupted from within.
        bad += subprocess.run(command, timeout=given.cases * 1.0 + 60, check=False).returncode != 0
    return 1 if bad else 0


def run_format(name: str, cases: int, seed: int, *, only: int | None = None) -> bool:
    """Run all cases of one format in this process; prints one line; true when none failed."""
    whole = seeds(name)
    start, slowest, read, refused, failed = time.perf_counter(), 0.0, 0, 0, []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"case{FORMATS[name]}"
        for case in range(cases) if only is None else [only]:
            rng = random.Random(f"{seed}-{name}-{case}")
            path.write_bytes(damaged(rng, name, whole))
            begin = time.perf_counter()
            outcome = try_case(path)
            took = time.perf_counter() - begin
            slowest = max(slowest, took)
            read += outcome == "read"
            refused += outcome == "refused"
            if outcome not in ("read", "refused") or took > MOST_SECONDS:
                failed.append((case, outcome, took))
                print(f"{name} case {case} ({took:.1f} s): {outcome}", file=sys.stderr)
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{name}: {read + refused + len(failed)} cases, {read} read, {refused} refused, "
        f"{len(failed)} failed; slowest {slowest:.2f} s, peak {megabytes:.0f} MB, "
        f"{time.perf_counter() - start:.0f} s in all"
    )
    return not failed and megabytes <= MOST_MEGABYTES


def try_case(path: Path) -> str:
    """Read one file and measure what can be read: "read", "refused", or what went wrong."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            return use(path)
    except Exception:  # noqa: BLE001 - whatever it is, it is what this run looks for
        return traceback.format_exc(limit=-4)


def use(path: Path) -> str:
    if path.suffix in (".csv", ".xlsx"):
        try:
            read_table(path)
        except TrialkitError as error:
            check_told(error)
    try:
        recording = read_recording(path)
    except TrialkitError as error:
        check_told(error)
        return "refused"
    for channel in recording.channels.values():
        assert channel.time_s.shape == channel.value.shape
        assert (channel.time_s[1:] > channel.time_s[:-1]).all(), "times must increase"
    recording_quality(recording)
    for statistic in ("mean", "best", "slope", "rmssd", "nadir"):
        for name in list(recording.channels)[:3]:
            found = measure(recording, MeasureRecipe(name, "whole", statistic, seconds=5))
            assert found.value is None or found.value == found.value, "a value must be a number"
    return "read"


def check_told(error: TrialkitError) -> None:
    assert all(problem.wrong and problem.fix for problem in error.problems)


# --- files to begin with ---------------------------------------------------------------------


def seeds(name: str) -> list[bytes]:
    """Whole files of one format."""
    builders = _builders()
    if name == "fit":
        plain = builders.fit_file(60, laps=((0, 20), (20, 60)))
        return [plain, plain + builders.fit_file(20, laps=()), rich_fit(builders.HandFit)]
    if name == "xlsx":
        return [workbook()]
    if name == "beats":
        return ["\n".join(str(800 + i % 40) for i in range(60)).encode()]
    if name == "csv":
        rows = "\n".join(f"{i},{100 + i % 50},{200 + i}.5" for i in range(60))
        plain = "time_s,heart_rate,power (W)\n" + rows
        comma = "Zeit;HF;Tempo\ns;bpm;km/h\n" + rows.replace(",", ";").replace(".", ",")
        stamped = "timestamp,hr\n" + "\n".join(
            f"2026-03-02T16:00:{i:02d}Z,{100 + i}" for i in range(60)
        )
        return [plain.encode(), comma.encode("cp1252"), plain.encode("utf-16"), stamped.encode()]
    return [xml(name)]


def rich_fit(hand: type) -> bytes:
    """Developer fields, beats, compressed speed and a compressed header, by hand."""
    fit, stamp = hand(), 1_141_315_200
    fit.define(1, 207, [(1, 16, 0x0D), (3, 1, 0x02)]).data(1, bytes(range(16)), (0, 1))
    fit.define(2, 206, [(0, 1, 2), (1, 1, 2), (2, 1, 2), (3, 8, 7), (8, 4, 7)])
    fit.data(2, (0, 1), (0, 1), (0x88, 1), b"SmO2\0\0\0\0", b"%\0\0\0")
    fit.define(0, 20, [(253, 4, 0x86), (3, 1, 2), (8, 3, 0x0D)], developer=[(0, 4, 0)])
    fit.define(1, 78, [(0, 6, 0x84)]).define(2, 20, [(3, 1, 2)])
    fit.define(3, 132, [(253, 4, 0x86), (6, 1, 2), (9, 4, 0x86)]).data(
        3, (stamp, 4), (120, 1), (5000, 4)
    )
    fit.define(3, 132, [(6, 8, 2), (10, 12, 0x0D)]).data(3, bytes(range(100, 108)), bytes(12))
    for i in range(0, 60, 2):
        fit.data(0, (stamp + i, 4), (140, 1), b"\x52\x03\x01", b"\0\0\x70\x42")
        fit.data(1, (800, 2), (810, 2), (65535, 2)).data(
            2, (141, 1), compressed=(stamp + i + 1) % 32
        )
    return fit.bytes()


def xml(name: str) -> bytes:
    points = "".join(
        f"<Trackpoint><Time>2026-03-02T16:00:{i:02d}Z</Time><HeartRateBpm><Value>{100 + i}</Value>"
        f"</HeartRateBpm><Extensions><n:TPX><n:Watts>{200 + i}</n:Watts></n:TPX></Extensions>"
        "</Trackpoint>"
        for i in range(60)
    )
    if name == "tcx":
        return (
            '<?xml version="1.0"?><TrainingCenterDatabase xmlns:n="x"><Activities><Activity>'
            '<Lap StartTime="2026-03-02T16:00:00Z"><TotalTimeSeconds>60</TotalTimeSeconds><Track>'
            f"{points}</Track></Lap></Activity></Activities></TrainingCenterDatabase>"
        ).encode()
    points = "".join(
        f'<trkpt lat="60.0{i}" lon="10.1"><ele>5</ele><time>2026-03-02T16:00:{i:02d}Z</time>'
        f"<extensions><g:hr>{100 + i}</g:hr></extensions></trkpt>"
        for i in range(60)
    )
    return (
        '<?xml version="1.0"?><gpx xmlns:g="x"><wpt lat="60" lon="10">'
        "<time>2026-03-02T16:00:09Z</time><name>go</name></wpt><trk>"
        f"<trkseg>{points}</trkseg><trkseg>{points}</trkseg></trk></gpx>"
    ).encode()


def workbook() -> bytes:
    import openpyxl

    book, out = openpyxl.Workbook(), io.BytesIO()
    book.active.append(["time", "heart_rate", "power (W)"])
    for i in range(60):
        book.active.append([i, 100 + i, f"{200 + i},5"])
    book.save(out)
    return out.getvalue()


# --- damage ----------------------------------------------------------------------------------


def damaged(rng: random.Random, name: str, whole: list[bytes]) -> bytes:
    """One damaged file: a few random changes to one of the whole ones."""
    data = rng.choice(whole)
    if name == "xlsx" and rng.random() < 0.6:
        return _inside_archive(rng, data)
    return _changed(rng, data)


def _changed(rng: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 4, 16))):
        at = rng.randrange(len(out) + 1)
        length = rng.choice((1, 1, 2, 4, 16, 200))
        kind = rng.randrange(7)
        if kind == 0 and out:
            out[at % len(out)] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del out[at : at + length]
        elif kind == 2:
            out[at:at] = rng.randbytes(length)
        elif kind == 3:
            out[at:at] = out[at : at + length] * rng.choice((1, 2, 50))
        elif kind == 4:
            out[at : at + length] = (
                rng.choice((b"\0", b"\xff", b"9", b"<", b",", b'"', b"\n")) * length
            )
        elif kind == 5 and rng.random() < 0.3:
            del out[at:]
        else:
            out[at : at + length] = rng.randbytes(length)
    return bytes(out)


def _inside_archive(rng: random.Random, data: bytes) -> bytes:
    source, out = zipfile.ZipFile(io.BytesIO(data)), io.BytesIO()
    chosen = rng.choice(source.namelist())
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            content = source.read(name)
            target.writestr(name, _changed(rng, content) if name == chosen else content)
    return out.getvalue()


def _builders():
    spec = importlib.util.spec_from_file_location(
        "ingest_builders", ROOT / "tests" / "ingest" / "conftest.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


if __name__ == "__main__":
    sys.exit(main())
