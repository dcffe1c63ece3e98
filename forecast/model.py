"""The forecaster as users meet it: the readiness engine with all that can be asked of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Self

import pandas as pd

from forecast import ahead, plateau
from forecast.ahead import Climbing, LadderAhead, learn_climbing
from forecast.ahead.times import RungTimes, Times
from forecast.growth import Motion
from forecast.log.training_log import TrainingLog
from forecast.plateau import PlateauRules, Traces, learn_plateaus
from forecast.plateau.switching import Switching
from forecast.plateau.table import DEFAULT_FALSE_ALARMS
from forecast.readiness import ReadinessForecast
from forecast.readiness import ReadinessForecaster as Readiness
from forecast.readiness.forecaster import Engine, Progress, restore

_RECORDS = (Climbing, Motion, PlateauRules, RungTimes, Switching, Times, Traces)
"""What is learnt beyond the readiness engine, as kept in a saved model."""


class ReadinessForecaster(Readiness):
    """Weeks until each open rung is cleared; states of each, and the whole ladder ahead.

    Parameters and attributes are those of ``readiness.ReadinessForecaster``, and

    Attributes
    ----------
    plateau_rules_
        What a plateau looks like in the log fitted on.
    climbing_
        How the ladder is climbed in the log fitted on.
    """

    def fit(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        progress: Progress | None = None,
    ) -> Self:
        """Learn both engines, and from the same log what ``plateaus`` and ``ladder_ahead`` need.

        Parameters and errors are those of ``readiness.ReadinessForecaster.fit``.
        """
        super().fit(log, as_of, progress=progress)
        histories = self._histories(log, self.as_of_)
        growth, seed = self.engines_.growth, self.random_state
        if progress:
            progress("what a plateau looks like")
        self.plateau_rules_ = learn_plateaus(growth, histories, seed=seed)
        if progress:
            progress("how the ladder is climbed")
        self.climbing_ = learn_climbing(growth, histories, seed=seed)
        return self

    def forecast(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        engine: Engine = "pool",
        progress: Progress | None = None,
    ) -> ReadinessForecast:
        """Forecast every open rung, with the state of each from ``plateaus``.

        Parameters and errors are those of ``readiness.ReadinessForecaster.forecast``.
        """
        result = super().forecast(log, as_of, engine=engine, progress=progress)
        if progress:
            progress("flat or not")
        states = self.plateaus(log, result.as_of).set_index(["athlete", "rung"])
        keys = pd.MultiIndex.from_frame(result.summary[["athlete", "rung"]])
        found = {name: states[name].reindex(keys).to_numpy() for name in ("state", "p_flat")}
        return replace(result, summary=result.summary.assign(**found))

    def plateaus(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
        smallest_gain: float | None = None,
    ) -> pd.DataFrame:
        """Say for each open rung whether the athlete climbs, is flat, slips or pauses.

        See ``plateau.plateaus`` for parameters, columns and errors.
        """
        return plateau.plateaus(
            self,
            log,
            as_of,
            false_alarms_per_year=false_alarms_per_year,
            smallest_gain=smallest_gain,
            rules=getattr(self, "plateau_rules_", None),
        )

    def ladder_ahead(
        self,
        log: TrainingLog,
        as_of: pd.Timestamp | str | None = None,
        *,
        horizon_weeks: int = 260,
        target_date: pd.Timestamp | str | None = None,
        sessions_per_week: float | None = None,
    ) -> LadderAhead:
        """Forecast every rung still ahead of every athlete, up to the top.

        See ``ahead.ladder_ahead`` for parameters, columns and errors.
        """
        return ahead.ladder_ahead(
            self,
            log,
            as_of,
            horizon_weeks=horizon_weeks,
            target_date=target_date,
            sessions_per_week=sessions_per_week,
            climbing=getattr(self, "climbing_", None),
        )


def load_model(path: str | Path) -> ReadinessForecaster:
    """Return the forecaster saved at ``path``.

    Raises
    ------
    ModelFileError
        The file is missing, not ours, damaged, or of another version.
    """
    return restore(path, ReadinessForecaster, _RECORDS)
