"""A complete invented trial, run through the same doors as a user's, with a clock of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from hashlib import sha256
from importlib.resources import as_file, files
from importlib.resources.abc import Traversable
from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.dating import date_trial, planned_starts
from trialkit.app.folders import TrialFolder, write_file
from trialkit.app.ingesting import IngestRequest, ingest
from trialkit.app.new import beside_schema
from trialkit.app.opening import open_next
from trialkit.app.randomise import DrawRequest, randomise
from trialkit.app.recording import RecordRequest, record
from trialkit.app.verifying import verify
from trialkit.design.allocation import draw
from trialkit.domain.allocations import Allocation
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError
from trialkit.journal.records import Phase
from trialkit.protocol import loads

SEED = 2026
INVENTED = "Everything in this trial is invented: the athlete, the numbers and the recordings."
_OWN_FILES = {
    "protocol.toml",
    "trial.db",
    "recordings",
    "report",
    "calendar.ics",
    "session-cards.html",
}
# Mean power (W) of the two practice efforts, and what was noted beside some periods: invented.
_PRACTICE = ("281", "286")
_EXPECTED = {1: "warm"}
_HARMS = {7: "slight calf cramp in the last minute, gone after ten minutes"}
_NOTES = {10: "a short night after travel; held as planned"}


def demo_data() -> Traversable:
    """Where the demo's protocol and recordings are kept in the package."""
    return files("trialkit.app") / "demo_data"


def demo_plan() -> Plan:
    """Plan of the invented trial."""
    text = (demo_data() / "protocol.toml").read_text(encoding="utf-8")
    return loads(text, where="the demo's protocol").plan()


def demo_allocation() -> Allocation:
    """The order the demo draws."""
    return draw(demo_plan(), seed=SEED)


def demo_starts(allocation: Allocation) -> list[datetime]:
    """When the demo's periods start, in their order."""
    starts = planned_starts(demo_plan(), allocation)
    return [starts[period.number] for period in allocation.periods]


def run_demo(root: Path, *, force: bool, tell: Callable[[str], None]) -> Answer:
    """Write the invented trial into a folder, run every step on it, and report.

    Raises
    ------
    RequestError
        When the folder holds something else, or an earlier demo without ``force``.
    """
    from trialkit.app.reporting import ReportRequest, write_report

    _make_room(root, force=force)
    tell(INVENTED)
    text = (demo_data() / "protocol.toml").read_text(encoding="utf-8")
    write_file(TrialFolder(root).protocol, beside_schema(text).encode())
    allocation = demo_allocation()
    starts = demo_starts(allocation)
    practice = planned_starts(demo_plan(), allocation, phase=Phase.FAMILIARISATION)
    before = practice[1] - timedelta(days=7)
    tell("Drawing and sealing the order ...")
    randomise(root, DrawRequest(entropy=invented_entropy(), seed=SEED), at=before, who="demo coach")
    date_trial(root, start="", at=before, who="demo coach")
    for i, watts in enumerate(_PRACTICE, start=1):
        typed = RecordRequest(
            period=i, phase=Phase.FAMILIARISATION, outcome="mean_power", value=watts
        )
        record(root, typed, at=practice[i] + timedelta(minutes=45), who="demo coach")
    with as_file(demo_data() / "recordings") as recordings:
        for number, start in enumerate(starts, start=1):
            tell(f"Period {number} of {len(starts)}: open, record, measure ...")
            _run_period(root, number, recordings / f"session-{number:02d}.fit", start)
    end = starts[-1] + timedelta(hours=2)
    tell("Analysing and writing the page ...")
    report = write_report(root, ReportRequest(), at=end, who="demo analyst")
    checked = verify(root)
    return _answer(root, report, checked)


def invented_entropy() -> Callable[[int], bytes]:
    """Secret bytes that are no secret: the demo must give the same bytes every time."""
    count = 0

    def take(n: int) -> bytes:
        nonlocal count
        count += 1
        return sha256(f"trialkit demo {count}".encode()).digest()[:n]

    return take


def _make_room(root: Path, *, force: bool) -> None:
    found = {p.name for p in root.iterdir()} if root.is_dir() else set()
    foreign = sorted(n for n in found - _OWN_FILES if not n.endswith(".schema.json"))
    if root.is_file() or foreign or (found and not force):
        what = "a file" if root.is_file() else ", ".join(foreign or sorted(found))
        raise RequestError(
            Problem(
                where=str(root),
                found=what,
                wrong="the demo writes into a new or empty folder only.",
                fix="choose another folder"
                + ("." if foreign or root.is_file() else ", or replace the demo with --force."),
            )
        )
    if found and not _is_demo(root):
        raise RequestError(
            Problem(
                where=str(root),
                found="a trial that is not the demo",
                wrong="--force replaces an earlier demo and nothing else.",
                fix="choose another folder.",
            )
        )
    for name in found & _OWN_FILES:
        path = root / name
        shutil.rmtree(path) if path.is_dir() else path.unlink()


def _is_demo(root: Path) -> bool:
    """Whether the folder's protocol is the demo's own: nobody's trial may be deleted."""
    protocol = TrialFolder(root).protocol
    text = (demo_data() / "protocol.toml").read_text(encoding="utf-8")
    return protocol.is_file() and protocol.read_text(encoding="utf-8") == beside_schema(text)


def _run_period(root: Path, number: int, recording: Path, start: datetime) -> None:
    if number in _NOTES:
        noted = RecordRequest(note=_NOTES[number], period=number)
        record(root, noted, at=start - timedelta(hours=5), who="demo coach")
    open_next(root, code="", at=start, who="demo coach")
    after = start + timedelta(minutes=45)
    said = RecordRequest(
        period=number, expectation=_EXPECTED.get(number, ""), harm=_HARMS.get(number, "")
    )
    if said.expectation or said.harm:
        record(root, said, at=after, who="demo coach")
    request = IngestRequest(files=(recording,), period=number)
    ingest(root, request, at=after + timedelta(minutes=5), who="demo coach")


def _answer(root: Path, report: Answer, checked: Answer) -> Answer:
    import json

    analysis = json.loads((TrialFolder(root).report / "analysis.json").read_text("utf-8"))
    primary = analysis["outcomes"][0]
    contrast = primary["contrasts"][0]
    low, high = contrast["ci"]
    text = (
        f"{INVENTED}\n\n"
        f"Verdict: {primary['verdict']}\n"
        f"{contrast['condition']} minus {contrast['reference']}: {contrast['estimate']:+.1f} % "
        f"(95 % interval {low:+.1f} to {high:+.1f} %), "
        f"margin {primary['decision']['margin']:.1f} %\n"
        f"{checked.text.splitlines()[-1]}\n\n"
        f"The page: {report.document['page']}"
    )
    return Answer(
        text,
        {
            "invented": True,
            "verdict": primary["verdict"],
            "primary": primary,
            "page": report.document["page"],
            "verified": checked.document["ok"],
        },
    )
