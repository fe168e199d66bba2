"""Session cards: practice, the rest before, room to write, nothing sealed is named."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from invented_trial import PLAN, POWER

from trialkit.domain.allocations import Period
from trialkit.domain.measures import MeasureRecipe
from trialkit.domain.plans import Hazards
from trialkit.report.card_sheet import DatedCard, PracticeCard, render_cards
from trialkit.report.cards import RECORDING, written_lines
from trialkit.report.words.cautions import EXERCISE

START = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
CARDS = [
    DatedCard(Period(1, 1, 1, 1, ""), START),
    DatedCard(Period(2, 1, 2, 2, "", rest=3, rest_unit="day"), START),
]


def test_practice_has_its_cards_under_the_reference():
    page = render_cards(PLAN, CARDS, [PracticeCard("familiarisation", 1, START)])
    assert page.index("Familiarisation 1") < page.index("Period 1 ·")
    assert "Practice under the reference condition, no warm-up; never analysed." in page
    assert page.count("Condition sealed until it is opened") == 2
    assert "a 20 min warm-up" not in page


def test_a_card_shows_the_rest_before_it_and_room_to_write():
    page = render_cards(PLAN, CARDS)
    assert page.count("Rest before this period: 3 days (drawn)") == 1
    for line in ("Mean power (W)", "Started at", "Sleep last night (h)", "Symptoms or injuries"):
        assert page.count(f"<li>{line}") == 2


def test_a_measured_outcome_asks_for_its_recording_and_not_for_a_number():
    recorded = replace(POWER, measure=MeasureRecipe("power", "effort", "mean"))
    lines = written_lines(replace(PLAN, outcomes=(recorded,)))
    assert RECORDING in lines
    assert "Mean power (W)" not in lines


def test_cards_carry_the_cautions_without_the_marks_of_their_sources():
    page = render_cards(replace(PLAN, hazards=Hazards(effort="maximal")), CARDS)
    assert EXERCISE[1].text in page
    assert "from memory" not in page
