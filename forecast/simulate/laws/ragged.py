"""Ragged days: heavy-tailed form, patchy attendance, quick loss and quicker return."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from forecast.simulate.laws.base import Style
from forecast.simulate.laws.steady import Steady


@dataclass(frozen=True)
class Ragged(Steady):
    """Steady underneath; Student-t form of the day, many layoffs, more loss and fast return."""

    name: ClassVar[str] = "ragged"
    form_df: ClassVar[float] = 3.0
    style: ClassVar[Style] = "ragged"
    ranges: ClassVar[dict[str, tuple[float, float]]] = {
        "wiggle": (0.02, 0.05),
        "detrain": (0.04, 0.09),
        "regain_days": (5.0, 10.0),
    }
