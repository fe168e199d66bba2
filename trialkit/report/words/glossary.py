"""Technical words of the page, each explained in a sentence without other technical words."""

from __future__ import annotations

from typing import Final

GLOSSARY: Final[dict[str, str]] = {
    "n-of-1 trial": (
        "A trial in one person: the things compared are tried several times each, in random order."
    ),
    "condition": "One of the things compared.",
    "reference": "The condition the others are compared with.",
    "period": "One go: one condition is used once and measured.",
    "block": "A group of periods that holds every condition once, close together in time.",
    "pair": "A block of two periods, one under each condition.",
    "random order": (
        "Chance decided which condition came first, so that good and bad days cannot favour one."
    ),
    "outcome": "What is measured.",
    "primary outcome": (
        "The one outcome named before the first period to give the verdict. All others are extras."
    ),
    "smallest worthwhile change": (
        "The least difference that would matter to this athlete, set before the first period."
    ),
    "typical error": (
        "How much one measurement wanders up and down by itself when nothing has changed."
    ),
    "noise": "Ups and downs that come by themselves: the day, the device, the sleep.",
    "minimal detectable change": (
        "The difference that noise alone would exceed only about 5 times in 100."
    ),
    "95 % range": (
        "The confidence interval: ranges made this way hold the true difference 95 times in 100."
    ),
    "90 % range": "The same with 90 times in 100; it decides whether a difference is too small.",
    "chance": (
        "How likely the true difference is in a zone, given these data and the stated assumptions "
        "about noise and about effects in general."
    ),
    "verdict": "The decision by the rule that was written down before the first period.",
    "p value": (
        "How often chance alone would give a difference at least this big if the condition did "
        "nothing. It is not the chance that the result is wrong."
    ),
    "paired t": "Takes the difference inside each pair and looks at their mean and their spread.",
    "mixed model": (
        "An analysis that can use blocks with missing periods by modelling what blocks share."
    ),
    "randomisation test": (
        "Compares the result with all the orders that chance could have drawn instead."
    ),
    "sensitivity": "The same question asked by other sensible methods: does the answer move?",
    "carryover": "What is left of one period's effect when the next one starts.",
    "washout": "The gap that lets the effect of the last period fade.",
    "standard deviation": "How far single values typically lie from their mean.",
    "deviation": "Something that did not go as planned.",
    "amendment": "A change of the plan after the order was drawn, with its reason.",
    "blinding": "Not knowing which condition it is, so that hopes cannot move the result.",
    "simultaneous band": (
        "A band around the whole curve: noise alone would leave it anywhere at all only about "
        "5 times in 100."
    ),
    "fingerprint": (
        "A number computed from a file (SHA-256). If one letter of the file changes, it changes."
    ),
    "seed": "The number from which the random order was drawn; with it anyone can draw it again.",
}
