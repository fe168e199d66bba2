"""Printed digits follow the error; signs, percent and the decimal comma."""

from __future__ import annotations

from math import inf, log, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_trial import POWER

from trialkit.domain.estimates import Interval
from trialkit.domain.outcomes import Better, Outcome, Scale
from trialkit.report.numbers import (
    POINT,
    Numbers,
    Printer,
    column_decimals,
    decimals_for,
    to_percent,
)

PERCENT = Outcome("time", "Time", "s", Better.LOWER, scale=Scale.LOG)


@pytest.mark.parametrize(
    ("error", "decimals"),
    # The three worked examples of the Particle Data Group's rule: 0.827 +- 0.119, 0.827 +- 0.367
    # (printed 0.83 +- 0.12 and 0.8 +- 0.4) and the borders of its ranges.
    [(0.119, 2), (0.367, 1), (0.354, 2), (0.355, 1), (0.949, 1), (0.950, 1), (0.0952, 2), (30, 0)],
)
def test_decimals_follow_the_error(error, decimals):
    assert decimals_for(error) == decimals


@pytest.mark.parametrize("error", [None, 0.0, -1.0, nan, inf])
def test_without_an_error_the_fallback_is_used(error):
    assert decimals_for(error, fallback=3) == 3


@given(st.floats(1e-6, 1e6))
@settings(max_examples=60, derandomize=True)
def test_the_last_printed_digit_is_never_coarser_than_the_error(error):
    step = 10.0 ** -decimals_for(error)
    # One to two digits of the error are kept, unless it is above 10 and whole numbers are enough.
    assert step <= max(error * 1.06, 1.0)


def test_minus_is_a_true_minus_and_zero_has_no_sign():
    assert POINT.plain(-1.25, 1) == "−1.3"
    assert POINT.signed(-0.04, 1) == "0.0"
    assert POINT.signed(0.06, 1) == "+0.1"
    assert POINT.plain(None) == POINT.plain(nan) == "–"


def test_decimal_comma_reaches_every_kind_of_number():
    comma = Numbers(decimal_comma=True)
    assert comma.plain(-1.5) == "−1,5"
    assert comma.short(2.5) == "2,5"
    assert comma.p_value(0.0004) == "below 0,001"


def test_p_values_and_chances_are_never_zero_or_certain():
    assert POINT.p_value(1e-9) == "below 0.001"
    assert POINT.p_value(0.04567) == "0.046"
    assert POINT.chance(1.0) == "over 99 in 100"
    assert POINT.chance(0.0) == "under 1 in 100"


def test_log_scale_differences_are_printed_in_percent():
    printer = Printer.of(PERCENT, 0.01, POINT)
    assert to_percent(log(1.021)) == pytest.approx(2.1, rel=1e-12)
    assert printer.difference(log(0.979)) == "−2.1\u00a0%"
    assert printer.interval(Interval(log(0.95), log(1.01))) == "−5.0 to +1.0\u00a0%"


def test_raw_differences_carry_the_outcome_unit_and_the_digits_of_the_error():
    assert Printer.of(POWER, 0.2, POINT).difference(8.123) == "+8.12\u00a0W"
    assert Printer.of(POWER, 4.0, POINT).difference(8.123) == "+8\u00a0W"


def test_an_open_interval_end_is_named():
    assert Printer.of(POWER, 1.0, POINT).interval(Interval(-inf, 2.0)) == (
        "no lower limit to +2.0\u00a0W"
    )


def test_columns_show_no_digits_that_were_not_measured():
    assert column_decimals([16.0, 17.0, 15.0]) == 0
    assert column_decimals([168.9, 171.7]) == 1
    assert column_decimals([]) == 0
