"""Certified exponential fits, kinetics, RMSSD and means of irregular signals."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.recordings import Channel, Recording, Segment
from trialkit.domain.units import convert
from trialkit.ingest.beats import successive_differences
from trialkit.ingest.kinetics import fit_curve, fit_mono_exponential, half_time, mono_exponential
from trialkit.ingest.measuring import measure

DATA = Path(__file__).parents[2] / "reference_data"


def check(folder: str, name: str) -> tuple[dict, dict]:
    found = json.loads((DATA / folder / "checks.json").read_text(encoding="utf-8"))[name]
    return found.get("data", {}), found["results"]


def misra(x, b):
    return b[0] * -np.expm1(-b[1] * x)


def mgh17(x, b):
    return b[0] + b[1] * np.exp(-x * b[3]) + b[2] * np.exp(-x * b[4])


def taken(channels, statistic, channel, end, **settings):
    """A measure over the whole of a small recording."""
    recording = Recording("made", "0" * 64, "FIT", None, channels)
    recipe = MeasureRecipe(
        channel, "all", statistic, min_coverage=0.0, max_gap_s=60, settings=settings
    )
    return measure(recording, recipe, segments=[Segment("all", 0, end)])


# From the first start of MGH17 plain Levenberg-Marquardt ends in another minimum; the house's own
# kinetic fits take their start from a grid and need no person's guess.
@pytest.mark.parametrize(
    ("name", "model", "start"),
    [("Misra1a", misra, "start1"), ("Misra1a", misra, "start2"), ("MGH17", mgh17, "start2")],
)
def test_nist_certified_fits(name, model, start):
    data, want = check("nist_nls", f"nist_nls_{name}")
    fit = fit_curve(model, np.array(data["x"]), np.array(data["y"]), np.array(data[start]))
    n = fit.parameters.size
    # Certified to 11 digits; a double-precision fit by differences reaches 6 or better.
    assert fit.converged
    assert fit.parameters == pytest.approx([want[f"b{i + 1}"] for i in range(n)], rel=1e-6)
    assert fit.standard_errors == pytest.approx([want[f"b{i + 1}_se"] for i in range(n)], rel=1e-5)
    assert fit.rss == pytest.approx(want["rss"], rel=1e-8)
    assert fit.residual_sd == pytest.approx(want["resid_sd"], rel=1e-8)


def test_heart_rate_rise_needs_no_start():
    data, want = check("heart_rate_kinetics", "hr_on_kinetics_monoexponential")
    fit = fit_mono_exponential(np.array(data["t_s"]), np.array(data["hr_bpm"]))
    found = dict(zip(("baseline", "amplitude", "tau_s"), fit.parameters, strict=True))
    # An iterative fit: 1e-5; scipy and R differ from each other by 1e-7.
    for key, value in found.items():
        assert value == pytest.approx(want[key], rel=1e-5)
    errors = [want["baseline_se"], want["amplitude_se"], want["tau_se"]]
    assert fit.standard_errors == pytest.approx(errors, rel=1e-5)
    assert fit.rss == pytest.approx(want["rss"], rel=1e-8)
    assert half_time(fit.parameters[2]) == pytest.approx(want["half_time_s"], rel=1e-5)


def test_heart_rate_rise_through_the_measuring_door():
    data, want = check("heart_rate_kinetics", "hr_on_kinetics_monoexponential")
    channel = Channel("heart_rate", "bpm", np.array(data["t_s"]), np.array(data["hr_bpm"]))
    found = taken({"heart_rate": channel}, "rise_time_constant", "heart_rate", 130)
    assert found.value == pytest.approx(want["tau_s"], rel=1e-5)
    assert found.unit == "s"
    assert found.uncertainty >= want["tau_se"] * (1 - 1e-5)


def test_identities_of_the_exponential():
    _, want = check("heart_rate_kinetics", "monoexponential_identities")
    taus = np.arange(1, 5) * 30.0
    share = mono_exponential(taus, baseline=0, amplitude=1, tau_s=30)
    assert share == pytest.approx([want[f"fraction_at_{i}tau"] for i in range(1, 5)], rel=1e-12)
    assert half_time(30) == pytest.approx(want["half_time_for_tau30"], rel=1e-12)
    at60 = mono_exponential(np.array([60.0]), baseline=90, amplitude=60, tau_s=30, delay_s=15)
    assert at60[0] == pytest.approx(want["value_t60_delay15_tau30_base90_amp60"], rel=1e-12)
    late = mono_exponential(np.array([want["t95_for_tau30"]]), baseline=0, amplitude=1, tau_s=30)
    assert late[0] == pytest.approx(0.95, rel=1e-12)
    # Mean response time: the area left above the curve over the amplitude.
    t = np.linspace(0, 900, 900_001)
    left = 1 - mono_exponential(t, baseline=0, amplitude=1, tau_s=30, delay_s=15)
    assert np.trapezoid(left, t) == pytest.approx(want["mrt_delay15_tau30"], rel=1e-8)


def test_rmssd_of_eight_intervals():
    data, want = check("beat_intervals", "rmssd_small")
    rr = np.array(data["rr_ms"])
    ends = np.cumsum(rr) / 1000
    found = successive_differences(ends, rr)
    assert found.n_normal == found.n == rr.size
    root = np.sqrt(np.mean(found.difference_ms**2))
    assert root == pytest.approx(want["rmssd_ms"], rel=1e-12)
    channels = {"rr_interval": Channel("rr_interval", "ms", ends, rr)}
    assert taken(channels, "rmssd", "rr_interval", 7).value == pytest.approx(want["rmssd_ms"])
    assert taken(channels, "ln_rmssd", "rr_interval", 7).value == pytest.approx(want["ln_rmssd"])
    assert taken(channels, "mean", "rr_interval", 7).value == pytest.approx(want["mean_rr"])


def test_means_of_an_irregular_signal():
    data, want = check("time_weighting", "time_weighted_mean")
    channel = Channel("heart_rate", "bpm", np.array(data["t_s"]), np.array(data["hr"]))
    channels = {"heart_rate": channel}
    assert taken(channels, "mean", "heart_rate", 8).value == want["simple_mean"]
    by_trapeze = taken(channels, "time_weighted_mean", "heart_rate", 8)
    assert by_trapeze.value == pytest.approx(want["trapezoid_mean"], rel=1e-12)
    by_step = taken(channels, "time_weighted_mean", "heart_rate", 8, hold=1.0)
    assert by_step.value == pytest.approx(want["step_hold_mean"], rel=1e-12)
    pace = convert(20 / 5, "min/km", "m/s")
    assert pace == pytest.approx(want["speed_5k_in_1200s_mps"], rel=1e-12)
