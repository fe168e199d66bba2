"""A finished planning run as the text and the JSON document of the command contract."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.app.documents import Document
from trialkit.domain.plans import Plan
from trialkit.planning.gains import GainScale
from trialkit.planning.grids import Grid, GridRow, OperatingCharacteristics
from trialkit.planning.recommendation import block_word
from trialkit.planning.sensitivity import PlanSensitivity
from trialkit.planning.series_grid import SeriesOption, SeriesPlan
from trialkit.planning.smallest import SmallestGain
from trialkit.report.words.power_text import power_text
from trialkit.report.words.what_if_text import series_text, what_if_text


@dataclass
class Planned:
    """What was asked about a plan, as far as it was done."""

    plan: Plan
    grid: Grid
    result: OperatingCharacteristics
    smallest: tuple[SmallestGain, ...] = ()
    what_if: PlanSensitivity | None = None
    series: SeriesPlan | None = None

    @property
    def interrupted(self) -> bool:
        """Whether any stage was stopped before its end."""
        stages = (self.result, *self.smallest, self.what_if, self.series)
        return any(stage is not None and stage.interrupted for stage in stages)


def planned_text(planned: Planned) -> str:
    """All of it for the terminal."""
    word = block_word(planned.plan, 2)
    finished = [gain for gain in planned.smallest if not gain.interrupted]
    parts = [power_text(planned.result, finished, word=word)]
    if planned.what_if is not None:
        parts.append(what_if_text(planned.what_if, word=word))
    if planned.series is not None:
        scale = GainScale.of(planned.plan)
        parts.append(series_text(planned.series, scale=scale, wanted=planned.grid.wanted))
    return "\n\n".join(parts)


def power_document(planned: Planned) -> Document:
    """Document of the contract."""
    result = planned.result
    return {
        "grid": [_row_document(row) for row in result.rows],
        "recommended_blocks": result.recommended_blocks,
        "reason": result.reason,
        "own_blocks": result.own_blocks,
        "unit": result.unit,
        "margin": result.margin,
        "target": result.target,
        "wanted": planned.grid.wanted,
        "half_width": planned.grid.half_width,
        "smallest_gains": [_gain_document(gain) for gain in planned.smallest],
        "sensitivity": _what_if_document(planned.what_if),
        "series": _series_document(planned.series, GainScale.of(planned.plan)),
        "replicates": result.replicates,
        "asked": result.asked,
        "seed": result.seed,
        "method": result.method,
        "interrupted": planned.interrupted,
        "notes": list(result.notes),
    }


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
        "closed_form_exact": row.closed_form_exact,
        "mean_blocks": row.mean_blocks,
    }


def _gain_document(found: SmallestGain) -> Document:
    return {
        "blocks": found.blocks,
        "wanted": found.wanted,
        "gain": found.gain,
        "mc_error": found.mc_error,
        "closed_form_gain": found.at_best,
    }


def _what_if_document(page: PlanSensitivity | None) -> Document | None:
    if page is None:
        return None
    return {
        "blocks": page.blocks,
        "true_effect": page.true_effect,
        "cells": [
            {
                "noise_ratio": cell.noise_ratio,
                "drift": cell.drift,
                "settled": cell.settled,
                "power": cell.power,
                "wrong": cell.wrong,
                "false_alarm": cell.false_alarm,
                "ci_halfwidth": cell.ci_halfwidth,
                "mc_error": cell.mc_error,
            }
            for cell in page.cells
        ],
        "reason": page.reason,
        "replicates": page.replicates,
    }


def _series_document(plan: SeriesPlan | None, scale: GainScale) -> Document | None:
    if plan is None:
        return None
    return {
        "options": [_option_document(option, scale) for option in plan.options],
        "for_mean": _size_document(plan.for_mean),
        "for_individuals": _size_document(plan.for_individuals),
        "reason": plan.reason,
        "replicates": plan.replicates,
    }


def _size_document(option: SeriesOption | None) -> Document | None:
    if option is None:
        return None
    size = option.closed
    return {"athletes": size.athletes, "pairs": size.pairs, "cost": option.cost}


def _option_document(option: SeriesOption, scale: GainScale) -> Document:
    closed, simulated = option.closed, option.simulated
    return {
        "athletes": closed.athletes,
        "pairs": closed.pairs,
        "cost": option.cost,
        "closed_form": {
            "power_mean": closed.power_mean,
            "power_these": closed.power_these,
            "power_difference": closed.power_difference,
            "power_individual": closed.power_individual,
            "se_individual": scale.outside(closed.se_individual),
            "se_shrunken": scale.outside(closed.se_shrunken),
            "shrinkage": closed.shrinkage,
        },
        "simulated": {
            "power_mean": simulated.power_mean,
            "power_these": simulated.power_these,
            "power_difference": simulated.power_difference,
            "se_individual": scale.outside(simulated.se_individual),
            "se_shrunken": scale.outside(simulated.se_shrunken),
            "mc_error": simulated.mc_error,
        },
    }
