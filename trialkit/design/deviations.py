"""What a missed, moved, aborted or swapped period does, in words, and what to do about it."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from trialkit.design.detectable import detectable_effect
from trialkit.design.precision import precision_of
from trialkit.design.schemes import block_length, possible_sequences
from trialkit.design.threats.sizes import digits, of_typical_error
from trialkit.domain.plans import Plan
from trialkit.errors import Problem, RequestError

KINDS: Final = ("missed", "moved", "aborted", "swapped")
_WITHOUT_SMALL_BLOCKS: Final = frozenset({"restricted", "phase-change", "fixed"})


def effect_of_deviation(plan: Plan, kind: str, period: int) -> str:
    """Say what a deviation of one period does to the reference set and to the analysis.

    Parameters
    ----------
    kind
        ``missed`` (not held), ``moved`` (held on another day, order kept), ``aborted`` (begun and
        broken off) or ``swapped`` (another condition was applied than the drawn one).
    period
        Number of the period, from 1.

    Raises
    ------
    RequestError
        For another kind, or a period the plan does not have.
    """
    length = possible_sequences(plan).length
    problems = []
    if kind not in KINDS:
        problems.append(
            Problem("deviation", repr(kind), "is not known here.", "use " + ", ".join(KINDS) + ".")
        )
    if not 1 <= period <= length:
        problems.append(
            Problem(
                where="period",
                found=str(period),
                wrong=f"the trial has periods 1 to {length}.",
                fix="give the number of the period.",
            )
        )
    if problems:
        raise RequestError(problems)
    block = (period - 1) // block_length(plan) + 1
    tell = {"missed": _missed, "moved": _moved, "aborted": _aborted, "swapped": _swapped}[kind]
    return tell(plan, period, block)


def _orders(plan: Plan) -> str:
    count = possible_sequences(plan).count()
    return "the one order the plan fixed" if count == 1 else f"the {count:,} orders possible"


def _missed(plan: Plan, period: int, block: int) -> str:
    return (
        f"Period {period} is missed. Make it up where the rests allow, best before the next block "
        f"starts: `trialkit next DIR --period {period}` opens it then, with the condition that was "
        "drawn for it, and it counts like any other. Reference set: it stays "
        f"{_orders(plan)}, compared over the periods that were held. Analysis, if it is not made "
        f"up: {_incomplete(plan, block)}"
    )


def _incomplete(plan: Plan, block: int) -> str:
    if plan.design.scheme in _WITHOUT_SMALL_BLOCKS:
        return (
            "one value less of its condition; the means weigh their values as before. It counts "
            "as missing by chance only when the reason has nothing to do with the condition."
        )
    return (
        f"block {block} is incomplete. {_with_one_block_less(plan)}The mixed model still uses what "
        "was measured in the block. Both count it as missing by chance: a reason that has to do "
        "with the condition (it hurt, it tired) would bias them."
    )


def _with_one_block_less(plan: Plan) -> str:
    blocks = plan.design.blocks
    fewer = replace(plan, design=replace(plan.design, blocks=max(1, blocks - 1)))
    before, after = precision_of(plan), precision_of(fewer)
    if after.df <= 0:
        return "No whole blocks are left to estimate noise from. "
    smallest, larger = (
        of_typical_error(plan, detectable_effect(precision, level=plan.analysis.level))
        for precision in (before, after)
    )
    grows = ""
    if smallest and larger:
        grows = (
            f", and the effect probably found grows from {digits(smallest[0])} to "
            f"{digits(larger[0])} {larger[1]}"
        )
    return (
        f"Whole blocks alone leave {blocks - 1} of {blocks} ({after.df:g} degrees of freedom "
        f"instead of {before.df:g}{grows}). "
    )


def _moved(plan: Plan, period: int, block: int) -> str:
    return (
        f"Period {period} is moved. Reference set: the order is kept, so it stays {_orders(plan)} "
        f"and nothing is lost. Analysis: block {block} stays whole; trend and serial models take "
        "the day it was really held, and the rest before it is kept as it really was. A period "
        "that would come to lie behind a later one is a change of order: record that as swapped."
    )


def _aborted(plan: Plan, period: int, block: int) -> str:
    whole = plan.design.scheme in _WITHOUT_SMALL_BLOCKS
    lost = "its condition has one value less" if whole else f"block {block} counts as incomplete"
    return (
        f"Period {period} is aborted: whatever was measured in it stays in the data and is left "
        f"out of the analysis, so that {lost}. The order stays as drawn and the period is not "
        "repeated; if the condition was the reason, enter that as well (`trialkit record DIR "
        "--harm TEXT`)."
    )


def _swapped(plan: Plan, period: int, block: int) -> str:
    return (
        f"Period {period} got another condition than the drawn one. Reference set: it stays "
        f"{_orders(plan)}, and only a comparison by the condition as drawn is protected by the "
        f"draw. Analysis: by condition as drawn first, by condition as applied beside it; block "
        f"{block} no longer holds every condition unless its other period was exchanged as well. "
        "The periods that are still sealed stay as they are: exchanging one more to make up for "
        "it would be choosing the order."
    )
