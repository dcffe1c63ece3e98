"""From a walk up the ladder to the public tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.ahead.ground import Ground
from forecast.ahead.result import LadderAhead, chances_by_day
from forecast.ahead.state import Settings, Walk, log_levels
from forecast.ahead.target import target_table
from forecast.growth.scale import log_slope
from forecast.readiness import Fitted, ReadinessForecast
from forecast.readiness.reasons import confidence_words
from forecast.readiness.result import DIGITS, SUMMARY_COLUMNS, curve_table, time_columns
from forecast.readiness.shown import usual_value

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

TIME_COLUMNS = (
    "weeks_low", "weeks_mid", "weeks_high", "date_low", "date_mid", "date_high", "p_4", "p_8",
    "p_12", "p_26",
)  # fmt: skip

MEASURED = (
    "gain_per_week", "gain_lately", "gain_lately_low", "gain_lately_high", "p_flat",
    "sessions_per_week",
)  # fmt: skip
"""What a rung without a session has no figure of."""


def assemble(
    ground: Ground,
    settings: Settings,
    gone: Walk,
    current: ReadinessForecast,
    model: Fitted,
    target_date: pd.Timestamp | None = None,
    *,
    as_now: bool = True,
) -> LadderAhead:
    """Put a walk into the public tables, by athlete and in ladder order.

    ``as_now`` says that the walk was at the present rate, so that open rungs read as forecast.
    """
    names = np.array(ground.standing.names, dtype=object)
    who, rung = np.nonzero(ground.standing.ahead)
    order = np.lexsort((rung, names[who].astype(str)))
    who, rung = who[order], rung[order]
    by_day = chances_by_day(gone.cleared[who, rung], settings.most_days)
    facts = _facts(ground, gone, names[who], who, rung, model.comparable_)
    lapse = current.summary.drop_duplicates("athlete").set_index("athlete")["p_lapse_26"]
    facts["p_lapse_26"] = facts["athlete"].map(lapse).astype(float)
    summary = pd.concat([facts, time_columns(by_day, current.as_of)], axis=1)
    if as_now:
        summary = _as_forecast(summary, current, settings.most_days)
    weeks = settings.most_days // 7
    target = target_table(ground, settings, gone, current.as_of, target_date)
    return LadderAhead(
        summary=summary[list(SUMMARY_COLUMNS)],
        curve=curve_table(facts, by_day),
        target=target,
        by_day=by_day,
        as_of=current.as_of,
        horizon_weeks=weeks,
    )


def _facts(
    ground: Ground,
    gone: Walk,
    names: Array,
    who: Ints,
    rung: Ints,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Everything in a summary row but its times."""
    histories, standing = ground.histories, ground.standing
    rungs = [histories.ladder.rungs[r] for r in rung]
    row = standing.spell[who, rung]
    sessions = np.where(row >= 0, histories.spells["n_sessions"].to_numpy()[row], 0)
    linear = ground.model.linear
    latent = gone.start_level[who, rung] + ground.threshold[rung][:, None]
    target = np.array([r.criterion.target for r in rungs])
    level = log_levels(latent, linear).mean(axis=1)
    whole = np.array([r.criterion.measure == "reps" for r in rungs], dtype=bool)
    gain = (log_slope(latent, linear) * gone.start_gain[who, rung]).mean(axis=1)
    facts = pd.DataFrame(
        {
            "athlete": pd.Series(names, dtype="str"),
            "rung": pd.Series([r.key for r in rungs], dtype="str"),
            "rung_name": pd.Series([r.name for r in rungs], dtype="str"),
            "sessions": sessions,
            "level": np.round(level, DIGITS),
            "level_value": np.round(usual_value(level, target, whole), DIGITS),
            "target": target,
            **dict.fromkeys(MEASURED, np.nan),
            "gain_ahead": np.round(gain, DIGITS),
            "p_next_session": np.round(gone.first[who, rung], DIGITS),
            "state": "unclear",
            "met_lately": 0,
            "met_expected": 0.0,
            "comparable": [comparable.get(r.key, 0) for r in rungs],
        }
    )
    facts["confidence"] = confidence_words(facts)
    facts["warnings"] = _warnings(ground, who, rung)
    return facts


def _warnings(ground: Ground, who: Ints, rung: Ints) -> pd.Series:
    """What to know of each rung not begun: what it waits for, and what was only presumed."""
    keys = ground.histories.ladder.rungs
    standing, plan = ground.standing, ground.plan
    texts = []
    for athlete, r in zip(who, rung, strict=True):
        notes = []
        if standing.spell[athlete, r] < 0:
            waiting = [keys[n].name for n in plan.needs[r] if standing.ahead[athlete, n]]
            wait = f"opens after {' and '.join(waiting)}" if waiting else "open"
            notes.append(f"not begun ({wait})")
        presumed = [keys[n].name for n in plan.needs[r] if standing.presumed[athlete, n]]
        if presumed:
            notes.append(f"{' and '.join(presumed)}: not in the log, taken as done before it")
        texts.append("; ".join(notes))
    return pd.Series(texts, dtype="str")


def _as_forecast(summary: pd.DataFrame, current: ReadinessForecast, most_days: int) -> pd.DataFrame:
    """Open rungs read as in the forecast itself, wherever that reaches; beyond, as walked."""
    keys = pd.MultiIndex.from_frame(summary[["athlete", "rung"]])
    said = current.summary.set_index(["athlete", "rung"]).reindex(keys)
    is_open = said["rung_name"].notna().to_numpy()
    out = summary.copy()
    for name in SUMMARY_COLUMNS:
        if name in ("athlete", "rung", "p_never_in_horizon"):
            continue
        values = said[name].to_numpy()
        use = is_open & pd.notna(values)
        if name in TIME_COLUMNS and name.startswith(("weeks", "date")):
            weeks = said[name.replace("date", "weeks")].to_numpy()
            use &= ~(weeks > most_days / 7.0)
        elif name in TIME_COLUMNS:
            use &= out[name].notna().to_numpy()
        out[name] = out[name].where(~use, pd.Series(values, index=out.index))
    return out
