"""Trials and tables in a notebook: values in, results and data frames out.

Everything goes through the same use cases as the command line; opening the data of a trial is
recorded in its journal here as there.
"""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.analysing import analyse_trial
from trialkit.app.estimating import TableColumns, TableQuestion, estimate_frame
from trialkit.app.looks import opening_drafts, opening_notes, refuse_unasked_look
from trialkit.app.page_content import period_rows
from trialkit.app.reporting import report_content
from trialkit.app.trials import Trial, open_trial
from trialkit.errors import Problem, RequestError
from trialkit.report.content import OutcomeResult, PageContent
from trialkit.report.gallery import names_of
from trialkit.report.words.verdicts import Names

if TYPE_CHECKING:
    from pandas import DataFrame

    from trialkit.domain.estimates import Contrast, Estimate
    from trialkit.domain.plans import Plan


@dataclass(frozen=True, eq=False)
class Result:
    """The answer for one outcome; shows itself in the words of the page."""

    answer: OutcomeResult
    names: Names

    @property
    def estimate(self) -> Estimate | None:
        """All figures, on the scale of the analysis; None where there is no answer."""
        return self.answer.estimate

    @property
    def contrast(self) -> Contrast:
        """The comparison that is told first."""
        return self.answer.contrast

    @property
    def verdict(self) -> str | None:
        """The verdict by the declared rule; None for an outcome that carries none."""
        decision = None if self.estimate is None else self.estimate.decision
        return None if decision is None else str(decision.verdict)

    def __repr__(self) -> str:
        from trialkit.report.terminal import summarise

        return summarise(self.answer, self.names if self.answer.estimate else None)

    def _repr_html_(self) -> str:
        from trialkit.report.snippet import result_html

        return result_html(self.answer, self.names)


@dataclass(frozen=True, eq=False)
class Results:
    """The answers of a trial by outcome, the primary first."""

    results: tuple[Result, ...]
    notes: tuple[str, ...] = ()

    @property
    def primary(self) -> Result:
        """The first result, which is the primary outcome's where the plan names one."""
        return self.results[0]

    def __iter__(self) -> Iterator[Result]:
        return iter(self.results)

    def __len__(self) -> int:
        return len(self.results)

    def __getitem__(self, outcome: str) -> Result:
        for result in self.results:
            if result.answer.outcome.name == outcome:
                return result
        raise KeyError(outcome)

    def __repr__(self) -> str:
        return "\n\n".join([*map(repr, self.results), *self.notes])

    def _repr_html_(self) -> str:
        from markupsafe import escape

        shown = [result._repr_html_() for result in self.results]
        return "\n".join([*shown, *(f"<p>{escape(note)}</p>" for note in self.notes)])


class LoadedTrial:
    """A trial opened in a notebook, as it stands when it was loaded."""

    def __init__(self, trial: Trial, *, who: str, interim: bool) -> None:
        self._trial = trial
        self._who = who
        self._interim = interim

    def __repr__(self) -> str:
        state = self._trial.state
        held = len(self._trial.done)
        return f"{self.plan.title}: {held} of {state.planned} periods accounted for"

    @property
    def plan(self) -> Plan:
        """The plan as it stands in the journal."""
        return self._trial.plan

    def estimate(self) -> Results:
        """Estimate all outcomes as declared; opening the data is recorded."""
        self._open()
        content = PageContent(plan=self.plan, estimates=self._answers, periods=(), generated_at="")
        return Results(
            tuple(Result(a, names_of(content, a)) for a in self._answers),
            tuple(opening_notes(self._trial)),
        )

    def table(self) -> DataFrame:
        """Give one row per period and outcome, missing values included; opening is recorded.

        Units are in the column ``unit``, what the columns mean in ``table().attrs``.
        """
        from pandas import DataFrame, to_datetime

        from trialkit.report.data_tables import values_table

        self._open()
        empty = tuple(OutcomeResult(o, None) for o in self.plan.outcomes)
        table = values_table(
            PageContent(
                plan=self.plan,
                estimates=empty,
                periods=period_rows(self._trial),
                generated_at="",
            )
        )
        frame = DataFrame(list(table.rows), columns=[c.name for c in table.columns])
        frame["value"] = frame["value"].astype(float)
        frame["started_at"] = to_datetime(frame["started_at"], utc=True)
        for name in ("block", "session"):
            frame[name] = frame[name].astype("Int64")
        frame.attrs = {c.name: c.description for c in table.columns}
        return frame

    def page_html(self, *, decimal_comma: bool = False) -> str:
        """Write the whole page as one HTML document; opening the data is recorded."""
        from trialkit.report.page import render_page

        self._open()
        return render_page(report_content(self._trial, self._answers), decimal_comma=decimal_comma)

    @cached_property
    def _answers(self) -> tuple[OutcomeResult, ...]:
        return analyse_trial(self._trial)

    def _open(self) -> None:
        refuse_unasked_look(self._trial, asked=self._interim)
        if drafts := opening_drafts(self._trial):
            self._trial.add(drafts, at=datetime.now(UTC).astimezone(), who=self._who)
            self._trial = open_trial(self._trial.folder.root)


def load(root: Path | str, *, who: str = "", interim: bool = False) -> LoadedTrial:
    """Open a trial's folder. Its data stay closed until something is asked that needs them.

    Parameters
    ----------
    root
        The folder that holds protocol.toml and trial.db.
    who
        Who opens the data, for the journal; the login name if left out.
    interim
        Look at the results of an unfinished trial although no look was declared; it is recorded.

    Raises
    ------
    RequestError
        When the folder holds no trial, or no order was drawn yet.
    """
    return LoadedTrial(open_trial(Path(root)), who=who or getpass.getuser(), interim=interim)


def estimate(frame: DataFrame, columns: TableColumns, question: TableQuestion) -> Result:
    """Estimate the difference between conditions in a long data frame, one row per period.

    Raises
    ------
    RequestError
        When a column is missing or holds no numbers, or the request does not fit.
    UnanswerableError
        When the data cannot answer the question.
    """
    wanted = [columns.outcome, columns.condition, columns.block, columns.period, columns.trend]
    problems = [
        Problem(
            where=name,
            found="columns " + ", ".join(map(str, frame.columns)),
            wrong="this column is not among them.",
            fix="name a column of the data frame.",
        )
        for name in wanted
        if name is not None and name not in frame.columns
    ]
    if not problems and frame[columns.outcome].dtype.kind not in "iuf":
        problems = [
            Problem(
                where=columns.outcome,
                found=f"a column of type {frame[columns.outcome].dtype}",
                wrong="numbers are needed.",
                fix="turn the column into numbers first.",
            )
        ]
    if problems:
        raise RequestError(problems)
    from trialkit.report.terminal import plain_names

    answer = estimate_frame(frame, columns, question)
    return Result(answer, plain_names(answer))
