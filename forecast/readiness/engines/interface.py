"""What an engine of the pool is asked, and what it is given to answer from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np
import pandas as pd

from forecast.growth import GrowthModel, Tracked, outlook, states_table
from forecast.histories import Histories
from forecast.survival import cut_landmarks, landmark_features
from forecast.types import Array, Ints


@dataclass(frozen=True, slots=True)
class Moments:
    """Landmarks with what was known at them: T rows everywhere.

    ``table`` spell, session, day (and weeks, cleared where known); ``features``; ``outlook``
    (T, B + 1); ``place`` the session's place in the growth panel.
    """

    table: pd.DataFrame
    features: pd.DataFrame
    outlook: Array
    place: Ints


def describe_moments(
    growth: GrowthModel,
    tracked: Tracked,
    histories: Histories,
    table: pd.DataFrame,
    edges: Array,
) -> Moments:
    """Gather what engines need to know at landmarks."""
    states = states_table(tracked)
    features = landmark_features(histories, table, states)
    place = states["place"].to_numpy(dtype=np.int64)[table["session"].to_numpy()]
    wait, rate = features["wait"].to_numpy(), features["rate"].to_numpy()
    seen = outlook(growth, tracked, place, wait, rate, edges)
    return Moments(table, features, seen, place)


def confirm_sessions(histories: Histories, rung: Ints) -> Ints:
    """(T,) sessions in a row that each rung asks for."""
    asked = [r.criterion.confirm_sessions for r in histories.ladder.rungs]
    return np.asarray(asked, dtype=np.int64)[rung]


@dataclass(frozen=True)
class Past:
    """What engines learn from: a log, and landmarks in it with what came of them.

    ``growth`` and ``tracked`` are the growth engine's model and the log seen through it, which
    every engine may use; ``edges`` the ends of the stretches in weeks (``survival.stretch_edges``).
    """

    growth: GrowthModel
    tracked: Tracked
    histories: Histories
    moments: Moments
    edges: Array
    horizon_weeks: int
    seed: int

    @cached_property
    def athlete(self) -> Ints:
        """(T,) whose landmark each is."""
        spell = self.moments.table["spell"].to_numpy()
        return np.asarray(self.histories.spells["athlete_id"].to_numpy()[spell])


@dataclass(frozen=True)
class Present:
    """The spells under way at a cut: what engines forecast.

    ``which`` (T,) places of the spells in the panel; ``passage`` (T, D + 1) their daily chances by
    the growth engine, whose simulation says much else of them and is run once.
    """

    growth: GrowthModel
    tracked: Tracked
    histories: Histories
    which: Ints
    edges: Array
    horizon_weeks: int
    passage: Array

    @cached_property
    def moments(self) -> Moments:
        """What is known of the spells at the cut."""
        table = cut_landmarks(self.histories, self.which)
        return describe_moments(self.growth, self.tracked, self.histories, table, self.edges)


class PooledEngine(Protocol):
    """An engine of the pool."""

    @property
    def name(self) -> str:
        """What it is called: ``forecast(engine=name)``."""
        ...

    @property
    def record(self) -> type:
        """Dataclass of what ``fit`` returns, as it stands in a saved model."""
        ...

    def fit(self, past: Past) -> Any:
        """Return what is learnt from the landmarks; ``FitError`` where it can't be."""
        ...

    def at_landmarks(self, learnt: Any, past: Past, chosen: Ints) -> Array:
        """Return chances of having cleared by weeks 0, 1, ..., H at some landmarks, (T, H + 1).

        Nothing that came of an athlete may have taught what is said of that athlete.
        """
        ...

    def now(self, learnt: Any, present: Present) -> Array:
        """Return chances of having cleared by days 0, 1, ..., D, (T, D + 1)."""
        ...

    def prior_weight(self, n_clearings: int) -> float:
        """Return the prior log of its weight beside the first engine's; 0 is as much as that."""
        ...
