"""Laws of progress: how a latent level moves with training, one small file each."""

from __future__ import annotations

from forecast.errors import SimulationError
from forecast.simulate.laws.base import Cells, Law, State
from forecast.simulate.laws.ceiling import Ceiling
from forecast.simulate.laws.jumps import Jumps
from forecast.simulate.laws.learning import Learning
from forecast.simulate.laws.ragged import Ragged
from forecast.simulate.laws.seasonal import Seasonal
from forecast.simulate.laws.stalls import Stalls
from forecast.simulate.laws.steady import Steady
from forecast.simulate.laws.threshold import Threshold
from forecast.simulate.laws.wandering import Wandering

_BY_NAME: dict[str, type[Law]] = {
    law.name: law
    for law in (Steady, Ceiling, Jumps, Stalls, Ragged, Learning, Wandering, Threshold, Seasonal)
}

LAWS: tuple[str, ...] = tuple(_BY_NAME)
"""Names of all laws of progress."""


def law_class(name: str) -> type[Law]:
    """Return the law of this name, or raise ``SimulationError`` if there is none."""
    if name not in _BY_NAME:
        raise SimulationError(f"There is no law of progress named {name!r}; use one of {LAWS}.")
    return _BY_NAME[name]


__all__ = ["LAWS", "Cells", "Law", "State", "law_class"]
