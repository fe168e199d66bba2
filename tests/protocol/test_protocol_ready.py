"""Every ready protocol loads, names the source of each figure, and carries its cautions."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from trialkit.design.threats import find_threats
from trialkit.domain.allocations import Severity
from trialkit.domain.plans import Plan
from trialkit.protocol import json_schema, loads, ready, ready_protocols, to_toml

READY = ready_protocols()
PROTOCOLS = Path(__file__).parents[2] / "protocols"
SCHEMA_FILE = "trialkit-protocol.schema.json"


def text_of(name: str) -> str:
    return READY[name].read_text(encoding="utf-8")


def plan_of(name: str) -> Plan:
    return loads(text_of(name), where=name).plan()


def test_the_corners_of_the_trade_are_there() -> None:
    plans = [plan_of(name) for name in READY]
    assert len(plans) >= 5
    assert any(p.design.periods_per_session == 2 and "warm" in p.title for p in plans)
    assert any(p.design.periods_per_session == 1 and "warm" in p.title for p in plans)
    assert any(p.design.scheme == "multi-day-blocks" for p in plans)
    assert any(p.design.scheme == "randomised-blocks" and len(p.conditions) == 3 for p in plans)
    assert any(p.design.scheme == "incomplete-blocks" for p in plans)


def test_an_installed_package_brings_its_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    inside = tmp_path / "ready_protocols"
    inside.mkdir()
    for name in ("b.toml", "a.toml", "schema.json"):
        (inside / name).write_text(name)
    monkeypatch.setattr(ready, "files", lambda _: tmp_path)
    assert [*ready_protocols()] == ["a", "b"]
    assert ready_protocols()["a"].read_text(encoding="utf-8") == "a.toml"


@pytest.mark.parametrize("name", READY)
def test_every_figure_has_its_source(name: str) -> None:
    plan = plan_of(name)
    spans = [plan.rest.between_periods, plan.rest.between_sessions, plan.rest.washout]
    sources = [plan.design.reason, plan.expected.source, *(s.reason for s in spans if s)]
    for outcome in plan.outcomes:
        sources += [outcome.worthwhile.reason] if outcome.worthwhile else []
        sources += [outcome.typical_error.source] if outcome.typical_error else []
        sources += [outcome.half_life_source] if outcome.half_life_min is not None else []
        sources += [outcome.familiarisation_source] if outcome.familiarisation_gain else []
    assert all(len(source) > 10 for source in sources)
    assert plan.primary is not None
    for figure in ("worthwhile", "typical_error", "half_life_min", "familiarisation_gain"):
        assert getattr(plan.primary, figure) is not None


@pytest.mark.parametrize("name", READY)
def test_cautions_stand_where_work_can_hurt(name: str) -> None:
    plan = plan_of(name)
    assert plan.hazards.effort in ("none", "submaximal", "maximal")
    assert plan.cautions
    assert plan.details["trial.stopping_rules"]
    assert plan.details["trial.eligibility"]
    assert plan.details["trial.harms"]
    assert plan.card
    if plan.hazards.diet or plan.hazards.supplements:
        assert "clinician" in " ".join(plan.cautions)


@pytest.mark.parametrize("name", READY)
def test_the_plan_can_answer_its_question(name: str) -> None:
    severe = [t for t in find_threats(plan_of(name)) if t.severity is Severity.CANNOT_ANSWER]
    assert severe == []


@pytest.mark.parametrize("name", READY)
def test_editors_accept_what_the_loader_accepts(name: str) -> None:
    assert text_of(name).startswith(f"#:schema ./{SCHEMA_FILE}\n")
    assert not list(Draft202012Validator(json_schema()).iter_errors(as_editor(text_of(name))))


@pytest.mark.parametrize("name", READY)
def test_a_ready_protocol_survives_being_written_again(name: str) -> None:
    protocol = loads(text_of(name), where=name)
    assert loads(to_toml(protocol), where=name) == protocol
    assert loads(to_toml(protocol.plan()), where=name).plan() == protocol.plan()


def test_the_schema_is_valid_and_refuses_what_the_loader_refuses(sound: str) -> None:
    Draft202012Validator.check_schema(json_schema())
    judge = Draft202012Validator(json_schema())
    assert not list(judge.iter_errors(as_editor(sound)))
    for old, new in [
        ("blocks = 8", "blocks = 8.5"),
        ("invented = true", "invent = true"),
        ('"finish_time"', '"finish"'),
        ('channel = "heart_rate"', 'channel = "pulse"'),
        ('effort = "maximal"', ""),
        ('"16:00"', '"4 pm"'),
        ('"vest"', '"Ice Vest"'),
    ]:
        assert list(judge.iter_errors(as_editor(sound.replace(old, new, 1)))), new


def test_every_key_is_explained_to_editors() -> None:
    tables = [json_schema(), *json_schema()["$defs"].values()]
    assert all(t["description"] for t in tables)
    assert all(
        p.get("description") or "$ref" in p for t in tables for p in t["properties"].values()
    )


def test_the_schema_beside_the_protocols_is_fresh() -> None:
    kept = (PROTOCOLS / SCHEMA_FILE).read_text(encoding="utf-8")
    assert kept == json.dumps(json_schema(), indent=1) + "\n", (
        "run python tools/write_protocol_schema.py"
    )


def as_editor(text: str) -> Any:
    """The file as an editor sees it: dates are texts."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        if isinstance(value, list):
            return [plain(item) for item in value]
        return value.isoformat() if isinstance(value, date) else value

    return plain(tomllib.loads(text))
