"""Pages beside the trial's own: the protocol's checklist, a series; flags of the report."""

import json

import numpy as np
import pytest


def squad(path, athletes=4):
    rng = np.random.default_rng(7)
    lines = ["who,pair,gear,watts"]
    for who in "ABCDEFG"[:athletes]:
        for pair in range(1, 4):
            for gear, lift in (("heavy", 5.0), ("light", 0.0)):
                lines.append(f"{who},{pair},{gear},{300 + lift + rng.normal(0, 3):.1f}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_pool_writes_the_page_of_a_series(trialkit, tmp_path):
    page = tmp_path / "squad.html"
    ran = trialkit(
        "pool", squad(tmp_path / "squad.csv"), "--athlete", "who", "--outcome", "watts",
        "--condition", "gear", "--reference", "light", "--block", "pair", "--page", page,
        "--unit", "W", "--worthwhile", "2", "--better", "higher", "--invented", "--json",
    )  # fmt: skip
    assert ran.status == 0, ran.err
    assert json.loads(ran.out)["page"] == str(page)
    text = page.read_text(encoding="utf-8")
    assert "watts was higher (better) with heavy than with light" in text
    assert "Invented data" in text


def test_pool_refuses_an_unknown_direction(trialkit, tmp_path):
    ran = trialkit(
        "pool", squad(tmp_path / "squad.csv"), "--athlete", "who", "--outcome", "watts",
        "--condition", "gear", "--reference", "light", "--block", "pair",
        "--page", tmp_path / "x.html", "--better", "faster",
    )  # fmt: skip
    assert ran.status == 2
    assert "higher or lower" in ran.err


@pytest.mark.parametrize("ending", ["html", "csv"])
def test_check_writes_the_checklist_of_the_protocol(trialkit, tmp_path, ending):
    trialkit("new", tmp_path / "mine", "--template", "warm-up-separate-days")
    out = tmp_path / f"protocol.{ending}"
    ran = trialkit("check", tmp_path / "mine", "--protocol-report", out, "--json")
    assert ran.status in {0, 4}, ran.err
    assert json.loads(ran.out)["protocol_report"] == str(out)
    assert "title says n-of-1 trial" in out.read_text(encoding="utf-8")


def test_check_refuses_an_ending_it_does_not_know(trialkit, tmp_path):
    trialkit("new", tmp_path / "mine", "--template", "warm-up-separate-days")
    ran = trialkit("check", tmp_path / "mine", "--protocol-report", tmp_path / "protocol.docx")
    assert ran.status == 2
    assert ".html or .csv" in ran.err
