"""The forecast as the pages read it: every open rung with its one mark and its usual day."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from forecast.plateau import plateaus
from forecast.readiness import KEYS, PAIN, LogView, ReadinessForecast, marked, with_usual


def seen(view: LogView, forecast: ReadinessForecast | None = None) -> ReadinessForecast:
    """Return the forecast with ``mark, usual, who`` in its summary and ``who`` in its reasons.

    Parameters
    ----------
    view
        The log as a fitted forecaster sees it.
    forecast
        The forecast, of the same log and cut; that of the view where left out.
    """
    forecast = view.forecast() if forecast is None else forecast
    histories = view.histories
    summary = marked(forecast.summary, view.once(plateaus))
    summary = with_usual(summary, histories, histories.ladder)
    summary = summary.assign(who=who_label(summary["athlete"], summary["rung_name"]))
    reasons = forecast.reasons.merge(summary[[*KEYS, "who"]], on=KEYS)
    return replace(forecast, summary=summary, reasons=reasons)


def who_label(athlete: pd.Series, rung_name: pd.Series) -> pd.Series:
    """Return the label by which rows of the tables belong together."""
    return athlete + " \u00b7 " + rung_name


def on_hold(summary: pd.DataFrame) -> list[str]:
    """Return ``who`` of the rungs whose dates are on hold, because pain is noted."""
    return list(summary.loc[summary["mark"] == PAIN, "who"])
