"""What if noise and drift are otherwise, and what a series of athletes can tell, as plain text."""

from __future__ import annotations

from trialkit.planning.gains import GainScale
from trialkit.planning.recommendation import as_asked, percent
from trialkit.planning.sensitivity import PlanSensitivity
from trialkit.planning.series_grid import SeriesOption, SeriesPlan
from trialkit.report.words.power_text import aligned


def what_if_text(page: PlanSensitivity, *, word: str = "blocks") -> str:
    """One page: the chance to settle the target under other noise and other drift."""
    drifts = sorted({cell.drift for cell in page.cells})
    ratios = sorted({cell.noise_ratio for cell in page.cells})
    found = {(cell.noise_ratio, cell.drift): cell for cell in page.cells}
    rows = [["noise", *(f"drift {drift:g}" for drift in drifts)]]
    for ratio in ratios:
        cells = [found.get((ratio, drift)) for drift in drifts]
        told = [
            "" if c is None else f"{percent(c.settled)} / {percent(c.false_alarm)}" for c in cells
        ]
        rows.append([f"{ratio:g} x", *told])
    return "\n".join(
        [
            f"What if? {page.blocks} {word}, true gain {page.true_effect:.3g} {page.unit}.",
            *aligned(rows),
            "  noise   the athlete's noise over the protocol's typical error",
            "  drift   change from period to period, in typical errors",
            "  a / b   chance to settle this gain / chance of a wrong verdict without any gain",
            page.reason,
        ]
    )


def series_text(plan: SeriesPlan, *, scale: GainScale, wanted: float) -> str:
    """Athletes by pairs: chances for the mean effect, errors of individual ones, cost."""
    unit = scale.unit
    heads = [
        [
            "athletes",
            "pairs",
            "cost",
            "mean,",
            "simu-",
            "in just",
            "own effect",
            "shrunken",
            "differ",
        ],
        ["", "each", "", "formula", "lated", "these", f"± [{unit}]", f"± [{unit}]", ""],
    ]
    rows = [_series_cells(option, scale) for option in plan.options]
    lines = [
        "Series (complete pairs, normal noise, athletes drawn from athletes like these):",
        *aligned([*heads, *rows]),
        f"  mean        chance to show the mean effect in athletes like these ({as_asked(wanted)} "
        "wanted)",
        "  in just these  the same of the mean in just the athletes tested",
        "  own effect  standard error of one athlete's own mean; shrunken: pulled to the series",
        "  differ      chance to find that athletes differ at all",
        plan.reason,
    ]
    if plan.for_individuals is not None:
        chosen = plan.for_individuals
        lines.append(
            f"{chosen.closed.athletes} athletes with {chosen.closed.pairs} pairs each know an "
            "athlete's own effect with a standard error of "
            f"{scale.outside(chosen.closed.se_shrunken):.3g} {unit} at a cost of {chosen.cost:g}, "
            "the cheapest that does."
        )
    return "\n".join(lines)


def _series_cells(option: SeriesOption, scale: GainScale) -> list[str]:
    closed, simulated = option.closed, option.simulated
    return [
        str(closed.athletes),
        str(closed.pairs),
        f"{option.cost:g}",
        percent(closed.power_mean),
        percent(simulated.power_mean),
        percent(closed.power_these),
        f"{scale.outside(closed.se_individual):.3g}",
        f"{scale.outside(closed.se_shrunken):.3g}",
        percent(closed.power_difference),
    ]
