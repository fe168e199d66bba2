"""`trialkit ingest`: what a file leaves open, several devices, candidates, why a number is so."""

import json
from importlib.resources import as_file

import pytest

from trialkit.app.demo import demo_data

CSV = """\
Zeit;Puls;Leistung
03/04/2026 17:00:00;120,5;250
03/04/2026 17:00:01;121,0;255
03/04/2026 17:00:02;121,5;260
03/04/2026 17:00:03;122,0;265
"""


@pytest.fixture
def opened(trialkit, tmp_path):
    """A copy of the demo's plan with its first period opened."""
    root = tmp_path / "trial"
    root.mkdir()
    text = (demo_data() / "protocol.toml").read_text(encoding="utf-8")
    (root / "protocol.toml").write_text(text, encoding="utf-8")
    assert trialkit("randomise", root, "--seed", "5").status == 0
    assert trialkit("next", root).status == 0
    return root


@pytest.fixture
def sessions():
    with as_file(demo_data() / "recordings") as folder:
        yield sorted(folder.glob("*.fit"))


def test_every_number_has_its_reason(trialkit, opened, sessions):
    ran = trialkit("ingest", opened, sessions[0], "--explain")
    assert ran.status == 0, ran.err
    for word in ("channel power (W): 481 samples", "segment effort: 120.0 to 360.0 s",
                 "coverage 100%", "mean of power in effort"):  # fmt: skip
        assert word in ran.out, word


def test_a_file_that_can_be_read_in_two_ways_is_asked_about(trialkit, opened, tmp_path):
    table = tmp_path / "recording.csv"
    table.write_text(CSV)
    ran = trialkit("ingest", opened, table)
    assert ran.status == 3
    assert "day" in ran.err
    settings = ("--read", "day_first=yes", "--read", "channel.Puls=heart_rate",
                "--read", "channel.Leistung=power", "--read", "unit.Puls=bpm",
                "--read", "unit.Leistung=W")  # fmt: skip
    ran = trialkit("ingest", opened, table, *settings, "--json")
    assert ran.status == 0, ran.err
    told = json.loads(ran.out)["recordings"][0]
    assert told["started_at"].startswith("2026-04-03T15:00:00")  # 17:00 in Oslo
    assert {"heart_rate", "power"} <= told["channels"].keys()
    reasons = [v["reason"] for v in told["values"]]
    assert all(reasons), "a recording without laps has no effort to measure"


def test_wrong_settings_are_told_at_once(trialkit, opened, sessions):
    ran = trialkit("ingest", opened, sessions[0], "--read", "colour=red", "--read", "day_first")
    assert ran.status == 2
    assert ran.err.count("wrong:") == 2


def test_files_of_two_devices_are_joined_only_when_asked(trialkit, opened, sessions):
    both = sessions[:2]
    assert trialkit("ingest", opened, *both, "--period", "1").status == 2
    ran = trialkit("ingest", opened, *both, "--period", "1", "--align", "mark:lap 2", "--json")
    assert ran.status == 0, ran.err
    first, second = json.loads(ran.out)["recordings"]
    assert first["alignment"] is None
    assert second["alignment"]["method"] == "mark"
    assert trialkit("verify", opened).status == 0


def test_candidates_are_compared_before_conditions_are_opened(trialkit, tmp_path, sessions):
    root = tmp_path / "before"
    root.mkdir()
    text = (demo_data() / "protocol.toml").read_text(encoding="utf-8")
    (root / "protocol.toml").write_text(text, encoding="utf-8")
    ran = trialkit("ingest", root, *sessions[:4], "--candidates", "--json")
    assert ran.status == 0, ran.err
    told = json.loads(ran.out)["candidates"]
    assert {c["outcome"] for c in told} == {"mean_power", "oxygen_low", "end_heart_rate"}
    assert all(c["typical_error"] > 0 for c in told)
    assert not (root / "trial.db").exists()


def test_candidates_are_refused_once_conditions_are_open(trialkit, opened, sessions):
    ran = trialkit("ingest", opened, *sessions[:4], "--candidates")
    assert ran.status == 4
    assert "open" in ran.err
