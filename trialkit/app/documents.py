"""Results as the JSON documents of the command contract: stable keys, figures at full precision.

A log-scale outcome is told in percent (``100 * (exp(x) - 1)``); its standard error is 100 times
the log-scale one, which is the coefficient of variation for small errors.
"""

from __future__ import annotations

import json
from math import expm1, isfinite
from typing import Any

from trialkit.domain.estimates import Contrast, Decision, Estimate, Interval, Noise, SensitivityRow
from trialkit.errors import Problem

Document = dict[str, Any]


def estimate_document(result: Estimate) -> Document:
    """One outcome's answer, for ``estimate`` and ``analyse``."""
    log = result.scale == "log"
    block = result.variance.block
    return {
        "outcome": result.outcome,
        "unit": "%" if log else result.unit,
        "scale": result.scale,
        "n": result.n,
        "blocks": result.blocks,
        "method": result.method,
        "why": result.why,
        "contrasts": [contrast_document(c, log=log) for c in result.contrasts],
        "noise": None if result.noise is None else noise_document(result.noise, log=log),
        "variance": {
            "block": block if block is None or not log else 1e4 * block,
            "residual": result.variance.residual * (1e4 if log else 1),
        },
        "serial": {"phi": result.phi},
        "sensitivity": [_sensitivity_document(row, log=log) for row in result.sensitivity],
        "verdict": None if result.decision is None else str(result.decision.verdict),
        "decision": None if result.decision is None else _decision(result.decision, log=log),
        "notes": list(result.notes),
    }


def contrast_document(contrast: Contrast, *, log: bool) -> Document:
    """Condition minus reference; percent when the analysis was on logs."""
    return {
        "condition": contrast.condition,
        "reference": contrast.reference,
        "method": contrast.method,
        "estimate": _effect(contrast.estimate, log=log),
        "se": contrast.se if contrast.se is None or not log else 100 * contrast.se,
        "df": contrast.df,
        "level": contrast.interval.level,
        "ci": ends(contrast.interval, log=log),
        "p": contrast.p,
        "p_adjusted": contrast.p_adjusted,
        "exact": contrast.exact,
        "smallest_p": contrast.smallest_p,
        "mc_error": contrast.mc_error,
    }


def noise_document(noise: Noise, *, log: bool) -> Document:
    """Noise of one measurement and of the mean difference."""
    return {
        "typical_error": _effect(noise.typical_error, log=log),
        "df": noise.df,
        "ci": ends(noise.interval, log=log),
        "mdc_single": _effect(noise.mdc_single, log=log),
        "mdc_mean": _effect(noise.mdc_mean, log=log),
        "exceeds_noise": noise.exceeds_noise,
        "planned": None if noise.planned is None else _effect(noise.planned, log=log),
        "conflict_p": noise.conflict_p,
    }


def problems_document(problems: tuple[Problem, ...]) -> list[Document]:
    """Problems as ``check`` prints them."""
    return [
        {"where": p.where, "line": p.line, "found": p.found, "wrong": p.wrong, "fix": p.fix}
        for p in problems
    ]


def _sensitivity_document(row: SensitivityRow, *, log: bool) -> Document:
    return {
        "method": row.method,
        "contrast": contrast_document(row.contrast, log=log),
        "verdict": None if row.verdict is None else str(row.verdict),
        "moves": row.moves,
        "note": row.note,
    }


def _decision(decision: Decision, *, log: bool) -> Document:
    return {
        "verdict": str(decision.verdict),
        "margin": _effect(decision.margin, log=log),
        "chance_better": decision.chance_better,
        "chance_within": decision.chance_within,
        "chance_worse": decision.chance_worse,
        "reason": decision.reason,
        "further_blocks": decision.further_blocks,
        "chance_settled": decision.chance_settled,
    }


def _effect(value: float, *, log: bool) -> float:
    return 100 * expm1(value) if log else value


def ends(interval: Interval, *, log: bool = False) -> list[float]:
    """Both ends of an interval; in percent when the analysis was on logs."""
    return [_effect(interval.low, log=log), _effect(interval.high, log=log)]


def to_json(document: Any) -> str:
    """JSON with a NaN or an infinity as null, which is all that JSON allows."""
    return json.dumps(_plain(document), ensure_ascii=False, indent=2, allow_nan=False)


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not isfinite(value):
        return None
    return value
