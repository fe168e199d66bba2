"""The picture of a plan: the chance of a settled answer by number of blocks."""

from __future__ import annotations

from pathlib import Path

from trialkit.errors import Problem, RequestError
from trialkit.planning.grids import OperatingCharacteristics
from trialkit.report.figures import style
from trialkit.report.figures.distributions import PowerCurve, draw_power
from trialkit.report.svg import Picture, new_figure, write_picture

FORMATS = (".svg", ".png", ".pdf")


def power_curves(result: OperatingCharacteristics) -> tuple[PowerCurve, ...]:
    """One curve per true effect: the chance of a right verdict that settles the question."""
    effects = sorted({row.true_effect for row in result.rows})
    curves = []
    for effect in effects:
        rows = [row for row in result.rows if row.true_effect == effect]
        chance = [row.settled if row.verdicts else row.power for row in rows]
        curves.append(
            PowerCurve(
                label=f"true gain {effect:g} {result.unit}",
                blocks=tuple(row.blocks for row in rows),
                chance=tuple(chance),
                mc_error=tuple(row.mc_error for row in rows),
            )
        )
    return tuple(curves)


def refuse_other_formats(path: Path) -> None:
    """Refuse a picture's name whose ending is none of svg, png, pdf.

    Raises
    ------
    RequestError
        When the ending says no format known here.
    """
    if path.suffix.lower() not in FORMATS:
        raise RequestError(
            Problem(
                where="--figure",
                found=path.name,
                wrong="the ending says no format known here.",
                fix="use " + ", ".join(FORMATS) + ".",
            )
        )


def write_power_picture(result: OperatingCharacteristics, path: Path) -> Path:
    """Write the picture; the ending of the name says the format (:func:`refuse_other_formats`)."""
    refuse_other_formats(path)
    figure = new_figure(3.6)
    ax = draw_power(figure.add_subplot(), power_curves(result))
    ax.axvline(result.own_blocks, color=style.RULE, linewidth=1.0, zorder=0, label="_own")
    picture = Picture("power", "Chance of a settled answer", result.reason, figure)
    return write_picture(picture, path)
