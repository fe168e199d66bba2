"""What a plan can find out, as text for the terminal: table, legend, recommendation."""

from __future__ import annotations

from collections.abc import Sequence

from trialkit.domain.estimates import Verdict
from trialkit.planning.grids import GridRow, OperatingCharacteristics
from trialkit.planning.recommendation import as_asked, percent
from trialkit.planning.smallest import SmallestGain
from trialkit.report.numbers import NO_NUMBER

_OWN = "*"
_VERDICTS = (
    (Verdict.HELPS,),
    (Verdict.HELPS_SIZE_NOT_SETTLED,),
    (Verdict.NO_WORTHWHILE_DIFFERENCE,),
    (Verdict.HURTS, Verdict.HURTS_SIZE_NOT_SETTLED),
    (Verdict.NOT_SETTLED,),
)
_VERDICT_HEADS = (
    ("helps", ""),
    ("helps,", "size ?"),
    ("no worth-", "while"),
    ("hurts", "(both)"),
    ("not", "settled"),
    ("wrong", "verdict"),
)


def power_text(
    result: OperatingCharacteristics, smallest: Sequence[SmallestGain] = (), *, word: str = "blocks"
) -> str:
    """Table by number of blocks and true gain, its legend, and what follows.

    ``word`` is what blocks are called in this protocol (pairs, blocks).
    """
    answers = [result.reason, *(_smallest(gain, result.unit, word) for gain in smallest)]
    table = [*_table(result, word), "", *_legend(result, word), ""] if result.rows else []
    notes = [f"Note: {note}" for note in result.notes]
    return "\n".join([*answers, "", *table, *_how_sure(result, word), *notes])


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns of a plain table, set flush right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _table(result: OperatingCharacteristics, word: str) -> list[str]:
    heads = [(word, ""), ("true gain", f"[{result.unit}]"), ("finds", "it"), ("at", "best")]
    heads += list(_VERDICT_HEADS) if result.margin is not None else []
    heads += [("half-width", f"[{result.unit}]")]
    used = _ends_early(result)
    heads += [(word, "used")] if used else []
    rows = [_cells(row, result, used=used) for row in result.rows]
    lines = aligned([[head for head, _ in heads], [under for _, under in heads], *rows])
    apart = lines[:2]
    for number, row in enumerate(result.rows):
        if number == 0 or row.blocks != result.rows[number - 1].blocks:
            apart.append("")
        apart.append(lines[number + 2])
    return apart


def _cells(row: GridRow, result: OperatingCharacteristics, *, used: bool) -> list[str]:
    own = row.blocks == result.own_blocks
    formula = row.closed_form_power
    cells = [
        f"{_OWN if own else ''}{row.blocks}",
        f"{row.true_effect:.3g}",
        percent(row.power),
        NO_NUMBER if formula is None else percent(formula),
    ]
    if result.margin is not None:
        chances = [sum(row.verdicts.get(v, 0.0) for v in verdicts) for verdicts in _VERDICTS]
        cells += [percent(chance) for chance in (*chances, row.wrong)]
    cells.append(f"{row.ci_halfwidth:.3g}")
    return [*cells, f"{row.mean_blocks:.1f}"] if used else cells


def _legend(result: OperatingCharacteristics, word: str) -> list[str]:
    """What each column means, in a coach's words."""
    meanings = [
        (_OWN, f"the protocol's own number of {word}"),
        ("true gain", f"what the condition really brings, positive being better{_mark(result)}"),
        ("finds it", "chance that the interval excludes zero, held and analysed as planned"),
        ("at best", "the same by formula (noncentral t): every period held, noise just the"),
        ("", "typical error; a check where nothing else is expected"),
    ]
    if result.margin is not None:
        meanings += [
            ("helps ... not settled", "chance of each verdict; they add up to 100 %"),
            ("size ?", "it helps, but perhaps by less than matters"),
            ("wrong verdict", "chance of a verdict that is false under this true gain"),
        ]
    meanings.append(
        ("half-width", "the ± of the answer: half its interval, in the middle of all trials")
    )
    if _ends_early(result):
        meanings.append((f"{word} used", "on average, as a declared look may end the trial"))
    width = max(len(name) for name, _ in meanings)
    return [f"  {name:<{width}}  {meaning}" for name, meaning in meanings]


def _mark(result: OperatingCharacteristics) -> str:
    if result.margin is None:
        return ""
    return f"; {result.margin:.3g} {result.unit} matters"


def _ends_early(result: OperatingCharacteristics) -> bool:
    return any(row.mean_blocks < row.blocks - 1e-9 for row in result.rows)


def _how_sure(result: OperatingCharacteristics, word: str) -> list[str]:
    if not result.rows:
        return []
    error = max(row.mc_error for row in result.rows)
    asked = "" if result.replicates >= result.asked else f" of {result.asked:,} asked for"
    return [
        f"{result.replicates:,}{asked} simulated trials per number of {word}, seed {result.seed}; "
        f"Monte-Carlo error of a chance at most {100 * error:.1f} points."
    ]


def _smallest(found: SmallestGain, unit: str, word: str) -> str:
    blocks = f"{found.blocks} {word if found.blocks != 1 else word[:-1]}"
    best = f"by formula, at best, {found.at_best:.3g} {unit}"
    if found.gain is None:
        return f"{blocks} find no true gain with a chance of {as_asked(found.wanted)} ({best})."
    return (
        f"{blocks} find, with a chance of {as_asked(found.wanted)}, a true gain of "
        f"{found.gain:.3g} {unit} or more ({best})."
    )
