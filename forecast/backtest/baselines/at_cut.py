"""What a baseline is given and what it gives back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.histories import Histories
from forecast.types import Array

LEVEL_FLOOR = 0.5
"""A miss (best of 0) enters a log level as half a unit: below one second or repetition."""


@dataclass(frozen=True, slots=True)
class AtCut:
    """All that is known at a cut date.

    Attributes
    ----------
    histories
        Built from sets dated before ``as_of`` alone.
    open_spells
        Spells to forecast: rows of ``histories.spells`` sorted by athlete and rung, with
        ``spell`` (row number in ``histories.spells``) beside them.
    as_of
        The cut date.
    horizon_weeks
        Length H of each curve.
    seed
        Seed of anything random.
    """

    histories: Histories
    open_spells: pd.DataFrame
    as_of: pd.Timestamp
    horizon_weeks: int
    seed: int

    @property
    def weeks(self) -> Array:
        """Weeks 1 to H, shape (H,)."""
        return np.arange(1.0, self.horizon_weeks + 1)


@dataclass(frozen=True, slots=True)
class CutForecast:
    """Curves of one forecaster at one cut, with anything it had to do differently.

    ``curve`` has ``athlete, rung, week, p_cleared``, one row an open spell and week; ``notes`` are
    sentences, such as how many rungs were too thin for a curve of their own.
    """

    curve: pd.DataFrame
    notes: tuple[str, ...] = ()


Baseline = Callable[[AtCut], CutForecast]


def at_cut(
    histories: Histories, as_of: pd.Timestamp, horizon_weeks: int = 52, seed: int = 0
) -> AtCut:
    """Gather what a baseline may see."""
    spells = histories.spells.reset_index(names="spell")
    still = spells[spells["spell"].isin(histories.open_spells.index)]
    still = still.sort_values(["athlete", "rung"]).reset_index(drop=True)
    return AtCut(histories, still, as_of, horizon_weeks, seed)


def long_curve(known: AtCut, p_cleared: Array) -> pd.DataFrame:
    """Lay curves (n, H) of the open spells out as a long frame."""
    n, horizon = p_cleared.shape
    keys = known.open_spells[["athlete", "rung"]].loc[np.repeat(np.arange(n), horizon)]
    return keys.reset_index(drop=True).assign(
        week=np.tile(np.arange(1, horizon + 1), n), p_cleared=p_cleared.ravel()
    )


def counting_sessions(known: AtCut) -> pd.DataFrame:
    """Return sessions with a counting set: ``spell, date, days, best, target, level``.

    ``days`` runs from the spell's first session; ``level`` is log(best / target).
    """
    sessions = known.histories.sessions.dropna(subset=["best"])
    ladder = known.histories.ladder
    target = sessions["rung"].map({r.key: r.criterion.target for r in ladder.rungs}).to_numpy(float)
    start = known.histories.spells["start"].reindex(sessions["spell"]).to_numpy()
    floor = np.minimum(LEVEL_FLOOR, target / 2)
    return pd.DataFrame(
        {
            "spell": sessions["spell"].to_numpy(),
            "date": sessions["date"].to_numpy(),
            "days": (sessions["date"] - start).dt.days.to_numpy(float),
            "best": sessions["best"].to_numpy(float),
            "target": target,
            "level": np.log(np.maximum(sessions["best"].to_numpy(float), floor) / target),
        }
    )
