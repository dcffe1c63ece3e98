"""Would the forecasts have been any good? Cuts, baselines, scores."""

from forecast.backtest.baselines import BASELINES, AtCut, CutForecast, at_cut
from forecast.backtest.result import BacktestResult, load_backtest, save_backtest
from forecast.backtest.run import (
    ENGINE_NAMES,
    ForecastsAtCut,
    backtest,
    chosen_baselines,
    draw_cuts,
    forecast_at,
    open_at,
    outcomes_after,
    score_forecasts,
)

__all__ = [
    "BASELINES", "ENGINE_NAMES", "AtCut", "BacktestResult", "CutForecast", "ForecastsAtCut",
    "at_cut", "backtest", "chosen_baselines", "draw_cuts", "forecast_at", "load_backtest",
    "open_at", "outcomes_after", "save_backtest", "score_forecasts",
]  # fmt: skip
