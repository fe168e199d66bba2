"""Every ready protocol can be run to its page, with results typed in."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from trialkit.app.analysing import analyse_trial
from trialkit.app.dating import date_trial
from trialkit.app.demo import invented_entropy
from trialkit.app.opening import open_next
from trialkit.app.randomise import DrawRequest, randomise
from trialkit.app.recording import RecordRequest, record
from trialkit.app.reporting import report_content
from trialkit.app.trials import open_trial
from trialkit.design.allocation import draw
from trialkit.protocol import loads
from trialkit.report.page import render_page

READY = sorted((Path(__file__).resolve().parents[2] / "protocols").glob("*.toml"))
START = datetime(2026, 1, 12, 9, 0, tzinfo=UTC)
WHO = "tester"


def run(root, text):
    """Run a protocol with one period a day and every outcome around 100."""
    (root / "protocol.toml").write_text(text, encoding="utf-8")
    plan = loads(text, where="ready").plan()
    before = START - timedelta(days=10)
    request = DrawRequest(entropy=invented_entropy(), seed=1, accept_threats=True)
    randomise(root, request, at=before, who=WHO)
    date_trial(root, start="2026-01-12", at=before, who=WHO)
    rng = np.random.default_rng(1)
    for period in draw(plan, seed=1).periods:
        at = START + timedelta(days=period.number)
        open_next(root, code="", at=at, who=WHO)
        for outcome in plan.outcomes:
            lift = 2.0 * (period.condition != plan.reference.name)
            value = f"{100 + lift + rng.normal(0, 2):.2f}"
            entered = RecordRequest(period=period.number, outcome=outcome.name, value=value)
            record(root, entered, at=at + timedelta(hours=1), who=WHO)


@pytest.mark.parametrize("path", READY, ids=lambda p: p.stem)
def test_a_ready_protocol_reaches_its_page(path, tmp_path):
    run(tmp_path, path.read_text(encoding="utf-8"))
    trial = open_trial(tmp_path)
    content = report_content(trial, analyse_trial(trial))
    page = render_page(content)
    assert "Reporting checklist" in page
    assert len(content.trial_periods()) == trial.state.planned
    primary = content.primary
    other = [r.contrast for r in primary.estimate.sensitivity if r.method == "randomisation"]
    # The picture of chance and the row of the table replay one and the same set of orders.
    found = [] if primary.null is None else [primary.null.p]
    assert [c.p for c in other] == pytest.approx(found)
    # With three conditions or more, too few orders may leave the others where they were.
    assert found or len(trial.plan.conditions) > 2
