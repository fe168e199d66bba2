"""Fields a protocol should hold beyond the reporting items, named before the first period.

They follow the n-of-1 extension of the protocol guideline (SPENT 2019, BMJ 2020;368:m122), whose
numbering was not seen: they carry no numbers of the standard, and their list is from memory.
"""

from __future__ import annotations

from typing import Final

from trialkit.report.words import checklist_answers as a
from trialkit.report.words.checklist_answers import Item

_FIELDS: Final = (
    ("protocol version and date", ("version", "written")),
    ("framework", ("framework",)),
    ("who chose outcome and margin", ("who_chose_margin",)),
    ("when the person may take part", ("eligibility",)),
    ("what else is allowed and forbidden", ("co_interventions",)),
    ("devices", ("equipment",)),
    ("how harms are noticed", ("harms",)),
    ("when the trial is stopped", ("stopping_rules",)),
    ("data storage and access", ("data_handling",)),
    ("when the athlete sees results", ("results_to_athlete",)),
    ("what happens after each verdict", ("after_trial",)),
)
PROTOCOL_ITEMS: Final = (
    *(
        Item("–", asks, f"protocol.toml, [trial] {' and '.join(names)}", of_plan=a.detail(*names))
        for asks, names in _FIELDS
    ),
    Item(
        "–",
        "why each condition is compared",
        "protocol.toml, [[conditions]] why",
        of_plan=lambda plan: "; ".join(f"{c.label}: {c.why}" for c in plan.conditions if c.why),
    ),
    Item(
        "–",
        "what happens to missed periods",
        "protocol.toml, [analysis] missing_rule",
        of_plan=lambda plan: plan.analysis.missing_rule,
    ),
)
