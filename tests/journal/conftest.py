from datetime import datetime, timedelta, timezone
from pathlib import Path

import pytest

from trialkit.journal import Entry, Journal, sha256_hex

AT = datetime(2026, 3, 1, 7, 15, tzinfo=timezone(timedelta(hours=1)))
PROTOCOL = "title = 'invented'\r\n"


class Writer:
    """A journal with the caller's clock and name filled in; every entry a minute after the last."""

    def __init__(self, path: Path) -> None:
        self.journal = Journal.create(path, trial_id="invented-1", at=AT, who="coach")
        self.now = AT

    def __call__(
        self,
        kind: str,
        *,
        corrects: int | None = None,
        because: str | None = None,
        **payload: object,
    ) -> Entry:
        self.now += timedelta(minutes=1)
        return self.journal.append(
            kind, payload, at=self.now, who="coach", corrects=corrects, reason=because
        )

    def start(self, periods: int = 4) -> None:
        """Freeze the protocol and seal an order (the envelopes' content is not looked at here)."""
        self("protocol-frozen", sha256=sha256_hex(PROTOCOL), text=PROTOCOL)
        self.seal(periods)

    def seal(self, periods: int, first: int = 1, **more: object) -> Entry:
        return self(
            "sequence-sealed",
            commitment="c" * 64,
            protocol_sha256=sha256_hex(PROTOCOL),
            scheme="randomised-pairs",
            count=periods,
            envelopes=["AAAA"] * periods,
            closing="AAAA",
            first_period=first,
            keyholder="a second person",
            **more,
        )

    def open(self, period: int) -> Entry:
        return self(
            "period-opened",
            period=period,
            block=(period + 1) // 2,
            position=2 - period % 2,
            session=period,
            condition="with",
        )

    def result(self, period: int, value: float, **more: object) -> Entry:
        return self("result", period=period, outcome="power", value=value, unit="W", **more)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "trial.db"


@pytest.fixture
def write(path: Path):
    writer = Writer(path)
    yield writer
    writer.journal.close()


@pytest.fixture(scope="module")
def writer() -> type[Writer]:
    return Writer


@pytest.fixture
def at() -> datetime:
    return AT
