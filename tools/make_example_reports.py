"""Build the example reports anew: invented trials through the same doors as anybody's.

Run from the root of a checkout with the ``dev`` extra installed:

    python tools/make_example_reports.py [NAME ...]

Each trial is run in a temporary folder with a clock and a seed of its own and its page copied to
``reports/``. All numbers are invented: drawn from one seed per scenario, with the effects and the
noise named in ``SCENARIOS``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from trialkit.app.dating import date_trial, planned_starts
from trialkit.app.demo import invented_entropy, run_demo
from trialkit.app.opening import open_next
from trialkit.app.pooling import SeriesColumns, SeriesPage, pool_table
from trialkit.app.randomise import DrawRequest, randomise
from trialkit.app.recording import RecordRequest, record
from trialkit.app.reporting import ReportRequest, write_report
from trialkit.design.allocation import draw
from trialkit.domain.plans import Plan
from trialkit.journal.records import Phase
from trialkit.protocol import loads

OUT = Path(__file__).resolve().parents[1] / "reports"
WHO = "example"


@dataclass(frozen=True)
class Measurement:
    """How one outcome is invented: level, effect of the condition, SDs of pair, noise, memory."""

    level: float
    effect: float
    pair_sd: float
    noise: float
    digits: int = 0
    memory: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """One invented trial; keys of ``missed``, ``harms``, ``guesses``, ``held_as`` are periods."""

    seed: int
    condition: str
    measurements: dict[str, Measurement]
    practice: dict[str, tuple[float, ...]] = field(default_factory=dict)
    covariate: str = ""
    missed: dict[int, str] = field(default_factory=dict)
    harms: dict[int, str] = field(default_factory=dict)
    held_as: dict[int, tuple[str, str]] = field(default_factory=dict)
    expects: str = ""


SCENARIOS = {
    "socks": Scenario(
        seed=11,
        condition="tight",
        measurements={
            "heart_rate": Measurement(146, 0.1, 2.0, 1.7),
            "effort": Measurement(12, -0.4, 0.4, 0.6),
        },
        practice={"heart_rate": (147, 146)},
        missed={9: "a cold; run not held"},
        harms={4: "toes a little numb, gone at once after taking the socks off"},
        expects="tight",
    ),
    "music": Scenario(
        seed=5,
        condition="music",
        measurements={"pull_ups": Measurement(14, 0.8, 0.9, 1.1)},
        practice={"pull_ups": (12, 14)},
        harms={1: "none"},
    ),
    "screen": Scenario(
        seed=3,
        condition="no_screen",
        measurements={
            "reaction": Measurement(262, -11.0, 0.0, 11.0, memory=0.5),
            "sleep": Measurement(6.4, 0.8, 0.0, 1.2),
        },
        practice={"reaction": (275, 270, 266, 264, 265)},
        covariate="sleep_h",
        missed={13: "away from home", 14: "away from home"},
        held_as={31: ("usual", "fell asleep in front of a film")},
        harms={1: "none"},
        expects="no_screen",
    ),
}


def main(names: list[str]) -> int:
    for name in names or BUILDERS:
        path = OUT / f"{name}.html"
        path.write_bytes(BUILDERS[name]())
        print(f"{path}: {path.stat().st_size // 1000} kB")
    return 0


def warm_up() -> bytes:
    """The page of ``trialkit demo``: recordings, curves, a verdict that it helps."""
    with TemporaryDirectory() as folder:
        root = Path(folder) / "trial"
        run_demo(root, force=False, tell=lambda _: None)
        return (root / "report" / "index.html").read_bytes()


def typed(name: str) -> Callable[[], bytes]:
    """The builder of a trial with typed results."""

    def build() -> bytes:
        with TemporaryDirectory() as folder:
            root = Path(folder)
            text = (OUT / "scenarios" / f"{name}.toml").read_text(encoding="utf-8")
            (root / "protocol.toml").write_text(text, encoding="utf-8")
            end = run(root, loads(text, where=name).plan(), SCENARIOS[name])
            write_report(root, ReportRequest(), at=end, who=WHO)
            return (root / "report" / "index.html").read_bytes()

    return build


def run(root: Path, plan: Plan, scenario: Scenario) -> datetime:
    """Draw, date, hold every period and enter what came of it; give the time of the end."""
    allocation = draw(plan, seed=scenario.seed)
    starts = draw_and_date(root, plan, scenario)
    practice = planned_starts(plan, allocation, phase=Phase.FAMILIARISATION)
    before = practice[1] - timedelta(days=7)
    if scenario.expects:
        said = RecordRequest(expectation=scenario.expects, person="athlete")
        record(root, said, at=before, who=WHO)
    for outcome, values in scenario.practice.items():
        for number, value in enumerate(values, start=1):
            one = RecordRequest(
                period=number,
                phase=Phase.FAMILIARISATION,
                outcome=outcome,
                value=f"{value:g}",
            )
            record(root, one, at=practice[number] + timedelta(minutes=10), who=WHO)
    rows = invented_values(scenario, allocation.sequence, [p.block for p in allocation.periods])
    for number, (start, row) in enumerate(zip(starts, rows, strict=True), start=1):
        hold(root, scenario, number, start, row)
    return max(starts) + timedelta(hours=3)


def draw_and_date(root: Path, plan: Plan, scenario: Scenario) -> list[datetime]:
    """Draw, seal and date a trial a week before its first practice; give its periods' starts."""
    allocation = draw(plan, seed=scenario.seed)
    practice = planned_starts(plan, allocation, phase=Phase.FAMILIARISATION)
    before = practice[1] - timedelta(days=7)
    request = DrawRequest(entropy=invented_entropy(), seed=scenario.seed)
    randomise(root, request, at=before, who=WHO)
    date_trial(root, start="", at=before, who=WHO)
    starts = planned_starts(plan, allocation)
    return [starts[p.number] for p in allocation.periods]


def invented_values(
    scenario: Scenario, sequence: tuple[str, ...], blocks: list[int]
) -> list[dict[str, str]]:
    """What every period gives, as it would be typed."""
    rng = np.random.default_rng(scenario.seed)
    rows: list[dict[str, str]] = [{} for _ in sequence]
    for name, how in scenario.measurements.items():
        day = rng.normal(0, how.pair_sd, max(blocks) + 1)
        noise = rng.normal(0, how.noise)
        for i, condition in enumerate(sequence):
            fresh = rng.normal(0, how.noise * np.sqrt(1 - how.memory**2))
            noise = how.memory * noise + fresh if i else noise
            held = scenario.held_as.get(i + 1, (condition, ""))[0]
            effect = how.effect * (held == scenario.condition)
            rows[i][name] = f"{how.level + day[blocks[i]] + effect + noise:.{how.digits}f}"
    if scenario.covariate:
        for row in rows:
            row[scenario.covariate] = f"{rng.normal(7.0, 0.7):.1f}"
    return rows


def hold(root: Path, scenario: Scenario, number: int, start: datetime, row: dict[str, str]) -> None:
    """Open one period and enter its results, or that it was missed."""
    if number in scenario.missed:
        why = RecordRequest(period=number, deviation="missed", reason=scenario.missed[number])
        record(root, why, at=start, who=WHO)
        return
    open_next(root, code="", at=start, who=WHO)
    after = start + timedelta(minutes=40)
    for i, name in enumerate(scenario.measurements):
        first = i == 0
        one = RecordRequest(
            period=number,
            outcome=name,
            value=row[name],
            covariates=(f"{scenario.covariate}={row[scenario.covariate]}",)
            if first and scenario.covariate
            else (),
            harm=scenario.harms.get(number, "") if first else "",
            delivered=scenario.held_as.get(number, ("", ""))[0] if first else "",
            note=scenario.held_as.get(number, ("", ""))[1] if first else "",
        )
        record(root, one, at=after, who=WHO)


def squad() -> bytes:
    """A series: seven invented rowers, four pairs each, on one protocol."""
    rng = np.random.default_rng(21)
    lines = ["athlete,pair,setting,Mean power"]
    for i in range(7):
        level, effect = rng.normal(310, 25), rng.normal(4.0, 3.0)
        for pair in range(1, 5):
            day = rng.normal(0, 4)
            for setting, lift in (("heavy gearing", effect), ("light gearing", 0.0)):
                watts = level + day + lift + rng.normal(0, 4.5)
                lines.append(f"Rower {'ABCDEFG'[i]},{pair},{setting},{watts:.0f}")
    with TemporaryDirectory() as folder:
        table, page = Path(folder) / "squad.csv", Path(folder) / "squad.html"
        table.write_text("\n".join(lines) + "\n", encoding="utf-8")
        pool_table(
            table,
            SeriesColumns("athlete", "Mean power", "setting", "pair"),
            reference="light gearing",
            level=0.95,
            page=SeriesPage(page, unit="W", worthwhile=3.0, better="higher", invented=True),
        )
        return page.read_bytes()


BUILDERS: dict[str, Callable[[], bytes]] = {
    "warm-up": warm_up,
    "socks": typed("socks"),
    "music": typed("music"),
    "screen": typed("screen"),
    "squad": squad,
}


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
