"""The page that explains the calibration table."""

from __future__ import annotations

from collections.abc import Callable
from math import isnan, sqrt

Row = dict[str, object]

_CHOICES = (
    "- Complete randomised pairs: the paired t, 5 % in every situation without heavy tails, and "
    "below it with them. Correlation along time and drift cost it precision, not validity, because "
    "the order is random.",
    "- Incomplete pairs: the mixed model with Kenward-Roger. It uses the periods that complete "
    "pairs throw away; its price is an error rate of 5 to 6 % when blocks do not differ at all, "
    "which the tool says whenever it estimates the block variance at zero.",
    "- Serial model: without a block term and with the 2009 correction. In randomised pairs it "
    "never exceeds 5 % by more than its Monte-Carlo error; with a block term it is nearer to 5 % "
    "but exceeds it under a drift that is not modelled. It is no default: in randomised pairs the "
    "paired t is valid and sharper.",
    "- Phases and a fixed order stay unsafe under drift with any method that does not model the "
    "drift; the tool says so at the result when every block has the same order.",
    "- Wald z is above 5 % everywhere and is not offered.",
)

_METHODS = (
    ("default", "what the tool does by itself"),
    ("paired t", "complete pairs only"),
    ("mixed, Kenward-Roger", "REML, block variance kept at zero or above"),
    ("sign flips", "exact randomisation test; cannot reach 5 % with fewer than six pairs"),
    ("mixed, Wald z", "the usual output of a general mixed-model fit"),
    ("serial", "the tool's: Kenward-Roger with the 2009 correction, floored, no block term"),
    ("serial with block", "the same with a random block effect beside it"),
    ("serial, KR 1997", "without the 2009 correction"),
    ("serial, Wald z", "correlation estimated, normal quantile"),
    ("blocks ignored, two-sample t", "random order, but all periods taken as independent"),
    ("phases, two-sample t", "all reference periods first, then all of the other condition"),
    ("phases, serial", "the same phases with the serial model"),
    ("fixed order AB, paired t", "the reference always first"),
)


def readme(rows: list[Row], *, replicates: int, seed: int, margin: float) -> str:
    """Write the page: what was simulated, the summary by method, where the default is off."""
    mc_error = sqrt(0.05 * 0.95 / replicates)
    return "\n".join(
        [
            "# Calibration",
            "",
            f"{len(rows)} situations, {replicates} simulated trials each (seed {seed}), rebuilt "
            "by `python tools/calibrate.py`. No condition has an effect, so every interval that "
            "leaves out zero is wrong; nominal is 0.050. Coverage of the 95 % interval is one "
            "minus the error rate, whatever the true effect. The Monte-Carlo error of a rate of "
            f'5 % is {mc_error:.4f}; "calibrated" means within four of them '
            f"({0.05 - 4 * mc_error:.4f} "
            f"to {0.05 + 4 * mc_error:.4f}). All rows: `table.csv`.",
            "",
            "Units: SD of one measurement's noise; `drift` is per period; `tails` t3 is Student's "
            "t with 3 df scaled to the same SD; `missing` is the chance that a period is missed, "
            "whatever its condition or value. Serial models are shown where no period is missed. "
            "Wald z uses the Kenward-Roger standard error, which is kinder than the usual one. "
            "Rates are among trials that can be answered (`answered`): with few pairs and many "
            "missing periods some leave nothing to compare.",
            "",
            "## Error rates over all situations",
            "",
            "| method | | least | middle | most | more than 4 errors above 5 % |",
            "|---|---|---|---|---|---|",
            *(_summary(rows, name, what, mc_error) for name, what in _METHODS),
            "",
            *_default_section(rows, mc_error),
            "## What was chosen by this table",
            "",
            *_CHOICES,
            "",
            "## Error rates by situation",
            "",
            *_by_situation(rows),
            "## Verdicts",
            "",
            f"Smallest worthwhile change {margin:g} noise SD; no verdict with fewer than four "
            "complete pairs. Share of trials whose verdict says something false: with no effect "
            "that is any kind of helps or hurts (5 % allowed); with an effect equal to the margin "
            "it is helps (2.5 %), hurts of any kind, or no worthwhile difference (5 %), together "
            "7.5 % allowed.",
            "",
            "| true effect | least | middle | most |",
            "|---|---|---|---|",
            *(_verdicts(rows, name) for name in ("no effect", "effect equal to the margin")),
            "",
        ]
    )


def _figures(rows: list[Row], name: str) -> list[float]:
    return sorted(f for f in (float(str(row[name])) for row in rows) if not isnan(f))


def _summary(rows: list[Row], name: str, what: str, mc_error: float) -> str:
    figures = _figures(rows, name)
    above = sum(f > 0.05 + 4 * mc_error for f in figures)
    middle = figures[len(figures) // 2]
    return (
        f"| {name} | {what} | {figures[0]:.3f} | {middle:.3f} | {figures[-1]:.3f} "
        f"| {above} of {len(figures)} |"
    )


def _verdicts(rows: list[Row], name: str) -> str:
    figures = _figures(rows, f"false verdict, {name}")
    middle = figures[len(figures) // 2]
    return f"| {name} | {figures[0]:.3f} | {middle:.3f} | {figures[-1]:.3f} |"


def _default_section(rows: list[Row], mc_error: float) -> list[str]:
    off = [row for row in rows if not row["default_calibrated"]]
    lines = ["## Where the default is not within four Monte-Carlo errors of 5 %", ""]
    if not off:
        return [*lines, "Nowhere.", ""]
    lines += [
        "| pairs | block SD | missing | drift | phi | tails | error rate | |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in off:
        error = float(str(row["default"]))
        word = "too many" if error > 0.05 + 4 * mc_error else "fewer than allowed: safe, less power"
        lines.append(
            f"| {row['blocks']} | {row['block_sd']:g} | {row['missing']:g} | {row['drift']:g} "
            f"| {row['phi']:g} | {row['tails']} | {error:.4f} | {word} |"
        )
    return [*lines, ""]


def _is(row: Row, **wanted: bool) -> bool:
    actual = {name: bool(row[name]) for name in ("missing", "drift", "phi")}
    actual["tails"] = row["tails"] != "normal"
    return all(actual[name] == wanted.get(name, False) for name in actual)


def _plain(row: Row) -> bool:
    return _is(row)


_SITUATIONS: tuple[tuple[str, Callable[[Row], bool]], ...] = (
    ("complete, independent normal noise", _plain),
    ("periods missing, independent normal noise", lambda r: _is(r, missing=True)),
    ("drift", lambda r: _is(r, drift=True)),
    ("drift and missing periods", lambda r: _is(r, drift=True, missing=True)),
    ("serial correlation", lambda r: _is(r, phi=True)),
    ("serial correlation and missing periods", lambda r: _is(r, phi=True, missing=True)),
    ("heavy tails", lambda r: _is(r, tails=True)),
    ("heavy tails and missing periods", lambda r: _is(r, tails=True, missing=True)),
    ("drift and serial correlation", lambda r: _is(r, drift=True, phi=True)),
)


def _by_situation(rows: list[Row]) -> list[str]:
    shown = (
        "default",
        "mixed, Wald z",
        "serial",
        "phases, two-sample t",
        "fixed order AB, paired t",
    )
    lines = ["Range over numbers of pairs and block SDs.", ""]
    lines += ["| situation | " + " | ".join(shown) + " |", "|---" * (len(shown) + 1) + "|"]
    for name, belongs in _SITUATIONS:
        group = [row for row in rows if belongs(row)]
        ranges = [_figures(group, method) for method in shown]
        texts = [f"{f[0]:.3f} to {f[-1]:.3f}" if f else "" for f in ranges]
        lines.append(f"| {name} | " + " | ".join(texts) + " |")
    return [*lines, ""]
