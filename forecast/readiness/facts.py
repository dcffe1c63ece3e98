"""Plain facts of each open rung at the cut, for summary, reasons and warnings."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtri

from forecast.growth import (
    GrowthForecast,
    GrowthModel,
    Tracked,
    gain_ahead,
    level_and_gain,
    measure_gain,
    motion_of,
    pace_effects,
    session_sites,
)
from forecast.histories import Histories, recent_pain
from forecast.readiness.shown import (
    highest_shown,
    meetings,
    nothing_counts,
    training_lately,
    usual_value,
)
from forecast.types import Ints

EIGHTY = float(ndtri(0.9))


def comparable_counts(histories: Histories) -> dict[str, int]:
    """Cleared spells by rung in the log a model was fitted on."""
    cleared = histories.spells[histories.spells["cleared_on"].notna()]
    counts = cleared["rung"].value_counts()
    return {key: int(counts.get(key, 0)) for key in histories.ladder.keys}


def open_facts(
    histories: Histories,
    tracked: Tracked,
    which: Ints,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return one row of facts for each spell under way.

    ``which`` (T,) are their places in the panel, ``forecast`` is the engine's of them;
    ``comparable`` comes from ``comparable_counts``.
    """
    spells = histories.spells.iloc[which]
    facts = spells[["athlete", "rung", "run"]].reset_index(drop=True)
    facts["sessions"] = spells["n_sessions"].to_numpy()
    wait = (histories.as_of - spells["last_session"]).dt.days / 7.0
    facts["wait_weeks"] = wait.to_numpy()
    cut = int(np.datetime64(histories.as_of, "D").astype(np.int64))
    facts = facts.join(training_lately(histories, which))
    facts = facts.join(meetings(histories, growth, tracked, which, cut))
    facts["nothing_counts"] = nothing_counts(histories, which)
    athlete_pace, rung_pace = pace_effects(growth, forecast)
    facts["athlete_pace"] = athlete_pace
    facts["rung_pace"] = rung_pace[spells["rung_index"].to_numpy()]
    trusted = histories.sets.loc[~histories.sets["load_known"], "spell"]
    facts["load_known"] = ~np.isin(which, trusted)
    facts = _with_gains(facts, tracked, which, forecast, growth, cut)
    facts = _with_level(facts, forecast, growth, histories, comparable)
    shown = highest_shown(histories, which, growth.units)
    facts["level_value"] = np.minimum(facts["level_value"], shown)
    return facts


def untried_facts(
    histories: Histories,
    untried: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return the same facts for rungs without a session; what can't be known is missing or 0."""
    facts = untried[["athlete", "rung"]].reset_index(drop=True)
    for name in ("run", "sessions", "met_of", "met_lately"):
        facts[name] = 0
    facts["load_known"], facts["nothing_counts"] = True, ""
    for name in UNKNOWN:
        facts[name] = 0.0
    for name in ("gain_lately", "gain_lately_low", "gain_lately_high"):
        facts[name] = np.nan
    facts["gain_ahead"] = level_and_gain(growth, forecast)[1]
    return _with_level(facts, forecast, growth, histories, comparable)


UNKNOWN = (
    "wait_weeks", "rate", "clean_share", "break_days", "met_expected", "met_sd",
    "athlete_pace", "rung_pace",
)  # fmt: skip
"""What is 0 where there is no session yet."""


def _with_gains(
    facts: pd.DataFrame,
    tracked: Tracked,
    which: Ints,
    forecast: GrowthForecast,
    growth: GrowthModel,
    cut: int,
) -> pd.DataFrame:
    """Add the gain as measured lately with its 80 % range, and as expected from now on."""
    sites, last = session_sites(growth, tracked), tracked.panel.last[which]
    measure = measure_gain(sites, motion_of(growth), last)
    gain, half = measure.gain(sites.level), EIGHTY * measure.sd
    done = (tracked.panel.number[last] + 1).astype(float)
    rate = facts["rate"].to_numpy(dtype=float)
    return facts.assign(
        gain_lately=gain,
        gain_lately_low=gain - half,
        gain_lately_high=gain + half,
        gain_ahead=gain_ahead(growth, forecast.mean, done, np.full(len(last), float(cut)), rate),
    )


def _with_level(
    facts: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    histories: Histories,
    comparable: dict[str, int],
) -> pd.DataFrame:
    level = level_and_gain(growth, forecast)[0]
    criteria = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    target = facts["rung"].map({key: c.target for key, c in criteria.items()}).astype(float)
    whole = facts["rung"].map({key: c.measure == "reps" for key, c in criteria.items()})
    return facts.assign(
        rung_name=facts["rung"].map({r.key: r.name for r in histories.ladder.rungs}),
        pain=facts["athlete"].map(recent_pain(histories)).astype(float).fillna(0.0),
        target=target,
        level=level,
        level_value=usual_value(level, target.to_numpy(), whole.to_numpy(dtype=bool)),
        comparable=facts["rung"].map(comparable).fillna(0).astype("int64"),
    )
