"""The page that explains the calibration table."""

from __future__ import annotations

from collections.abc import Callable
from math import isnan, sqrt

Row = dict[str, object]

_CHOICES = (
    "- Complete randomised pairs: the paired t, 5 % in every situation without heavy tails, and "
    "below it with them. Correlation along time and drift cost it precision, not validity, because "
    "the order is random.",
    "- Incomplete blocks: the mixed model with Kenward-Roger, which uses the periods that complete "
    "blocks throw away, and where the block variance is estimated at zero the noise no smaller "
    "than inside blocks. Without that, just the trials whose part between blocks came out small by "
    "chance get too short an interval. The other two ways out (table below) are no better: fixed "
    "blocks in such trials cost more width, a negative block variance leaves more of the excess "
    "and fails in blocks that are incomplete by design. `--method mixed` stays as independent "
    "libraries have it.",
    "- A verdict from the trial's own noise needs three degrees of freedom inside blocks: error "
    "rates are right with fewer, but the interval says nothing (table below).",
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
    ("paired t", "complete blocks only"),
    ("mixed, Kenward-Roger", "REML, block variance kept at zero or above"),
    (
        "mixed, block variance may be negative",
        "the same without that bound",
    ),
    ("mixed, fixed blocks at zero", "fixed blocks where the block variance is estimated at zero"),
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
            *_boundary_section(rows),
            *_verdict_section(rows),
            "## Error rates by situation",
            "",
            *_by_situation(rows),
            "## Verdicts",
            "",
            f"Smallest worthwhile change {margin:g} noise SD; no verdict with fewer than three "
            "degrees of freedom inside blocks (four complete pairs have three). Share of trials "
            "whose verdict says something false: with no effect that is any kind of helps or hurts "
            "(5 % allowed); with an effect equal to the margin it is helps (2.5 %), hurts of any "
            "kind, or no worthwhile difference (5 %), together 7.5 % allowed.",
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
        "| design | block SD | missing | drift | phi | tails | error rate | |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for row in off:
        error = float(str(row["default"]))
        word = "too many" if error > 0.05 + 4 * mc_error else "fewer than allowed: safe, less power"
        lines.append(
            f"| {_design(row)} | {row['block_sd']:g} | {row['missing']:g} | {row['drift']:g} "
            f"| {row['phi']:g} | {row['tails']} | {error:.4f} | {word} |"
        )
    return [*lines, ""]


def _design(row: Row) -> str:
    if row["conditions"] == 2:
        return f"{row['blocks']} pairs"
    return f"{row['blocks']} blocks of {row['block_size']} of {row['conditions']} conditions"


def _number(row: Row, name: str) -> float:
    return float(str(row[name]))


_WAYS_OUT = (
    ("mixed, Kenward-Roger", "as it stands"),
    ("mixed, block variance may be negative", "negative block variance"),
    ("mixed, fixed blocks at zero", "fixed blocks at zero"),
    ("default", "noise inside blocks at least (the default)"),
)


def _boundary_section(rows: list[Row]) -> list[str]:
    """Error rates and widths of the ways out of the boundary, where blocks are incomplete."""
    group = [
        row
        for row in rows
        if (row["missing"] or row["block_size"] != row["conditions"])
        and not (row["drift"] or row["phi"])
        and row["tails"] == "normal"
        and int(str(row["blocks"])) >= 4
    ]
    lines = [
        "## Ways out of a block variance of zero",
        "",
        f"{len(group)} situations with incomplete blocks, four blocks or more, independent normal "
        "noise. Width: median of the interval beside that of Kenward-Roger as it stands, where "
        "the true block variance is zero.",
        "",
        "| | least | middle | most | width |",
        "|---|---|---|---|---|",
    ]
    for name, word in _WAYS_OUT:
        f = _figures(group, name)
        widths = [_number(row, f"width, {name}") for row in group if not row["block_sd"]]
        lines.append(
            f"| {word} | {f[0]:.3f} | {f[len(f) // 2]:.3f} | {f[-1]:.3f} "
            f"| {min(widths):.2f} to {max(widths):.2f} |"
        )
    return [*lines, ""]


def _verdict_section(rows: list[Row]) -> list[str]:
    """Half-widths and error rates on both sides of the rule for a verdict."""
    lines = [
        "## From where on a verdict is given",
        "",
        "Nothing missing, block SD 1. Half-width of the 95 % interval in noise SDs.",
        "",
        "| design | df inside blocks | median half-width | error rate | verdict |",
        "|---|---|---|---|---|",
    ]
    plain = [row for row in rows if row["block_sd"] == 1.0 and _nothing_else(row)]
    for row in sorted(plain, key=lambda r: (r["conditions"], -int(str(r["block_size"])))):
        size, conditions = int(str(row["block_size"])), int(str(row["conditions"]))
        df = int(str(row["blocks"])) * (size - 1) - (conditions - 1)
        lines.append(
            f"| {_design(row)} | {df} | {_number(row, 'half-width of the default'):.2f} "
            f"| {_number(row, 'default'):.3f} "
            f"| {'yes' if _number(row, 'share with a verdict') else 'no'} |"
        )
    return [*lines, ""]


def _nothing_else(row: Row) -> bool:
    return not (row["missing"] or row["drift"] or row["phi"]) and row["tails"] == "normal"


def _is(row: Row, **wanted: bool) -> bool:
    actual = {name: bool(row[name]) for name in ("missing", "drift", "phi")}
    actual["tails"] = row["tails"] != "normal"
    actual["three"] = row["conditions"] == 3
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
    (
        "three conditions",
        lambda r: _is(r, three=True) or _is(r, three=True, missing=True),
    ),
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
