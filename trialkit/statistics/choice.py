"""Which method answers the question, and why: the default table of the house."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trialkit.domain.observations import Observations
from trialkit.errors import Problem, RequestError, UnanswerableError
from trialkit.statistics.options import EstimateOptions
from trialkit.statistics.paired import complete_blocks
from trialkit.statistics.printed import counted

# With fewer degrees of freedom inside blocks the trial's own noise is known too badly for a
# verdict: the median 95 % half-width is 2.9 noise SDs with three pairs (2 df) and 8.6 with two
# (1 df), against 2.0 with four (3 df); in blocks of two of three conditions it is 7.4 with three
# blocks (1 df) and 2.0 with six (4 df). `reports/calibration` has error rates on both sides.
ENOUGH_DF = 3
# Borrowed noise needs no own, but a difference seen in one block only could be that of the order.
FEWEST_DF_WITH_BORROWED = 1


@dataclass(frozen=True, slots=True)
class Choice:
    """The chosen method, the sentence that says why, and whether it may carry a verdict.

    ``method`` is ``guarded`` where the mixed model was chosen, not asked for.
    """

    method: str
    why: str
    verdict: bool = True
    notes: tuple[str, ...] = ()


def complete_count(obs: Observations) -> int:
    """Number of blocks that hold every condition."""
    return int(np.unique(obs.block[complete_blocks(obs)]).size)


def df_inside_blocks(obs: Observations) -> int:
    """Degrees of freedom which differences inside blocks leave for noise, before further terms.

    Comparisons made inside blocks less those estimated: B - 1 for B complete pairs.

    Examples
    --------
    >>> blocks = np.array(list("112233"))
    >>> df_inside_blocks(Observations(np.arange(6.0), np.array(list("abbaab")), blocks, "a"))
    2
    """
    cells = set(zip(obs.block.tolist(), obs.condition.tolist(), strict=True))
    return max(0, len(cells) - np.unique(obs.block).size - (len(obs.levels) - 1))


def check_answerable(obs: Observations, options: EstimateOptions) -> None:
    """Refuse questions that no method can answer, all reasons at once.

    Raises
    ------
    RequestError
        When the primary condition is not in the table.
    UnanswerableError
        With a single condition, or values that do not vary.
    """
    problems = []
    if len(obs.levels) < 2:
        problems.append(
            Problem(
                where="conditions",
                found=", ".join(obs.levels) if obs.n else "no rows",
                wrong="there is nothing to compare.",
                fix="measure at least two conditions, or check the column that names them.",
            )
        )
    elif np.ptp(obs.value) == 0:
        problems.append(
            Problem(
                where=obs.name,
                found="one and the same value in every period",
                wrong="without variation there is neither a difference nor a noise.",
                fix="check the outcome column or the resolution of the instrument.",
            )
        )
    if problems:
        raise UnanswerableError(problems)
    if options.primary_condition not in (None, *obs.levels[1:]):
        raise RequestError(
            Problem(
                where="primary condition",
                found=repr(options.primary_condition),
                wrong="no row has this condition, or it is the reference.",
                fix="name one of " + ", ".join(obs.levels[1:]) + ".",
            )
        )


def choose(obs: Observations, options: EstimateOptions) -> Choice:
    """Follow the request, or for ``auto`` the table of defaults.

    Raises
    ------
    UnanswerableError
        When one pair is all there is and no noise can be borrowed.
    """
    df = df_inside_blocks(obs)
    enough = df >= ENOUGH_DF
    if options.method != "auto":
        chosen = Choice(options.method, f"method {options.method} was asked for")
    elif complete_blocks(obs).all():
        chosen = _complete(obs, options, enough)
    elif not enough and options.borrowable:
        chosen = _borrowed(complete_count(obs))
    else:
        chosen = Choice(
            "guarded",
            "some blocks are incomplete: random blocks with Kenward-Roger degrees of freedom use "
            "every measured period",
        )
    if chosen.method == "paired":
        # Complete blocks are all it uses.
        df = df_inside_blocks(obs.keep(complete_blocks(obs))) if complete_count(obs) else 0
    withheld = _withheld(df, borrowed=chosen.method == "bayes" and options.borrowable)
    return Choice(chosen.method, chosen.why, not withheld, withheld + _order_notes(obs))


def _complete(obs: Observations, options: EstimateOptions, enough: bool) -> Choice:
    blocks = complete_count(obs)
    if not enough and len(obs.levels) == 2:
        if options.borrowable:
            return _borrowed(blocks)
        if blocks == 1:
            raise UnanswerableError(_one_block(obs.n))
    if len(obs.levels) > 2:
        return Choice("paired", "all blocks are complete: differences inside blocks, fixed blocks")
    return Choice("paired", "all pairs are complete: the mean of their differences, paired t")


def _one_block(periods: int) -> Problem:
    if periods == 2:
        return Problem(
            where="blocks",
            found="one pair",
            wrong="a single difference says nothing about its own noise.",
            fix="repeat the pair, or declare a typical error with its degrees of freedom.",
        )
    return Problem(
        where="blocks",
        found=f"one block of {periods} periods",
        wrong="differences are judged by how much they differ between blocks.",
        fix="name smaller blocks (days, sessions), declare a typical error with its degrees of "
        "freedom, or use method randomisation if the order was drawn.",
    )


def _borrowed(blocks: int) -> Choice:
    number = {1: "one complete pair is", 0: "no complete pair is"}.get(
        blocks, f"{blocks} complete pairs are"
    )
    return Choice("bayes", f"{number} too few for a noise of its own: the declared one is borrowed")


def _withheld(df: int, *, borrowed: bool) -> tuple[str, ...]:
    if borrowed and df < FEWEST_DF_WITH_BORROWED:
        return (
            "No verdict: a difference seen in a single block cannot be told apart from what came "
            "with the order or the day. All that can be said is whether the change is larger than "
            "usual retest noise.",
        )
    if borrowed or df >= ENOUGH_DF:
        return ()
    told = "no degree" if df == 0 else counted(df, "degree")
    return (
        f"No verdict: differences inside blocks leave {told} of freedom to see their noise by (at "
        f"least {ENOUGH_DF} are needed, as four complete pairs have, or a declared typical error "
        "to borrow).",
    )


def _order_notes(obs: Observations) -> tuple[str, ...]:
    if obs.position is None or len(obs.levels) < 2:
        return ()
    orders = set()
    for block in np.unique(obs.block[complete_blocks(obs)]):
        rows = obs.block == block
        assert obs.position is not None
        orders.add(tuple(obs.condition[rows][np.argsort(obs.position[rows])].tolist()))
    if len(orders) != 1 or complete_count(obs) < 2:
        return ()
    return (
        "Every complete block has the same order: what comes from the order (fatigue, warming up, "
        "drift) cannot be told apart from what comes from the condition. With a drift of half the "
        "noise SD per period, 8 to 20 % of such trials find a difference where there is none.",
    )
