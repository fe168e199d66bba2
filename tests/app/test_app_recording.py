"""Entering what happened: asked at a terminal, by flags, from a table, all or nothing."""

import shutil
from datetime import UTC, datetime

import pytest

from trialkit.app.new import new_trial
from trialkit.app.opening import open_next
from trialkit.app.randomise import DrawRequest, randomise
from trialkit.app.recording import RecordRequest, record
from trialkit.app.results import read_number
from trialkit.app.trials import open_trial
from trialkit.app.verifying import verify
from trialkit.errors import RequestError
from trialkit.journal.records import Covariate, Delivered, Deviation, Expectation, Guess, Harm

AT = datetime(2026, 3, 2, 9, tzinfo=UTC)
BY = {"at": AT, "who": "coach"}


@pytest.fixture
def root(tmp_path):
    folder = tmp_path / "trial"
    new_trial(folder, template="shoes-at-a-fixed-speed")
    request = DrawRequest(entropy=lambda n: bytes(range(n)), seed=9, accept_threats=True)
    randomise(folder, request, **BY)
    open_next(folder, code="", **BY)
    return folder


def test_without_flags_every_outcome_is_asked_for_the_typed_ones_first(root):
    plan = open_trial(root).plan
    typed = sorted(plan.outcomes, key=lambda o: o.measure is not None)
    asked = []

    def ask(question):
        asked.append(question)
        return "12,5" if len(asked) == 1 else ""

    record(root, RecordRequest(), ask=ask, **BY)
    assert len(asked) == len(typed)
    assert all(o.unit in question for o, question in zip(typed, asked, strict=True))
    values = open_trial(root).state.values
    assert [t.record.value for t in values.values()] == [12.5]


def test_one_request_enters_everything_about_a_period(root):
    plan = open_trial(root).plan
    other = plan.condition_names[0]
    request = RecordRequest(
        delivered=other,
        fidelity="partial",
        reason="stopped two minutes early",
        expectation=other,
        guess=other,
        harm="sore calf",
        grade="moderate",
        covariates=("sleep_h=7,5", "surface=wet"),
    )
    record(root, request, **BY)
    state = open_trial(root).state
    (delivered,) = [t.record for t in state.of(Delivered)]
    assert (delivered.condition, str(delivered.fidelity)) == (other, "partial")
    assert [t.record.what for t in state.of(Harm)] == ["sore calf"]
    assert [t.record.value for t in state.of(Covariate)] == [7.5, "wet"]
    assert len(state.of(Guess)) == len(state.of(Expectation)) == 1


def test_a_moved_period_keeps_its_new_day(root):
    request = RecordRequest(period=3, deviation="moved", moved_to="2026-03-20", reason="travel")
    record(root, request, **BY)
    (told,) = open_trial(root).state.of(Deviation)
    assert told.record.moved_to == "2026-03-20"


def test_a_request_with_one_wrong_part_enters_nothing(root):
    before = open_trial(root).state
    with pytest.raises(RequestError, match="no such condition"):
        record(root, RecordRequest(note="kept?", guess="nonsense"), **BY)
    assert open_trial(root).state == before


def test_a_table_is_entered_whole_or_not_at_all(root, tmp_path):
    plan = open_trial(root).plan
    name = plan.outcomes[0].name
    table = tmp_path / "results.csv"
    table.write_text(f"period;outcome;value\n1;{name};12,5\n2;{name};13,0\n")
    with pytest.raises(RequestError, match="not been opened") as error:
        record(root, RecordRequest(table=table), **BY)
    assert error.value.problems[0].line == 3
    assert not open_trial(root).state.values
    table.write_text(f"period;outcome;value\n1;{name};12,5\n")
    record(root, RecordRequest(table=table), **BY)
    assert len(open_trial(root).state.values) == 1


def test_nothing_to_enter_is_said(root):
    with pytest.raises(RequestError, match="nothing to enter"):
        record(root, RecordRequest(), **BY)


def test_a_copy_of_the_folder_is_a_backup(root, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(root, copy)
    record(root, RecordRequest(note="written after the copy"), **BY)
    assert verify(copy).exit_status == 0
    assert len(open_trial(copy).state.in_force) + 1 == len(open_trial(root).state.in_force)


@pytest.mark.parametrize(
    ("text", "value"), [("34.2", 34.2), ("34,2", 34.2), (" -3 ", -3.0), ("1,23456", 1.23456)]
)
def test_numbers_are_read_as_people_write_them(text, value):
    assert read_number(text, where="--value") == value


@pytest.mark.parametrize("text", ["1,234", "12 W", "", "1.2.3", "1e5", "nan"])
def test_doubtful_numbers_are_asked_about(text):
    with pytest.raises(RequestError, match=r"[Ff]ix"):
        read_number(text, where="--value")
