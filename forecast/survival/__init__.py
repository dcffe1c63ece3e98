"""How long spells last: curves of the share still open, and what ends them."""

from forecast.survival.curves import SurvivalCurve, kaplan_meier
from forecast.survival.incidence import IncidenceCurves, cumulative_incidence
from forecast.survival.log_rank import LogRankTest, log_rank
from forecast.survival.risk_sets import OutsideCurveError
from forecast.survival.turnbull import TurnbullCurve, turnbull

__all__ = [
    "IncidenceCurves",
    "LogRankTest",
    "OutsideCurveError",
    "SurvivalCurve",
    "TurnbullCurve",
    "cumulative_incidence",
    "kaplan_meier",
    "log_rank",
    "turnbull",
]
