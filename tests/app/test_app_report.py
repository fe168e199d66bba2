"""The report of a trial: flags, the replay of its draw, the seed, corrections, quality."""

import csv
import shutil
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from trialkit.app.analysing import analyse_trial
from trialkit.app.curves import condition_curves
from trialkit.app.page_content import period_rows
from trialkit.app.page_quality import quality_rows
from trialkit.app.recording import RecordRequest, record
from trialkit.app.recordings import stored_recordings
from trialkit.app.replaying import NOT_AS_DRAWN, with_band
from trialkit.app.reporting import ReportRequest, report_content, write_report
from trialkit.app.trials import open_trial
from trialkit.app.unsealing import STILL_SEALED, drawn_order
from trialkit.domain.allocations import Allocation
from trialkit.errors import RequestError
from trialkit.statistics.randomisation import sign_flip_test

AT = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def demo(demo_root):
    trial = open_trial(demo_root)
    return trial, report_content(trial, analyse_trial(trial))


@pytest.fixture(scope="module")
def music(invented):
    return invented("music")


def values(content, condition):
    return {
        p.block: p.values["mean_power"]
        for p in content.trial_periods()
        if p.delivered_condition == condition
    }


def test_the_null_distribution_is_that_of_all_flips(demo):
    _, content = demo
    warm, short = values(content, "warm"), values(content, "short")
    differences = np.array([np.log(warm[b] / short[b]) for b in warm])
    direct = sign_flip_test(differences)
    null = content.primary.null
    assert null.orders == 2**8
    assert null.exact
    assert null.p == direct.p
    assert np.sort(null.values) == pytest.approx(np.sort(direct.null))
    assert all(r.null is None for r in content.others)


def test_every_channel_has_a_band_from_the_same_draw(demo):
    _, content = demo
    assert [c.channel for c in content.curves] == ["heart_rate", "muscle_oxygen", "power"]
    for curves in content.curves:
        band = curves.band
        assert curves.no_band == ""
        # With 8 pairs no p can be below 2/256.
        assert 2 / 256 <= band.p <= 1
        used = np.isfinite(band.low)
        assert used.any()
        assert (band.low[used] < band.difference[used]).all()
        assert curves.periods == tuple(range(1, 17))


def test_the_difference_in_heart_rate_built_into_the_demo_is_found(demo):
    # The demo's maker starts heart rate 18 bpm higher after the long warm-up.
    _, content = demo
    band = content.curves[0].band
    first = band.stretches[0]
    assert first.start_s < 0 < first.end_s
    assert first.largest == pytest.approx(18, abs=4)


def test_too_few_pairs_or_gaps_give_no_band_but_a_reason(demo):
    trial, content = demo
    curves = content.curves[0]
    few = replace(
        curves, band=None, values=curves.values[:8], periods=curves.periods[:8],
        conditions=curves.conditions[:8],
    )  # fmt: skip
    assert "at least 6 blocks" in with_band(trial, few, max_gap_s=10).no_band
    holes = curves.values.copy()
    holes[0, 5:] = np.nan
    gappy = with_band(trial, replace(curves, values=holes, band=None), max_gap_s=10)
    assert "share less than half" in gappy.no_band
    one = replace(curves, conditions=("warm",) * 16, band=None)
    assert "exactly two conditions" in with_band(trial, one, max_gap_s=10).no_band
    swapped = (curves.conditions[1], curves.conditions[0], *curves.conditions[2:])
    other = with_band(trial, replace(curves, conditions=swapped, band=None), max_gap_s=10)
    assert other.no_band == NOT_AS_DRAWN


def test_a_short_gap_is_bridged_and_a_long_one_is_not(demo):
    trial, content = demo
    curves = content.curves[0]
    holes = curves.values.copy()
    holes[0, 60:63] = np.nan  # 6 s
    holes[1, 90:100] = np.nan  # 20 s
    band = with_band(trial, replace(curves, values=holes, band=None), max_gap_s=10).band
    assert np.isfinite(band.difference[60:63]).all()
    assert np.isnan(band.difference[90:100]).all()


def test_the_seed_is_told_once_every_period_was_opened(demo, music):
    _, content = demo
    assert content.seal.seed == 2026
    assert content.seal.method
    trial = open_trial(music)
    order = drawn_order(trial)
    assert isinstance(order, Allocation)
    assert order.seed == 5


def test_while_a_period_waits_the_order_stays_closed(tool, tmp_path):
    maker = tool("make_example_reports")
    text = (maker.OUT / "scenarios" / "music.toml").read_text(encoding="utf-8")
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    plan = maker.loads(text, where="music").plan()
    maker.draw_and_date(tmp_path, plan, maker.SCENARIOS["music"])
    trial = open_trial(tmp_path)
    assert drawn_order(trial) == STILL_SEALED
    assert {p.planned_condition for p in period_rows(trial)} == {""}


def test_with_a_keyholder_the_page_says_who_has_the_seed(tool, tmp_path):
    maker = tool("make_example_reports")
    text = (maker.OUT / "scenarios" / "music.toml").read_text(encoding="utf-8")
    (tmp_path / "protocol.toml").write_text(text, encoding="utf-8")
    keys = tmp_path / "keys.txt"
    request = maker.DrawRequest(entropy=maker.invented_entropy(), seed=5, keyholder=keys)
    maker.randomise(tmp_path, request, at=AT, who="tester")
    assert drawn_order(open_trial(tmp_path)) == "with the keyholder"


def test_a_missed_period_shows_what_was_drawn_for_it(invented):
    root = invented("music", missed={3: "ill"})
    trial = open_trial(root)
    order = drawn_order(trial)
    row = next(p for p in period_rows(trial) if p.number == 3)
    assert row.planned_condition == order.sequence[2]
    assert row.delivered_condition is None


def test_a_swapped_period_leaves_nothing_to_be_replayed(invented, music):
    drawn = drawn_order(open_trial(music)).sequence
    number = drawn.index("music") + 1
    root = invented("music", held_as={number: ("silence", "batteries flat")})
    trial = open_trial(root)
    content = report_content(trial, analyse_trial(trial))
    estimate = content.primary.estimate
    assert content.primary.null is None
    assert "randomisation" not in {row.method for row in estimate.sensitivity}
    assert any("cannot be replayed" in note for note in estimate.notes)
    swapped = [p for p in content.periods if p.delivered_condition != p.planned_condition]
    assert number in {p.number for p in swapped}
    assert any("instead of loud music" in d.text for d in content.deviations)
    whole = open_trial(music)
    methods = {r.method for r in analyse_trial(whole)[0].estimate.sensitivity}
    assert "randomisation" in methods


def test_rests_and_hours_between_periods_are_kept(demo):
    _, content = demo
    first, second = content.trial_periods()[:2]
    assert first.rest is None
    assert second.rest_unit == "day"
    assert second.since_h == pytest.approx(24 * second.rest, abs=2)


def test_corrections_exclusions_and_harms_reach_the_page(music, tmp_path):
    root = tmp_path / "copy"
    shutil.copytree(music, root)
    write_report(root, ReportRequest(), at=AT, who="tester")
    trial = open_trial(root)
    entry = next(t for (_, n, _), t in trial.state.values.items() if n == 2)
    fix = RecordRequest(correct=entry.entry, value="16", reason="miscounted")
    record(root, fix, at=AT, who="tester")
    record(root, RecordRequest(period=4, exclude=True, reason="elbow"), at=AT, who="tester")
    trial = open_trial(root)
    content = report_content(trial, analyse_trial(trial))
    told = [d.text for d in content.deviations]
    old = f"{entry.record.value:g}"
    assert any(f"{old} reps → 16 reps: miscounted" in t and "after the data" in t for t in told)
    assert any(t.startswith("excluded late") and "elbow" in t for t in told)
    assert content.harms == ()


def test_quality_names_every_recording_and_value(demo):
    trial, content = demo
    rows = tuple(quality_rows(trial, stored_recordings(trial)))
    assert rows == content.quality
    assert len(rows) == 16 + 16 * 3
    assert all(row.ok for row in rows)
    lost = tuple(quality_rows(trial, {}))
    assert sum(not row.ok for row in lost) == 16
    assert "cannot be read any more" in {row.finding for row in lost}


def test_an_excluded_period_is_left_out_of_the_curves(demo_root, tmp_path):
    root = tmp_path / "copy"
    shutil.copytree(demo_root, root)
    record(root, RecordRequest(period=5, exclude=True, reason="fell off"), at=AT, who="tester")
    trial = open_trial(root)
    (first, *_) = condition_curves(trial, stored_recordings(trial))
    assert 5 not in first.periods
    assert len(first.periods) == 15


@pytest.mark.parametrize(("form", "start"), [("svg", b"<?xml"), ("png", b"\x89PNG")])
def test_pictures_are_written_as_files(music, form, start):
    answer = write_report(music, ReportRequest(figures=form), at=AT, who="tester")
    files = sorted((music / "report" / "figures").glob(f"*.{form}"))
    assert {f.stem for f in files} >= {"difference", "periods", "pairs", "null"}
    assert all(f.read_bytes().startswith(start) for f in files)
    assert str(files[0]) in answer.document["files"]


def test_a_decimal_comma_reaches_the_page_and_not_the_data(music):
    write_report(music, ReportRequest(decimal_comma=True), at=AT, who="tester")
    page = (music / "report" / "index.html").read_text(encoding="utf-8")
    assert "−1,8 to +1,8" in page
    with (music / "report" / "data" / "contrasts.csv").open(newline="") as stream:
        assert all(float(row["low"]) < float(row["high"]) for row in csv.DictReader(stream))


def test_the_checklist_lies_beside_the_page(music):
    write_report(music, ReportRequest(), at=AT, who="tester")
    lines = (music / "report" / "checklist.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 45
    assert not (music / "report" / "data" / "checklist.csv").exists()


def test_an_unknown_picture_format_is_refused(music):
    with pytest.raises(RequestError, match="svg, png, pdf"):
        write_report(music, ReportRequest(figures="gif"), at=AT, who="tester")
