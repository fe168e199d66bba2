"""JSON of `reliability`, `compare` and `pool`: the keys of the contract, published figures."""

import json
from pathlib import Path

import pytest

REFERENCE = Path(__file__).resolve().parents[2] / "reference_data"


def published(folder, name):
    return json.loads((REFERENCE / folder / "checks.json").read_text())[name]


@pytest.fixture
def reliability(trialkit, tmp_path):
    def call(rows):
        """One row of values per subject."""
        table = tmp_path / "long.csv"
        lines = ["who,day,value"]
        lines += [f"s{i},{j},{v}" for i, row in enumerate(rows) for j, v in enumerate(row)]
        table.write_text("\n".join(lines) + "\n")
        ran = trialkit("reliability", table, "--value", "value", "--subject", "who",
                       "--trial", "day", "--json")  # fmt: skip
        assert ran.status == 0, ran.err
        return json.loads(ran.out)

    return call


def test_reliability_gives_the_published_correlations(reliability):
    """Shrout & Fleiss 1979, six targets and four judges; closed forms, hence 1e-9."""
    check = published("shrout_fleiss_1979", "shrout_fleiss_1979_icc")
    told = reliability(check["data"]["rows_targets_cols_judges"])
    assert told.keys() >= {
        "typical_error", "df", "typical_error_ci", "cv_percent", "cv_percent_ci", "icc_2_1",
        "icc_3_1", "mdc95", "change_in_mean", "limits_of_agreement", "n_subjects", "n_trials",
    }  # fmt: skip
    for key, name in (("icc_2_1", "ICC2"), ("icc_3_1", "ICC3")):
        assert told[key]["value"] == pytest.approx(check["results"][name], rel=1e-9)
        low, high = (check["results"][f"{name}_ci95_{end}"] for end in ("low", "high"))
        assert told[key]["ci"] == pytest.approx([low, high], rel=1e-6)
    assert told["limits_of_agreement"] is None
    assert (told["n_subjects"], told["n_trials"]) == (6, 4)


def test_reliability_of_two_trials_gives_the_published_limits(reliability):
    """Bland & Altman 1986, peak flow by two meters; 1.96 SD, closed form."""
    check = published("bland_altman_1986", "bland_altman_1986_pefr_limits")
    data = check["data"]
    told = reliability(zip(data["mini_first"], data["wright_first"], strict=True))
    limits = told["limits_of_agreement"]
    assert limits["bias"] == pytest.approx(check["results"]["bias"], rel=1e-9)
    # 1e-4: the published figures use 1.96, ours the exact normal quantile.
    assert limits["low"] == pytest.approx(check["results"]["loa_low_1.96"], rel=1e-4)
    assert limits["high"] == pytest.approx(check["results"]["loa_high_1.96"], rel=1e-4)


def test_compare_keeps_its_contract(trialkit):
    ran = trialkit("compare", "300", "318", "--typical-error", "6", "--worthwhile", "3", "--json")
    told = json.loads(ran.out)
    assert told.keys() >= {
        "change", "typical_error", "se", "ci", "mdc95", "exceeds_noise", "chance_better",
        "chance_within", "chance_worse",
    }  # fmt: skip
    assert told["mdc95"] == pytest.approx(2.771808 * 6, rel=1e-6)  # Weir 2005: 1.96 sqrt(2) TE
    assert told["exceeds_noise"] is True
    assert told["chance_better"] + told["chance_within"] + told["chance_worse"] == pytest.approx(1)


def test_pool_keeps_its_contract(trialkit, tmp_path):
    table = tmp_path / "squad.csv"
    gains = {"ann": (4, 6, 5), "bo": (1, 3, 2), "cy": (7, 5, 6)}
    rows = ["who,pair,cond,value"]
    for name, each in gains.items():
        for pair, gain in enumerate(each):
            rows += [f"{name},{pair},a,300", f"{name},{pair},b,{300 + gain}"]
    table.write_text("\n".join(rows) + "\n")
    ran = trialkit("pool", table, "--athlete", "who", "--outcome", "value", "--condition", "cond",
                   "--reference", "a", "--block", "pair", "--json")  # fmt: skip
    told = json.loads(ran.out)
    assert told["mean"].keys() >= {"estimate", "se", "df", "ci", "p"}
    assert told["sd_individual"].keys() == {"value", "ci"}
    assert len(told["prediction_interval"]) == 2
    # Balanced: the mean is the t on the athletes' means 5, 2 and 6.
    assert told["mean"]["estimate"] == pytest.approx(13 / 3)
    assert told["mean"]["df"] == pytest.approx(2)
    for one in told["individuals"]:
        assert one.keys() >= {"athlete", "raw", "shrunken", "se", "ci"}
        nearer = abs(one["shrunken"] - 13 / 3) < abs(one["raw"] - 13 / 3)
        assert nearer, "an individual effect is drawn towards the mean"


def finished_trial(trialkit, root, athlete, gain):
    """An invented trial of one athlete: 300 W, a gain in percent, and a small fixed wobble."""
    trialkit("new", root)
    protocol = root / "protocol.toml"
    text = protocol.read_text("utf-8").replace('athlete = "athlete A"', f'athlete = "{athlete}"', 1)
    protocol.write_text(text.replace("familiarisation = 2", "familiarisation = 1"), "utf-8")
    assert trialkit("randomise", root, "--seed", str(len(athlete))).status == 0
    for n in range(16):
        card = json.loads(trialkit("next", root, "--json").out)
        watts = 300 * (1 + gain / 100 * (card["condition"] == "long")) + (n * 7) % 5 / 10
        assert trialkit("record", root, "--value", f"{watts:.2f}").status == 0
    return root


def test_finished_trials_are_pooled_from_their_folders(trialkit, tmp_path):
    gains = {"ann": 2.0, "bob b": 4.0, "cyd ccc": 3.0}
    roots = [
        finished_trial(trialkit, tmp_path / f"t{i}", name, gain)
        for i, (name, gain) in enumerate(gains.items())
    ]
    ran = trialkit("pool", *roots, "--json")
    assert ran.status == 0, ran.err
    told = json.loads(ran.out)
    assert told["unit"] == "%"
    raw = {one["athlete"]: one["raw"] for one in told["individuals"]}
    # The wobble of 0 to 0.4 W in 300 W moves a mean over eight pairs by less than 0.1 %.
    assert raw == pytest.approx(gains, abs=0.1)
    assert told["mean"]["estimate"] == pytest.approx(3.0, abs=0.1)
    assert trialkit("pool", roots[0], roots[0]).status == 2, "one athlete twice is no series"
    assert trialkit("pool", roots[0] / "protocol.toml").status == 2, "a table needs its columns"
