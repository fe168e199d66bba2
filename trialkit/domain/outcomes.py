"""What is measured: outcomes, their noise and the margin that matters."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import log1p

from trialkit.domain.measures import MeasureRecipe


class Better(StrEnum):
    """Which direction is better for the athlete."""

    HIGHER = "higher"
    LOWER = "lower"

    @property
    def sign(self) -> int:
        """Factor that turns a raw difference into one where positive is better."""
        return 1 if self is Better.HIGHER else -1


class Role(StrEnum):
    """What the outcome is for: the verdict, a supporting look, or a check on the test itself."""

    PRIMARY = "primary"
    SECONDARY = "secondary"
    CHECK = "check"


class Scale(StrEnum):
    """Scale of the analysis: raw units, or natural logs with effects printed in percent."""

    RAW = "raw"
    LOG = "log"


@dataclass(frozen=True, slots=True)
class TypicalError:
    """Within-athlete noise SD of one measurement, with its degrees of freedom and where it is from.

    ``unit`` is the outcome's unit, or ``"%"`` for a coefficient of variation. ``df`` is None when
    the source gives none; such a figure cannot be borrowed as a noise prior.
    """

    value: float
    unit: str
    df: float | None
    source: str


@dataclass(frozen=True, slots=True)
class Worthwhile:
    """Smallest worthwhile change: the margin that matters, declared before the first period."""

    value: float
    unit: str
    reason: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """A measured quantity of a trial.

    ``half_life_min`` is how fast the outcome recovers after a period (minutes), used to size what
    is left over after a rest. ``familiarisation_gain`` is the expected gain from the first to the
    second exposure, in percent; each has its source beside it.
    """

    name: str
    label: str
    unit: str
    better: Better
    role: Role = Role.PRIMARY
    scale: Scale = Scale.RAW
    worthwhile: Worthwhile | None = None
    typical_error: TypicalError | None = None
    measure: MeasureRecipe | None = None
    subjective: bool = False
    half_life_min: float | None = None
    familiarisation_gain: float | None = None
    half_life_source: str = ""
    familiarisation_source: str = ""

    @property
    def analysis_margin(self) -> float | None:
        """Smallest worthwhile change on the scale of the analysis (log units for ``log``)."""
        if self.worthwhile is None:
            return None
        return self._on_analysis_scale(self.worthwhile.value)

    @property
    def analysis_noise(self) -> float | None:
        """Typical error on the scale of the analysis (log units for ``log``)."""
        if self.typical_error is None:
            return None
        return self._on_analysis_scale(self.typical_error.value)

    def _on_analysis_scale(self, value: float) -> float:
        # A percent effect of s is a factor (1 + s/100): ln of that factor is the log-scale figure.
        return log1p(value / 100) if self.scale is Scale.LOG else value
