import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trialkit.errors import JournalError
from trialkit.journal import Journal, history_of, replay, sha256_hex
from trialkit.journal.records import Departure, Exclusion, Note, Phase, Result


def state_of(write):
    return replay(write.journal.entries())


def test_a_correction_takes_the_place_and_keeps_the_history(write):
    write.start()
    write.open(1)
    first = write.result(1, 300)
    second = write.result(1, 305, corrects=first.number, because="typing error")
    third = write.result(1, 306, corrects=second.number, because="read again")
    told = state_of(write).values[Phase.TRIAL, 1, "power"]
    assert told.record == Result(1, "power", 306.0, "W")
    assert told.entries == (first.number, second.number, third.number)
    assert told.entry == third.number
    assert told.corrected
    assert told.reasons == ("typing error", "read again")
    for entry in (first, second, third):
        assert history_of(write.journal.entries(), entry.number) == (first, second, third)
    assert write.journal.entries()[first.number - 1].payload["value"] == 300.0


def test_what_was_withdrawn_is_still_told(write):
    note = write("note", text="a")
    write("withdrawal", corrects=note.number, because="another trial")
    state = state_of(write)
    assert state.of(Note) == ()
    (told,) = state.withdrawn
    assert told.record == Note("a")
    assert told.reasons == ("another trial",)


def test_late_changes_are_marked_and_early_ones_are_not(write):
    write.start()
    for period in (1, 2):
        write.open(period)
    early = write.result(1, 300)
    write.result(1, 301, corrects=early.number, because="typing error")
    second = write.result(2, 290)
    write("analysis-opened", purpose="look", periods=[2])
    write("note", text="about period 1", period=1)
    write.result(2, 299, corrects=second.number, because="read again")
    write("exclusion", period=2, reason="headwind", late=True, outcome="power")
    state = state_of(write)
    assert not state.values[Phase.TRIAL, 1, "power"].late
    assert state.values[Phase.TRIAL, 2, "power"].late
    assert [t.late for t in state.of(Exclusion)] == [True]
    assert [t.late for t in state.of(Note)] == [False]
    assert list(state.excluded("power")) == [2]
    assert not state.excluded("heart rate")


def test_an_exclusion_of_the_whole_period_holds_for_every_outcome(write):
    write.start()
    entry = write("exclusion", period=1, reason="ill", late=False)
    assert list(state_of(write).excluded("anything")) == [1]
    write("withdrawal", corrects=entry.number, because="was period 2")
    assert not state_of(write).excluded("anything")


def test_the_protocol_and_the_schedule_in_force_are_the_latest(write):
    assert state_of(write).protocol is None
    assert state_of(write).schedule is None
    write.start()
    assert state_of(write).protocol.text.endswith("\r\n")
    for version in (2, 3):
        text = f"version {version}"
        write(
            "protocol-amended",
            version=version,
            sha256=sha256_hex(text),
            text=text,
            differences=[],
            reason="r",
        )
        write("schedule", revision=version - 1, sessions=[])
    assert state_of(write).protocol.text == "version 3"
    assert state_of(write).schedule.revision == 2


def test_the_next_period_follows_what_was_opened_missed_and_moved(write):
    assert state_of(write).next_period is None
    write.start(4)
    assert state_of(write).next_period == 1
    write.open(1)
    write("deviation", period=2, what="missed", reason="ill")
    write("deviation", period=3, what="moved", reason="rain", moved_to="2026-03-20")
    assert state_of(write).next_period == 4
    write.open(4)
    assert state_of(write).next_period == 3
    write.open(3)
    assert state_of(write).next_period is None
    assert state_of(write).periods_with(Departure.MISSED) == {2}


def test_each_period_belongs_to_the_seal_drawn_last_for_it(write):
    write.start(4)
    write.open(1)
    write.seal(5, first=2, reason="a pair added")
    state = state_of(write)
    assert state.planned == 6
    assert state.seal_of(1).count == 4
    assert state.seal_of(2).count == 5
    assert state.seal_of(7) is None


def test_a_shorter_second_drawing_ends_the_sequence(write):
    write.start(4)
    write.open(1)
    write.seal(1, first=2, reason="stopped after the first pair")
    assert state_of(write).planned == 2
    assert state_of(write).seal_of(3) is None


def test_a_journal_without_its_first_entry_is_refused():
    with pytest.raises(JournalError, match="creates the trial"):
        replay(())


# What a person may do at any moment; most of it is refused at most moments.
steps = st.lists(
    st.one_of(
        st.tuples(st.just("open"), st.integers(1, 4)),
        st.tuples(st.just("result"), st.integers(1, 4), st.integers(250, 350)),
        st.tuples(st.just("correct"), st.integers(0, 30), st.integers(1, 4), st.integers(250, 350)),
        st.tuples(st.just("withdraw"), st.integers(0, 30)),
        st.tuples(st.just("exclude"), st.integers(1, 4), st.booleans()),
        st.tuples(st.just("miss"), st.integers(1, 4)),
        st.tuples(st.just("look")),
    ),
    max_size=25,
)


class Live:
    """Where the trial stands, kept up step by step in plain dictionaries beside the journal."""

    def __init__(self):
        self.values, self.opened, self.excluded, self.missed = {}, set(), {}, {}

    def take(self, write, step):
        what, *about = step
        getattr(self, what)(write, *about)

    def open(self, write, period):
        write.open(period)
        self.opened.add(period)

    def result(self, write, period, value):
        self.values[write.result(period, value).number] = (period, float(value))

    def correct(self, write, number, period, value):
        entry = write.result(period, value, corrects=number, because="r")
        del self.values[number]
        self.values[entry.number] = (period, float(value))

    def withdraw(self, write, number):
        write("withdrawal", corrects=number, because="r")
        for kept in (self.values, self.excluded, self.missed):
            kept.pop(number, None)

    def exclude(self, write, period, late):
        entry = write("exclusion", period=period, reason="r", late=late)
        self.excluded[entry.number] = period

    def miss(self, write, period):
        entry = write("deviation", period=period, what="missed", reason="r")
        self.missed[entry.number] = period

    def look(self, write):
        write("analysis-opened", purpose="look")


@given(steps)
@settings(max_examples=40, derandomize=True, deadline=None)
def test_replaying_the_file_gives_the_state_that_was_lived(writer, steps):
    with tempfile.TemporaryDirectory() as folder:
        write, live = writer(Path(folder) / "trial.db"), Live()
        write.start(4)
        for step in steps:
            before = write.journal.entries()
            try:
                live.take(write, step)
            except JournalError:
                assert write.journal.entries() == before
        write.journal.close()
        with Journal.open(Path(folder) / "trial.db", read_only=True) as journal:
            assert journal.verify() == ()
            entries = journal.entries()
    state = replay(entries)
    values = {key[1]: told.record.value for key, told in state.values.items()}
    assert values == dict(live.values.values())
    assert set(state.opened) == live.opened
    assert set(state.excluded("power")) == set(live.excluded.values())
    assert state.periods_with(Departure.MISSED) == set(live.missed.values())
    # Nothing is forgotten: every entry is told of exactly once.
    told = [n for t in (*state.in_force, *state.withdrawn) for n in t.entries]
    assert sorted(told) == list(range(1, len(entries) + 1))
