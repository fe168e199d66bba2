import pytest

from trialkit.errors import JournalError
from trialkit.journal import replay, sha256_hex


def refused(call, match):
    with pytest.raises(JournalError, match=match):
        call()


def test_a_second_result_for_a_period_has_to_name_the_first(write):
    write.start()
    write.open(1)
    first = write.result(1, 300)
    refused(lambda: write.result(1, 305), f"correct entry {first.number}")
    write.result(1, 305, corrects=first.number, because="typing error")


def test_a_measured_value_and_a_typed_one_share_their_place(write):
    write.start()
    write.open(1)
    void = write("measured", period=1, outcome="power", unit="W", reason="the strap fell off")
    refused(lambda: write.result(1, 305), "says it already")
    write.result(1, 305, corrects=void.number, because="read from the display")


def test_familiarisation_and_baseline_count_their_own_periods(write):
    write.result(1, 290, phase="familiarisation")
    write.result(1, 291, phase="baseline")
    refused(lambda: write.result(1, 292, phase="baseline"), "says it already")


def test_a_corrected_entry_cannot_be_corrected_again_itself(write):
    note = write("note", text="a")
    second = write("note", text="b", corrects=note.number, because="r")
    refused(
        lambda: write("note", text="c", corrects=note.number, because="r"),
        f"entry {second.number} has corrected it",
    )
    write("note", text="c", corrects=second.number, because="r")


def test_a_withdrawn_entry_frees_its_place(write):
    write.start()
    write.open(1)
    wrong = write.result(1, 300)
    write("withdrawal", corrects=wrong.number, because="was another athlete's")
    write.result(1, 310)


def test_a_correction_may_move_a_result_to_a_free_period_only(write):
    write.start()
    write.open(1)
    write.open(2)
    first = write.result(1, 300)
    moved = write.result(2, 300, corrects=first.number, because="was period 2")
    back = write.result(1, 310)
    refused(
        lambda: write.result(2, 310, corrects=back.number, because="r"),
        f"entry {moved.number} says it already",
    )


def test_corrections_say_the_same_sort_of_thing(write):
    note = write("note", text="a")
    refused(
        lambda: write("harm", what="x", grade="mild", corrects=note.number, because="r"),
        "harm in place of note",
    )
    refused(lambda: write("withdrawal"), "no entry named")
    refused(lambda: write("note", text="x", corrects=99, because="r"), "correction of entry 99")


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_acts_cannot_be_taken_back(write, number):
    write.start()
    write.open(1)
    refused(lambda: write("withdrawal", corrects=number, because="r"), "cannot be taken back")


def test_the_trial_is_created_once(write):
    refused(lambda: write("trial-created", trial_id="x"), "begins with trial-created")


def test_periods_are_opened_one_after_the_other(write):
    refused(lambda: write.open(1), "randomise first")
    write.start(4)
    refused(lambda: write.open(2), "period 1 comes first")
    write.open(1)
    refused(lambda: write.open(1), "second period-opened")
    write.open(2)
    refused(lambda: write.open(5), "4 periods are sealed")


def test_a_missed_period_is_passed_over_once_the_reason_is_told(write):
    write.start()
    missed = write("deviation", period=1, what="missed", reason="ill")
    write("withdrawal", corrects=missed.number, because="wrong week")
    refused(lambda: write.open(2), "period 1 comes first")
    write("deviation", period=1, what="missed", reason="ill")
    write.open(2)


def test_an_aborted_period_was_opened(write):
    write.start()
    write("deviation", period=1, what="aborted", reason="puncture")
    refused(lambda: write.open(2), "period 1 comes first")


@pytest.mark.parametrize("kind", ["result", "measured", "delivered", "guess"])
def test_nothing_is_known_of_a_period_that_is_not_opened(write, kind):
    write.start()
    payload = {
        "result": {"outcome": "power", "value": 300, "unit": "W"},
        "measured": {"outcome": "power", "value": 300, "unit": "W"},
        "delivered": {"condition": "with"},
        "guess": {"person": "athlete", "condition": "with"},
    }[kind]
    refused(lambda: write(kind, period=1, **payload), "has not been opened")
    write.open(1)
    write(kind, period=1, **payload)


def test_a_sequence_belongs_to_the_protocol_in_force(write):
    refused(lambda: write.seal(4), "not the protocol in force")
    write.start()
    text = "title = 'changed'"
    amendment = {
        "sha256": sha256_hex(text),
        "text": text,
        "differences": ["title"],
        "reason": "clearer",
    }
    refused(lambda: write("protocol-amended", version=3, **amendment), "give version 2")
    write("protocol-amended", version=2, **amendment)
    refused(lambda: write.seal(4, reason="again"), "not the protocol in force")


def test_an_amendment_needs_a_frozen_protocol(write):
    payload = {"sha256": sha256_hex("x"), "text": "x", "differences": [], "reason": "r"}
    refused(lambda: write("protocol-amended", version=2, **payload), "no frozen protocol")


def test_only_what_is_not_opened_is_drawn_anew_and_with_a_reason(write):
    write.start(4)
    write.open(1)
    refused(lambda: write.seal(3, first=2), "second drawing without a reason")
    refused(lambda: write.seal(4, first=1, reason="r"), "from a period of 2 to 5")
    refused(lambda: write.seal(4, first=6, reason="r"), "from a period of 2 to 5")
    write.seal(5, first=2, reason="one pair added after a missed one")
    assert replay(write.journal.entries()).planned == 6


def test_exclusions_are_late_once_the_conditions_are_shown(write):
    write.start()
    refused(lambda: write("exclusion", period=1, reason="ill", late=True), "have not been opened")
    write("exclusion", period=1, reason="ill", late=False)
    write("analysis-opened", purpose="look", periods=[1, 2])
    write("exclusion", period=3, reason="ill", late=False)
    refused(lambda: write("exclusion", period=2, reason="ill", late=False), "late = true")
    write("exclusion", period=2, reason="ill", late=True)
    write("analysis-opened", purpose="final analysis")
    refused(lambda: write("exclusion", period=4, reason="ill", late=False), "late = true")


def test_schedules_are_revised_one_after_the_other(write):
    write("schedule", revision=1, sessions=[])
    refused(lambda: write("schedule", revision=1, sessions=[]), "give revision 2")
    refused(lambda: write("schedule", revision=3, sessions=[]), "give revision 2")
    write("schedule", revision=2, sessions=[], reason="moved")
