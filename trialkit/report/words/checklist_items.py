"""The 44 items of the reporting guideline, in our own words, each with the way it is answered."""

from __future__ import annotations

from typing import Final

from trialkit.report.words import checklist_answers as a
from trialkit.report.words.checklist_answers import Item

_TRIAL = "protocol.toml, [trial] {}"
_ONE = "One athlete; it applies to a series."
_JOURNAL = "the journal (trialkit record)"


def _free(number: str, asks: str, *names: str) -> Item:
    return Item(number, asks, _TRIAL.format(" or ".join(names)), of_plan=a.detail(*names))


ITEMS: Final = (
    Item("1a", "title says n-of-1 trial", _TRIAL.format("title"), of_plan=a.title),
    Item(
        "1b",
        "structured summary",
        "the analysis (trialkit analyse)",
        of_page=a.section("the first screen and the athlete sheet", told=a.estimated),
    ),
    _free("2a.1", "background and why the question matters", "background"),
    _free("2a.2", "why a trial in one person suits the question", "why_single_athlete"),
    Item(
        "2b",
        "specific aim with direction and margin",
        "protocol.toml, [trial] aim and [outcomes.worthwhile]",
        of_plan=a.aim,
    ),
    Item("3a", "design, periods, run-in, washout", "protocol.toml, [design]", of_plan=a.design),
    Item("3b", "changes of method after the start, with reasons", _JOURNAL, of_page=a.amended),
    _free("4a", "who the person is and what else they do or take", "profile"),
    _free("4b", "where data were collected", "site"),
    _free("4c", "personal use or research, and ethics approval", "purpose", "ethics"),
    Item(
        "5",
        "each condition in enough detail to repeat it",
        "protocol.toml, [[conditions]] recipe",
        of_plan=a.recipes,
    ),
    Item("6a.1", "outcomes defined", "protocol.toml, [[outcomes]]", of_plan=a.outcomes),
    Item(
        "6a.2",
        "how reliable the outcome is",
        "protocol.toml, [outcomes.typical_error]",
        of_plan=a.reliability,
    ),
    Item("6b", "changes of outcomes after the start", _JOURNAL, of_page=a.amended),
    Item(
        "7a",
        "how the number of periods was chosen",
        "protocol.toml, [design] reason",
        of_plan=lambda plan: plan.design.reason,
    ),
    Item("7b", "looks and stopping rules", "protocol.toml, [analysis] looks", of_plan=a.looks),
    Item("8a.1", "whether and how the order was drawn", "[design]", of_plan=a.randomisation),
    Item("8a.2", "the full intended order", "the journal (trialkit randomise)", of_page=a.order),
    Item("8b", "kind of randomisation and restrictions", "[design]", of_plan=a.restrictions),
    Item(
        "9",
        "how the order was kept hidden",
        "the journal (trialkit randomise)",
        of_page=a.concealment,
    ),
    Item("10", "who drew, opened and assigned", "protocol.toml, [roles]", of_plan=a.roles),
    Item("11a", "who was blind and how", "protocol.toml, [roles] blind", of_plan=a.blinding),
    Item(
        "11b",
        "how alike the conditions were",
        "protocol.toml, [[conditions]] alike",
        of_plan=a.alike,
    ),
    Item("12a", "methods of analysis", "protocol.toml, [analysis]", of_plan=a.analysis),
    Item("12b", "how trials are combined", "", never=_ONE),
    Item(
        "12c",
        "carryover, period effects, correlation in time",
        "protocol.toml, [analysis]",
        of_plan=a.nuisances,
    ),
    Item("13a.1", "periods held against planned", _JOURNAL, of_page=a.completed),
    Item("13a.2", "numbers of athletes", "", never=_ONE),
    Item("13b", "losses and exclusions with reasons", _JOURNAL, of_page=a.exclusions),
    Item("14a", "dates", _JOURNAL, of_page=a.dates),
    Item("14b", "whether and why stopped early", _JOURNAL, of_page=a.stopped),
    Item("15", "the person at baseline", _TRIAL.format("profile"), of_page=a.baseline),
    Item("16", "periods analysed per condition", _JOURNAL, of_page=a.analysed),
    Item(
        "17a.1",
        "results of every period, with a plot",
        _JOURNAL,
        of_page=a.section("Every period, in order", told=lambda c: bool(c.trial_periods())),
    ),
    Item(
        "17a.2",
        "effect with its precision",
        "the analysis (trialkit analyse)",
        of_page=a.section("All outcomes", told=a.estimated),
    ),
    Item("17b", "binary outcomes: absolute and relative", "", never="No outcome is yes or no."),
    Item(
        "18",
        "further analyses, planned or not",
        "the analysis (trialkit analyse)",
        of_page=a.section("Does the answer hang on the method?", told=a.estimated),
    ),
    Item("19", "harms by condition", "the journal (trialkit record --harm)", of_page=a.harms),
    Item("20", "limits", "", of_page=a.section("What this result cannot tell")),
    Item("21", "how far the result reaches", "", of_page=a.section("What this result cannot tell")),
    Item(
        "22",
        "interpretation that fits the results",
        "the analysis (trialkit analyse)",
        of_page=a.section("the first screen", told=a.estimated),
    ),
    Item("23", "registration", _TRIAL.format("registration"), of_page=a.protocol_hash),
    Item(
        "24",
        "where the protocol can be read",
        "the journal (trialkit randomise)",
        of_page=lambda c: (
            ""
            if c.seal is None
            else "In protocol.toml beside this report; its fingerprint is under “Method”."
        ),
    ),
    _free("25", "funding and equipment given", "funding"),
)
