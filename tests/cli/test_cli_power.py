"""`trialkit power`: the table with its legend, answers by target, series, and Ctrl-C."""

import json
import os
import pty
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from trialkit.cli.progress import ProgressLine, progress_line
from trialkit.planning import runners
from trialkit.planning.runners import Progress

READY = Path(__file__).parents[2] / "protocols"
SAME_DAY = READY / "warm-up-same-day.toml"
QUICK = ("--replicates", 4000)


def document(trialkit, *arguments):
    ran = trialkit("power", *arguments, "--json")
    assert ran.status == 0, ran.err
    assert ran.err == ""
    return json.loads(ran.out)


def test_the_document_keeps_its_contract(trialkit):
    told = document(trialkit, SAME_DAY, "--blocks", "8", "--effects", "0,6", *QUICK)
    assert {"grid", "recommended_blocks", "replicates", "seed", "method"} <= told.keys()
    assert (told["replicates"], told["asked"], told["seed"]) == (4000, 4000, 1)
    assert (told["method"], told["interrupted"]) == ("auto", False)
    assert [(row["blocks"], row["true_effect"]) for row in told["grid"]] == [(8, 0.0), (8, 6.0)]
    for row in told["grid"]:
        assert {"power", "verdicts", "ci_halfwidth", "mc_error", "mean_blocks"} <= row.keys()
        assert sum(row["verdicts"].values()) == pytest.approx(1.0)
        assert row["power"] <= row["closed_form_power"] + 4 * row["mc_error"]
        assert not row["closed_form_exact"]  # this protocol expects missed periods
    assert told["own_blocks"] == 8
    assert told["target"] == 6.0


def test_the_text_starts_with_the_answer_and_explains_its_columns(trialkit):
    ran = trialkit("power", SAME_DAY, *QUICK)
    assert ran.status == 0
    first = ran.out.splitlines()[0]
    found = re.match(
        r"(\d+) pairs: (\d+) % chance to settle a true gain of 6 % \(twice the 3 % that matters\); "
        r"(\d+) pairs would settle (\d+) %\.$",
        first,
    )
    assert found, first
    enough, chance, fewer, less = map(int, found.groups())
    assert fewer == enough - 1
    assert less < 80 <= chance
    told = document(trialkit, SAME_DAY, *QUICK)
    assert told["recommended_blocks"] == enough
    settled = {r["blocks"]: r["settled"] for r in told["grid"] if r["true_effect"] == 6.0}
    assert (round(100 * settled[enough]), round(100 * settled[fewer])) == (chance, less)
    # the gain the sentence is about stands in the table, the protocol's own number is marked
    assert re.search(rf"^ *\*?{enough} +6 ", ran.out, re.M)
    assert re.search(r"^ *\*8 ", ran.out, re.M)
    for word in ("finds it", "at best", "wrong verdict", "half-width", "the protocol's own number"):
        assert re.search(rf"^  .*{word}", ran.out, re.M), word
    # every chance is written alike
    assert re.search(r"\d%", ran.out) is None


def test_check_and_power_say_the_same_size(trialkit):
    threats = json.loads(trialkit("check", SAME_DAY, "--json").out)["threats"]
    (threat,) = (t for t in threats if t["id"] == "margin-beyond-detection")
    assert "`trialkit power` also reckons with 5 % missed periods" in threat["text"]
    told = document(trialkit, SAME_DAY, "--blocks", "8", "--effects", threat["size"], *QUICK)
    (row,) = told["grid"]
    assert row["closed_form_power"] == pytest.approx(0.8, abs=1e-6)
    (gain,) = told["smallest_gains"]
    assert gain["closed_form_gain"] == pytest.approx(threat["size"])
    assert gain["gain"] > threat["size"]


def test_answers_by_target(trialkit):
    surer = document(trialkit, SAME_DAY, "--target", "5", "--wanted", "90 %", *QUICK)
    assert (surer["target"], surer["wanted"]) == (5.0, 0.9)
    settled = {r["blocks"]: r["settled"] for r in surer["grid"] if r["true_effect"] == 5.0}
    best = surer["recommended_blocks"]
    assert settled[best] >= 0.9 > settled[best - 1]
    precise = document(trialkit, SAME_DAY, "--half-width", "3", *QUICK)
    widths = {r["blocks"]: r["ci_halfwidth"] for r in precise["grid"]}
    best = precise["recommended_blocks"]
    assert widths[best] <= 3 < widths[best - 1]
    several = document(trialkit, SAME_DAY, "--blocks", "6,12", *QUICK)
    gains = {g["blocks"]: g["gain"] for g in several["smallest_gains"]}
    assert gains[6] > gains[12]


@pytest.mark.parametrize(
    ("arguments", "where"),
    [
        (("--blocks", "4.5"), "--blocks"),
        (("--blocks", "four"), "--blocks"),
        (("--effects", "nan"), "--effects"),
        (("--wanted", "often"), "--wanted"),
        (("--wanted", "100"), "wanted"),
        (("--half-width", "-1"), "half-width"),
        (("--pairs", "2,4"), "--athletes"),
        (("--athletes", "6,8"), "--individual-sd"),
        (("--athletes", "6", "--individual-sd", "-1"), "--individual-sd"),
        (("--athletes", "1", "--individual-sd", "1"), "athletes"),
        (("--figure", "picture.bmp"), "--figure"),
    ],
)
def test_what_cannot_be_read_is_refused_by_its_flag(trialkit, arguments, where):
    ran = trialkit("power", SAME_DAY, *arguments, "--replicates", "100")
    assert ran.status == 2
    assert ran.out == ""
    assert ran.err.startswith(where)


def test_a_page_of_what_if(trialkit):
    told = document(trialkit, SAME_DAY, "--sensitivity", "--blocks", "8", *QUICK)
    page = told["sensitivity"]
    assert len(page["cells"]) == 9
    settled = {(c["noise_ratio"], c["drift"]): c["settled"] for c in page["cells"]}
    assert settled[0.7, 0.0] > settled[1.0, 0.0] > settled[1.5, 0.0]
    text = trialkit("power", SAME_DAY, "--sensitivity", "--blocks", "8", *QUICK).out
    assert "What if? 8 pairs, true gain 6 %." in text
    assert page["reason"] in text


def test_a_series_by_formula_and_simulated(trialkit):
    arguments = (
        *("--blocks", "8", "--athletes", "6,10", "--pairs", "2,4", "--individual-sd", "2"),
        *("--cost-athlete", "10", "--own-error", "1.5", "--target", "4"),
    )
    told = document(trialkit, SAME_DAY, *arguments, "--replicates", "8000")
    options = {(o["athletes"], o["pairs"]): o for o in told["series"]["options"]}
    assert set(options) == {(6, 2), (6, 4), (10, 2), (10, 4)}
    for (athletes, pairs), option in options.items():
        assert option["cost"] == athletes * (10 + 2 * pairs)
        closed, simulated = option["closed_form"], option["simulated"]
        for name in ("power_mean", "power_these", "power_difference"):
            error = (closed[name] * (1 - closed[name]) / 8000) ** 0.5
            assert abs(closed[name] - simulated[name]) < 4 * error + 1e-12, name
    chosen = told["series"]["for_mean"]
    enough = {k: o["cost"] for k, o in options.items() if o["closed_form"]["power_mean"] >= 0.8}
    assert chosen["cost"] == min(enough.values())
    own = told["series"]["for_individuals"]
    assert options[own["athletes"], own["pairs"]]["closed_form"]["se_shrunken"] <= 1.5
    text = trialkit("power", SAME_DAY, *arguments, *QUICK).out
    assert told["series"]["reason"] in text


def test_a_series_needs_pairs(trialkit):
    three = READY / "three-pacing-plans.toml"
    ran = trialkit("power", three, "--athletes", "6", "--individual-sd", "1", *QUICK)
    assert ran.status == 4


def test_the_picture_is_written(trialkit, tmp_path):
    ran = trialkit("power", SAME_DAY, "--blocks", "6,8", *QUICK, "--figure", tmp_path / "power.svg")
    assert ran.status == 0
    assert "<svg" in (tmp_path / "power.svg").read_text("utf-8")


class Terminal:
    """A stream that remembers what was written."""

    def __init__(self):
        self.text = ""

    def write(self, text):
        self.text += text

    def flush(self):
        pass


def test_the_line_tells_the_time_left_and_wipes_itself(monkeypatch):
    clock = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    stream = Terminal()
    line = ProgressLine(stream)
    tell = line.stage("simulating")
    tell(Progress(100, 1000, 42.0))
    assert stream.text == ""  # a quick command shows nothing
    clock[0] += 1
    tell(Progress(500, 1000, 21.4))
    tell(Progress(501, 1000, 21.3))  # too soon to be written again
    assert stream.text == "\rsimulating: 50 %, 21 s left"
    line.close()
    assert stream.text.endswith("\r" + " " * len("simulating: 50 %, 21 s left") + "\r")


def test_nobody_watches_no_line(monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    assert progress_line(quiet=True) is None
    assert progress_line(quiet=False) is not None
    monkeypatch.setattr(sys.stderr, "isatty", lambda: False, raising=False)
    assert progress_line(quiet=False) is None


@pytest.mark.parametrize("batches", [0, 4])
def test_an_interrupted_run_is_told_in_the_document(trialkit, monkeypatch, batches):
    real, done = runners.run_batch, []

    def stop_after(cells, batch, seed):
        if len(done) == batches:
            raise KeyboardInterrupt
        done.append(batch)
        return real(cells, batch, seed)

    monkeypatch.setattr(runners, "run_batch", stop_after)
    ran = trialkit(
        *("power", SAME_DAY, "--blocks", "6,8", "--replicates", "40000"),
        *("--sensitivity", "--athletes", "6", "--individual-sd", "1", "--json"),
    )
    assert ran.status == 130
    told = json.loads(ran.out)
    assert told["interrupted"]
    assert told["asked"] == 40000
    assert told["replicates"] == batches // 2 * 4096  # chunks go round the two numbers of pairs
    assert (told["sensitivity"], told["series"], told["smallest_gains"]) == (None, None, [])
    assert {row["blocks"] for row in told["grid"]} == ({6, 8} if batches else set())
    if not batches:
        assert "before any figure was known" in told["reason"]


@pytest.mark.skipif(not hasattr(os, "killpg"), reason="needs process groups")
@pytest.mark.parametrize("workers", [1, 2])
def test_ctrl_c_at_a_terminal_keeps_what_is_done(workers):
    """The real thing: standard error is a terminal, the whole process group gets the signal."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [
            *(sys.executable, "-m", "trialkit", "power", str(SAME_DAY), "--blocks", "6,8"),
            *("--replicates", "50000000", "--workers", str(workers)),
        ],
        stdout=subprocess.PIPE,
        stderr=theirs,
        start_new_session=True,
        # Where the tests run in the background the signal is ignored, and children inherit that.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509
    )
    os.close(theirs)
    shown = b""
    deadline = time.monotonic() + 60
    while shown.count(b"left") < 4 and time.monotonic() < deadline:
        shown += os.read(ours, 4096)
    assert b"\rsimulating trials: 0 %, " in shown
    os.killpg(process.pid, signal.SIGINT)
    try:
        out, _ = process.communicate(timeout=60)
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
    while chunk := _read(ours):
        shown += chunk
    os.close(ours)
    assert process.returncode == 130
    assert b"Interrupted: what was simulated until then is kept" in shown
    assert b"Traceback" not in shown
    told = out.decode()
    assert "of 50,000,000 asked for" in told
    assert "stopped early" in told
    assert re.search(r"^ *\*8 +6 +[78]\d %", told, re.M)


def _read(descriptor):
    try:
        return os.read(descriptor, 4096)
    except OSError:  # the other end is closed
        return b""
