"""Forecasters to beat, from a spreadsheet's straight line to a survival forest."""

from forecast.backtest.baselines.at_cut import AtCut, Baseline, CutForecast, at_cut
from forecast.backtest.baselines.cohort_curve import cohort_curve
from forecast.backtest.baselines.mixed_model import mixed_model
from forecast.backtest.baselines.straight_line import straight_line
from forecast.backtest.baselines.survival_forest import survival_forest
from forecast.backtest.baselines.weibull_landmark import weibull_landmark

BASELINES: dict[str, Baseline] = {
    "straight_line": straight_line,
    "cohort_curve": cohort_curve,
    "weibull_landmark": weibull_landmark,
    "mixed_model": mixed_model,
    "survival_forest": survival_forest,
}
"""Every baseline by name, in the order tables show them."""

__all__ = [
    "BASELINES",
    "AtCut",
    "Baseline",
    "CutForecast",
    "at_cut",
    "cohort_curve",
    "mixed_model",
    "straight_line",
    "survival_forest",
    "weibull_landmark",
]
