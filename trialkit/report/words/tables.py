"""Captions and heads of the page's tables."""

from __future__ import annotations

from typing import Final

PERIODS: Final = "All periods in time order"
PERIOD_HEADS: Final = ("Period", "Block", "Planned", "Rest drawn", "Held")
REMARK: Final = "Remark"
NOTED: Final = "Noted in each period"
NOTED_HEADS: Final = ("Period", "Condition")
SINCE: Final = "Since the period before"
CONTRASTS: Final = "All outcomes and comparisons"
OTHER_METHODS: Final = "Other methods"
SENSITIVITY: Final = "The same question by other methods"
SENSITIVITY_HEADS: Final = ("Method", "Difference", "Range", "p", "Verdict", "Note")
HARMS: Final = "Symptoms and injuries"
HARM_HEADS: Final = ("Period", "Condition", "What", "How bad")
DEVIATIONS: Final = "Deviations, corrections and notes"
DEVIATION_HEADS: Final = ("Entered", "Period", "What happened", "By")
AMENDMENTS: Final = "Changes of the plan"
AMENDMENT_HEADS: Final = ("Entered", "Field", "Before", "After", "Reason")
TO_LOOK_AT: Final = "To look at"
QUALITY: Final = "Quality of the data"
QUALITY_HEADS: Final = ("Item", "Periods", "State", "Finding")
FACTS: Final = "Fingerprints and versions"
FACT_HEADS: Final = ("What", "Value")


def contrast_heads(span: str) -> tuple[str, ...]:
    """Heads of the table of comparisons; ``span`` names the interval."""
    return ("Outcome", "Comparison", "Difference", span, "p", "p, adjusted", "Margin")
