"""Check a protocol: problems of the file, threats to the answer, a repaired version on request."""

from __future__ import annotations

from pathlib import Path

from trialkit.app.answers import Answer
from trialkit.app.documents import Document, problems_document
from trialkit.app.folders import write_file, write_new_file
from trialkit.design.repair import repair
from trialkit.design.threats import find_threats
from trialkit.domain.allocations import Severity, Threat
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, ProtocolError, RequestError
from trialkit.protocol import load
from trialkit.protocol.writing import to_toml

UNSOUND = 4


def protocol_path(path: Path) -> Path:
    """The protocol file meant by a path to it or to its trial's folder."""
    return path / "protocol.toml" if path.is_dir() else path


def check_protocol(path: Path, *, repair_to: Path | None, report_to: Path | None = None) -> Answer:
    """Validate a protocol and list what threatens its answer.

    A file with problems ends with exit status 2, one whose question cannot be answered with 4.

    Raises
    ------
    RequestError
        When the file to repair to exists, or the report's ending says no format known here.
    """
    try:
        protocol = load(protocol_path(path))
    except ProtocolError as error:
        return _with_problems(error, repair_to)
    plan = protocol.plan()
    threats = find_threats(plan)
    unsound = any(t.severity is Severity.CANNOT_ANSWER for t in threats)
    lines = [f"{protocol_path(path)}: the file is in order.", *_threat_lines(threats)]
    document: Document = {
        "ok": not unsound,
        "problems": [],
        "threats": [_threat_document(t) for t in threats],
    }
    if plan.unfilled:
        lines += ["", "Still to be filled in: " + ", ".join(plan.unfilled)]
        document["unfilled"] = list(plan.unfilled)
    if repair_to is not None:
        repaired = _repaired(plan, repair_to)
        lines += ["", *repaired["lines"]]
        document["repaired"] = {"file": repaired["file"], "changes": repaired["changes"]}
    if report_to is not None:
        write_file(report_to, _protocol_report(plan, report_to))
        lines += ["", f"The protocol's checklist is in {report_to}"]
        document["protocol_report"] = str(report_to)
    return Answer("\n".join(lines), document, exit_status=UNSOUND if unsound else 0)


def _repaired(plan: Plan, path: Path) -> Document:
    """Write the repaired protocol where anything could be mended without asking anybody."""
    better, changes = repair(plan)
    told = [f"  - {c}" for c in changes]
    if all(c.startswith("left open") for c in changes):
        lines = [f"Nothing could be repaired without asking you; {path} was not written.", *told]
        return {"lines": lines, "file": None, "changes": list(changes)}
    write_new_file(path, to_toml(better).encode())
    lines = [f"A repaired protocol is in {path}:", *told]
    return {"lines": lines, "file": str(path), "changes": list(changes)}


def _protocol_report(plan: Plan, path: Path) -> bytes:
    from trialkit.report.protocol_page import FORMATS, protocol_report

    ending = path.suffix.lower()
    if ending not in FORMATS:
        raise RequestError(
            Problem(
                where="--protocol-report",
                found=path.name,
                wrong="the ending says no format known here.",
                fix="use " + " or ".join(FORMATS) + ".",
            )
        )
    return protocol_report(plan, ending).encode()


def _with_problems(error: ProtocolError, repair_to: Path | None) -> Answer:
    lines = []
    for p in error.problems:
        where = p.where if p.line is None else f"line {p.line}, {p.where}"
        lines += [f"{where}: found {p.found}", f"  wrong: {p.wrong}", f"  fix:   {p.fix}"]
    count = len(error.problems)
    lines.append(f"{count} problem{'s' if count > 1 else ''}; threats are looked for once mended.")
    if repair_to is not None:
        lines.append(f"A file with problems is mended by hand first; {repair_to} was not written.")
    document: Document = {"ok": False, "problems": problems_document(error.problems), "threats": []}
    return Answer("\n".join(lines), document, exit_status=error.exit_status)


def _threat_lines(threats: tuple[Threat, ...]) -> list[str]:
    if not threats:
        return ["No threat was found to the answer of this plan."]
    lines = []
    for threat in threats:
        size = "" if threat.size is None else f" [{threat.size:.3g} {threat.unit or ''}]".rstrip()
        lines += ["", f"{threat.severity.upper()}: {threat.text}{size}", f"  fix: {threat.fix}"]
    return lines


def _threat_document(threat: Threat) -> Document:
    return {
        "id": threat.id,
        "severity": str(threat.severity),
        "text": threat.text,
        "size": threat.size,
        "unit": threat.unit,
        "fix": threat.fix,
    }
