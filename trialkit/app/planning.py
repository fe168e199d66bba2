"""What a protocol can and cannot find out, before anyone warms up."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.app.answers import Answer
from trialkit.app.check import protocol_path
from trialkit.app.documents import Document
from trialkit.domain.estimates import Verdict
from trialkit.errors import Problem, RequestError
from trialkit.protocol import load

if TYPE_CHECKING:
    from trialkit.planning.grids import GridRow, OperatingCharacteristics


@dataclass(frozen=True, slots=True)
class PowerRequest:
    """What to try and how; ``blocks`` and ``effects`` are lists as typed, such as ``4,6,8``."""

    blocks: str = ""
    effects: str = ""
    replicates: int = 20_000
    seed: int = 1
    workers: int = 1
    scheduler: str = ""
    figure: Path | None = None


def power(path: Path, request: PowerRequest, *, tell: Callable[[str], None]) -> Answer:
    """Simulate a protocol as it will be run and count its verdicts.

    Raises
    ------
    ProtocolError
        When the protocol has problems.
    RequestError
        When a list cannot be read or nothing in it fits the scheme.
    UnanswerableError
        When the protocol names no single primary outcome or no typical error.
    """
    from trialkit.planning.characteristics import operating_characteristics
    from trialkit.planning.grids import Grid, SimulationSettings

    grid = Grid(
        blocks=tuple(int(b) for b in _numbers(request.blocks, "--blocks", whole=True)),
        effects=tuple(_numbers(request.effects, "--effects", whole=False)),
    )
    settings = SimulationSettings(
        replicates=request.replicates,
        seed=request.seed,
        workers=request.workers,
        scheduler=request.scheduler or None,
    )
    plan = load(protocol_path(path)).plan()
    result = operating_characteristics(plan, grid=grid, settings=settings)
    if request.figure is not None:
        from trialkit.report.power_picture import write_power_picture

        write_power_picture(result, request.figure)
        tell(f"The picture is {request.figure}")
    return Answer(power_text(result), power_document(result))


def power_document(result: OperatingCharacteristics) -> Document:
    """Document of the contract."""
    return {
        "grid": [_row_document(row) for row in result.rows],
        "recommended_blocks": result.recommended_blocks,
        "reason": result.reason,
        "unit": result.unit,
        "margin": result.margin,
        "target": result.target,
        "replicates": result.replicates,
        "seed": result.seed,
        "method": result.method,
        "interrupted": result.interrupted,
        "notes": list(result.notes),
    }


def power_text(result: OperatingCharacteristics) -> str:
    """Table for the terminal: one line per number of blocks and true effect."""
    heads = [
        "blocks",
        f"true effect [{result.unit}]",
        "power",
        "helps",
        "helps,",
        "no worth-",
        "hurts",
        "not",
        "wrong",
        "half-width",
    ]
    under = ["", "", "", "", "size ?", "while", "(both)", "settled", "verdict", f"[{result.unit}]"]
    rows = [heads, under, *(_cells(row) for row in result.rows)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(heads))]
    lines = ["  ".join(cell.rjust(w) for cell, w in zip(row, widths, strict=True)) for row in rows]
    error = max((row.mc_error for row in result.rows), default=0.0)
    return "\n".join(
        [
            *lines,
            "",
            f"{result.replicates:,} simulated trials per number of blocks, seed {result.seed}; "
            f"Monte-Carlo error of a chance at most {100 * error:.1f} points.",
            result.reason,
            *(f"Note: {note}" for note in result.notes),
        ]
    )


def _cells(row: GridRow) -> list[str]:
    def share(*verdicts: Verdict) -> str:
        if not row.verdicts:
            return "–"
        return f"{100 * sum(row.verdicts.get(v, 0.0) for v in verdicts):.0f} %"

    return [
        str(row.blocks),
        f"{row.true_effect:g}",
        f"{100 * row.power:.0f} %",
        share(Verdict.HELPS),
        share(Verdict.HELPS_SIZE_NOT_SETTLED),
        share(Verdict.NO_WORTHWHILE_DIFFERENCE),
        share(Verdict.HURTS, Verdict.HURTS_SIZE_NOT_SETTLED),
        share(Verdict.NOT_SETTLED),
        f"{100 * row.wrong:.1f} %",
        f"{row.ci_halfwidth:.3g}",
    ]


def _row_document(row: GridRow) -> Document:
    return {
        "blocks": row.blocks,
        "true_effect": row.true_effect,
        "power": row.power,
        "verdicts": {str(v): chance for v, chance in row.verdicts.items()},
        "wrong": row.wrong,
        "settled": row.settled,
        "ci_halfwidth": row.ci_halfwidth,
        "mc_error": row.mc_error,
        "closed_form_power": row.closed_form_power,
    }


def _numbers(text: str, flag: str, *, whole: bool) -> list[float]:
    try:
        return [float(int(p) if whole else float(p)) for p in text.split(",") if p.strip()]
    except ValueError:
        raise RequestError(
            Problem(
                where=flag,
                found=repr(text),
                wrong="it is not a list of " + ("whole numbers." if whole else "numbers."),
                fix="write it like 4,6,8" + ("." if whole else " or 0,0.5,1."),
            )
        ) from None
