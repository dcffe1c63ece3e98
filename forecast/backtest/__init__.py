"""Would the forecasts have been any good? Cuts, baselines, scores."""

from forecast.backtest.baselines import BASELINES
from forecast.backtest.cuts import draw_cuts, outcomes_after
from forecast.backtest.forecasters import ForecastsAtCut, chosen_baselines, forecast_at
from forecast.backtest.kept import load_backtest, save_backtest
from forecast.backtest.result import BacktestResult
from forecast.backtest.run import backtest, score_forecasts

__all__ = [
    "BASELINES",
    "BacktestResult",
    "ForecastsAtCut",
    "backtest",
    "chosen_baselines",
    "draw_cuts",
    "forecast_at",
    "load_backtest",
    "outcomes_after",
    "save_backtest",
    "score_forecasts",
]
