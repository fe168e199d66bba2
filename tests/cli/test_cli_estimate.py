"""`trialkit estimate` on plain tables: figures, contract, methods, bad input."""

import csv
import json
from pathlib import Path

import pytest

REFERENCE = Path(__file__).resolve().parents[2] / "reference_data" / "mixed_models"
DATA = json.loads((REFERENCE / "data.json").read_text())
EXPECTED = json.loads((REFERENCE / "expected.json").read_text())
CONTRACT_KEYS = {
    "outcome", "unit", "n", "contrasts", "noise", "variance", "serial", "sensitivity", "verdict",
    "notes",
}  # fmt: skip
CONTRAST_KEYS = {
    "condition", "reference", "method", "estimate", "se", "df", "level", "ci", "p", "exact",
}  # fmt: skip


def write_table(path, columns):
    with path.open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        writer.writerows(zip(*columns.values(), strict=True))
    return path


@pytest.fixture
def estimate(trialkit):
    def call(table, *flags):
        return trialkit(
            "estimate", table, "--outcome", "value", "--condition", "condition",
            "--reference", "A", "--block", "block", *flags,
        )  # fmt: skip

    return call


@pytest.mark.parametrize(
    ("name", "flags"),
    [
        ("shoes_missing", ()),
        ("pairs_missing", ()),
        ("pairs_missing_boundary", ()),
        ("pairs_missing_trend", ("--trend", "time")),
        ("pairs_missing_place", ("--period", "position")),
        ("threes_missing", ()),
    ],
)
def test_missing_periods_give_the_figures_of_pbkrtest(estimate, tmp_path, name, flags):
    """Kenward-Roger figures against R's lme4 and pbkrtest, through a plain CSV file.

    1e-5 relative: both sides iterate to their own optimum of the REML criterion.
    """
    table = write_table(tmp_path / f"{name}.csv", DATA[name])
    ran = estimate(table, "--method", "mixed", "--json", *flags)
    assert ran.status == 0
    told = json.loads(ran.out)
    assert told["contrasts"][0]["method"] == "mixed"
    for ours, theirs in zip(told["contrasts"], EXPECTED[name]["contrasts"], strict=True):
        for key in ("estimate", "se", "df"):
            assert ours[key] == pytest.approx(theirs[key], rel=1e-5), key
    assert told["variance"]["residual"] == pytest.approx(EXPECTED[name]["residual"], rel=1e-5)
    assert told["variance"]["block"] == pytest.approx(EXPECTED[name]["block"], rel=1e-5, abs=1e-9)


def test_document_keeps_the_contract(estimate, tmp_path):
    table = write_table(tmp_path / "shoes.csv", DATA["shoes_missing"])
    told = json.loads(estimate(table, "--json").out)
    assert told.keys() >= CONTRACT_KEYS
    assert told["contrasts"][0].keys() >= CONTRAST_KEYS
    assert told["verdict"] is None, "without a margin there is no verdict"
    with_margin = json.loads(estimate(table, "--json", "--worthwhile", "0.1").out)
    assert with_margin["verdict"] == "helps, size not settled"


def test_log_scale_is_told_in_percent(estimate, tmp_path):
    columns = {
        "value": [100.0, 110.0, 200.0, 221.0, 150.0, 166.5],
        "condition": ["A", "B"] * 3,
        "block": ["1", "1", "2", "2", "3", "3"],
    }
    told = json.loads(
        estimate(write_table(tmp_path / "t.csv", columns), "--scale", "log", "--json").out
    )
    assert told["unit"] == "%"
    # Geometric mean of the three ratios 1.10, 1.105 and 1.11, in percent.
    assert told["contrasts"][0]["estimate"] == pytest.approx(
        100 * ((1.10 * 1.105 * 1.11) ** (1 / 3) - 1), rel=1e-9
    )


def test_json_is_the_only_thing_on_stdout(estimate, tmp_path):
    ran = estimate(write_table(tmp_path / "t.csv", DATA["shoes"]), "--json")
    json.loads(ran.out)
    assert ran.err == ""


@pytest.mark.parametrize(
    ("content", "status", "word"),
    [
        (b"", 3, "empty"),
        (b"\x00\x01\x02" * 50, 3, ""),
        (b"value,condition,block\n1,A,1\nx,B,1\n", 3, "'x'"),
        (b"value,condition\n1,A\n2,B\n", 2, "block"),
        (b"value,condition,block\n1,A,1\n2,A,2\n", 4, ""),
        (b"value,condition,block\n1,C,1\n2,B,1\n3,B,2\n4,C,2\n", 2, "'A'"),
    ],
)
def test_bad_tables_end_with_one_clear_message(estimate, tmp_path, content, status, word):
    path = tmp_path / "bad.csv"
    path.write_bytes(content)
    ran = estimate(path)
    assert ran.status == status, ran.err
    assert "fix:" in ran.err
    assert word in ran.err
    assert ran.out == ""


def test_unknown_method_and_missing_file(estimate, tmp_path):
    table = write_table(tmp_path / "t.csv", DATA["shoes"])
    assert estimate(table, "--method", "magic").status == 2
    assert estimate(table, "--better", "more").status == 2
    missing = estimate(tmp_path / "none.csv")
    assert missing.status == 3
    assert "none.csv" in missing.err
