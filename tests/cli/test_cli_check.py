"""`trialkit check`: problems with their lines, threats with their size, a repaired file."""

import json

import pytest

# Invented: a rower does each warm-up once, in a fixed order, half an hour apart, and the second
# piece is paced to match the first; still, time is named as the outcome.
ONE_OF_EACH = """\
format = 1

[trial]
title = "Which warm-up for 500 m? (invented)"
question = "Is a 15-minute warm-up better than none before 500 m?"
athlete = "Rower B (invented)"
invented = true

[[conditions]]
name = "warm"
label = "15-minute warm-up"
recipe = "15 min easy rowing with three build-ups."

[[conditions]]
name = "none"
label = "no warm-up"
recipe = "Sit down and start."
reference = true

[[outcomes]]
name = "time"
label = "Time for 500 m"
unit = "s"
better = "lower"
role = "primary"
worthwhile = { value = 1.0, unit = "s", reason = "Half a length at this level (invented)." }

[design]
scheme = "fixed"
blocks = 1
periods_per_session = 2
order = ["none", "warm"]
matched_work = true
prepares_next = true

[rest]
between_periods = { from = 30, to = 30, unit = "min" }

[cautions]
effort = "maximal"
"""


@pytest.fixture
def protocol(tmp_path):
    def write(text):
        path = tmp_path / "protocol.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def test_one_of_each_in_a_fixed_order_cannot_answer(trialkit, protocol, tmp_path):
    repaired = tmp_path / "repaired.toml"
    ran = trialkit("check", protocol(ONE_OF_EACH), "--repair", repaired, "--json")
    assert ran.status == 4
    told = json.loads(ran.out)
    assert told["ok"] is False
    assert told["problems"] == []
    fatal = {t["id"] for t in told["threats"] if t["severity"] == "cannot answer"}
    found = {t["id"] for t in told["threats"]}
    texts = " ".join(t["text"] for t in told["threats"]).lower()
    assert fatal
    for words in ("order", "noise", "prepare", "match"):
        assert words in texts, words
    assert all(t["fix"] for t in told["threats"])
    after = json.loads(trialkit("check", repaired, "--json").out)
    assert not [t for t in after["threats"] if t["severity"] == "cannot answer"], after["threats"]
    assert after["ok"] is True
    assert len(found) >= 4


def test_repair_never_overwrites(trialkit, protocol, tmp_path):
    taken = tmp_path / "taken.toml"
    taken.write_text("mine")
    ran = trialkit("check", protocol(ONE_OF_EACH), "--repair", taken)
    assert ran.status == 2
    assert taken.read_text() == "mine"


def test_a_threat_without_answer_stops_the_draw(trialkit, tmp_path):
    root = tmp_path / "t"
    root.mkdir()
    (root / "protocol.toml").write_text(ONE_OF_EACH)
    assert trialkit("randomise", root).status == 4
    assert not (root / "trial.db").exists()
    assert trialkit("randomise", root, "--accept-threats").status == 0


def test_problems_come_all_at_once_with_their_lines(trialkit, protocol):
    text = ONE_OF_EACH.replace('better = "lower"', 'better = "quicker"')
    text = text.replace("blocks = 1", "blocks = -1").replace("title =", "titel =")
    ran = trialkit("check", protocol(text), "--json")
    assert ran.status == 2
    told = json.loads(ran.out)
    lines = text.splitlines()
    at = {p["line"]: p for p in told["problems"]}
    for wrong in ("titel", "quicker", "blocks = -1"):
        line = next(i for i, x in enumerate(lines, start=1) if wrong in x)
        assert line in at, (wrong, sorted(at))
        assert all(at[line][key] for key in ("where", "found", "wrong", "fix"))


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe\x00\x01" * 9, b"format = 1\n[trial\n", b"a = 2,5\n", b"x" * 2_000_000],
)
def test_unreadable_protocols_end_with_one_message(trialkit, protocol, content):
    ran = trialkit("check", protocol(content))
    assert ran.status == 2
    assert "fix:" in ran.out
    assert "Traceback" not in ran.out + ran.err


def test_a_missing_protocol(trialkit, tmp_path):
    ran = trialkit("check", tmp_path / "none.toml")
    assert ran.status == 2
    assert "none.toml" in ran.out + ran.err


def test_what_is_still_to_be_filled_in_is_listed(trialkit, tmp_path):
    trialkit("new", tmp_path / "t")
    told = json.loads(trialkit("check", tmp_path / "t", "--json").out)
    assert "trial.profile" in told["unfilled"]


def test_repair_says_when_nothing_can_be_repaired(trialkit, protocol, tmp_path):
    target = tmp_path / "repaired.toml"
    ran = trialkit("check", protocol(ONE_OF_EACH + "\n[trail]\n"), "--repair", target)
    assert ran.status == 2
    assert "was not written" in ran.out
    assert not target.exists()
