"""The public tables: one row an open rung, and the coach's watch list."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from forecast.histories import PAIN, Histories, recent_pain
from forecast.log import TrainingLog
from forecast.plateau.alarms import enough_record
from forecast.plateau.changes import COMPARED, changes_since, longer_but_less_clean
from forecast.plateau.onset import date_onset, weeks_between
from forecast.plateau.rules import (
    DEFAULT_FALSE_ALARMS,
    PlateauRules,
    check_settings,
    learn_plateaus,
    limits_for,
)
from forecast.plateau.state import state_of
from forecast.plateau.traces import DAYS, Traces, take_traces, traces_of
from forecast.plateau.watch import Watched
from forecast.plateau.words import (
    FLAT,
    PAIN_CAUTION,
    PAUSED,
    SLIPPING,
    UNCLEAR,
    USUAL_HELP,
    reason_for,
)
from forecast.readiness import Fitted, LogView, as_view, untried_rungs

COLUMNS = (
    "athlete", "rung", "state", "since", "weeks_flat", "gain", "gain_low", "gain_high", "p_flat",
    "reason", "since_low", "since_high", "smallest_gain", "changed", "less_clean", "pain",
    "sessions", "wait_weeks",
)  # fmt: skip
"""Columns of ``plateaus``, in order."""

WATCH_COLUMNS = ("urgency", "athlete", "rung", "state", "why", "next_step")
EIGHTY = float(norm.ppf(0.9))
PAUSE_WEEKS = 3.0
DIGITS = 6


def plateaus(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
    smallest_gain: float | None = None,
    rules: PlateauRules | None = None,
) -> pd.DataFrame:
    """Say for each open rung whether the athlete climbs, is flat, slips, or pauses.

    Parameters
    ----------
    model, log, as_of
        As in ``readiness.as_view``, and so are the errors.
    false_alarms_per_year
        How many false alarms one athlete may get in a year of training.
    smallest_gain
        Gain a week (0.01 is 1 %) below which progress counts as flat. Left out: the gain that
        takes a year to the target from where the athlete stands, but 0.5 % a week at least.
    rules
        From ``learn_plateaus``; as the model learnt them where left out, and learnt from this
        log, up to the cut date, where it has none.

    Returns
    -------
    DataFrame
        One row an open (athlete, rung), columns ``COLUMNS``. ``since``, ``since_low`` and
        ``since_high`` (50, 10 and 90 % points) and ``weeks_flat`` only where flat or slipping;
        ``gain`` with its 80 % range is the change of level a week as measured over the last six
        weeks of training (``growth.measure_gain``), the ``gain_lately`` of a forecast; ``p_flat``
        is the chance that the gain now is no more than ``smallest_gain`` (``chance_flat``), from
        which the state follows.

    Raises
    ------
    ForecastError
        A setting is out of range.
    FitError
        The watch could not learn from the log.
    """
    view = as_view(model, log, as_of)
    check_settings(false_alarms_per_year, smallest_gain)
    growth, histories, tracked = view.growth, view.histories, view.tracked
    learnt = rules or view.once(rules_of)
    limits = limits_for(learnt, false_alarms_per_year, smallest_gain)
    row_of = tracked.panel.longest_first
    is_open = np.flatnonzero(histories.spells["open"].to_numpy()[row_of])
    rows = []
    if len(is_open):
        traces = traces_of(growth, tracked)
        traces = take_traces(traces, is_open, traces.length[is_open])
        watched = learnt.watch(traces, limits, smallest_gain)
        sessions = histories.sessions[["spell", "date"]].groupby("spell")
        sets = histories.sets[COMPARED].groupby("spell")
        for spell, row in enumerate(row_of[is_open]):
            known = _row(histories, int(row), traces, spell, watched, learnt, smallest_gain)
            rows.append(_with_words(known, sessions.get_group(row), sets.get_group(row)))
    untried = untried_rungs(histories)
    rows += [_untried_row(*pair) for pair in zip(untried["athlete"], untried["rung"], strict=True)]
    pain = recent_pain(histories)
    return _as_table([row | {"pain": pain.get(row["athlete"], np.nan)} for row in rows], histories)


def rules_of(view: LogView) -> PlateauRules:
    """Return the rules as the model learnt them, else learnt from the log of this view."""
    known: PlateauRules | None = getattr(view.model, "plateau_rules_", None)
    return known or learn_plateaus(
        view.growth, view.histories, tracked=view.tracked, seed=view.model.random_state
    )


def _row(
    histories: Histories,
    row: int,
    traces: Traces,
    spell: int,
    watched: Watched,
    rules: PlateauRules,
    smallest_gain: float | None,
) -> dict:
    """One open rung under way."""
    record = histories.spells.iloc[row]
    last = int(traces.start[spell] + traces.length[spell] - 1)
    gain, spread = watched.gain[last], watched.gain_sd[last]
    known = {
        "athlete": record["athlete"],
        "rung": record["rung"],
        "sessions": int(record["n_sessions"]),
        "weeks_trained": float(traces.clock[last]),
        "wait_weeks": (histories.as_of - record["last_session"]).days / DAYS,
        "enough": bool(enough_record(traces)[last]),
        "gain": gain,
        "gain_low": gain - EIGHTY * spread,
        "gain_high": gain + EIGHTY * spread,
        "smallest_gain": watched.least[last],
        "p_flat": watched.p_flat[last],
        **_NOT_FLAT,
    }
    known["state"] = state_of(
        waits=known["wait_weeks"] > _pause(traces, spell),
        flagged=bool(watched.flagged[last]),
        enough=known["enough"],
        p_flat=known["p_flat"],
        p_gains=float(norm.cdf((gain - watched.least[last]) / spread)),
        gain_high=known["gain_high"],
    )
    if known["state"] in (FLAT, SLIPPING):
        onset = date_onset(
            traces, rules.switching, spell, int(traces.length[spell]),
            smallest_gain=smallest_gain, seed=rules.seed,
        )  # fmt: skip
        days = {"since": onset.middle, "since_low": onset.low, "since_high": onset.high}
        known |= {name: _date(day) for name, day in days.items()}
        known["weeks_flat"] = weeks_between(onset.middle, _day(histories.as_of))
    return known


def _with_words(known: dict, sessions: pd.DataFrame, sets: pd.DataFrame) -> dict:
    """Add to an open rung's row what its sets show beside the state, and the reason."""
    known["less_clean"] = longer_but_less_clean(sets)
    if not pd.isna(known["since"]):
        known["changed"] = changes_since(sessions, sets, known["since"])
    known["reason"] = reason_for(known)
    return known


_NOT_FLAT: dict = {
    "since": pd.NaT, "since_low": pd.NaT, "since_high": pd.NaT, "weeks_flat": np.nan, "changed": "",
}  # fmt: skip


def _pause(traces: Traces, spell: int) -> float:
    """Weeks without a session from which a rung counts as paused."""
    own = slice(traces.start[spell] + 1, traces.start[spell] + traces.length[spell])
    gaps = traces.rest[own] + traces.excess[own]
    return max(PAUSE_WEEKS, 3.0 * float(np.median(gaps)) if len(gaps) else 0.0)


def _untried_row(athlete: str, rung: str) -> dict:
    known = {
        "athlete": athlete,
        "rung": rung,
        "sessions": 0,
        "state": UNCLEAR,
        "less_clean": False,
        **{n: np.nan for n in ("gain", "gain_low", "gain_high", "p_flat", "smallest_gain")},
        "wait_weeks": np.nan,
        **_NOT_FLAT,
    }
    return known | {"reason": reason_for(known)}


def _date(day: float) -> pd.Timestamp:
    return pd.NaT if np.isnan(day) else pd.Timestamp(round(day), unit="D")


def _day(date: pd.Timestamp) -> int:
    return int(np.datetime64(date, "D").astype(np.int64))


def _as_table(rows: list[dict], histories: Histories) -> pd.DataFrame:
    """Sort by athlete and ladder order, with fixed types also where there is no row."""
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    place = {key: i for i, key in enumerate(histories.ladder.keys)}
    table = table.assign(place=table["rung"].map(place)).sort_values(["athlete", "place"])
    table = table.drop(columns="place").reset_index(drop=True)
    words = {n: "str" for n in ("athlete", "rung", "state", "reason", "changed")}
    days = {n: "datetime64[ns]" for n in ("since", "since_low", "since_high")}
    table = table.astype({**words, **days, "less_clean": "bool", "sessions": "int64"})
    numbers = [c for c in COLUMNS if c not in {**words, **days, "less_clean": 0, "sessions": 0}]
    table[numbers] = table[numbers].astype(float).round(DIGITS)
    return table


def watch_list(
    model: Fitted | LogView,
    log: TrainingLog | None = None,
    as_of: pd.Timestamp | str | None = None,
    *,
    false_alarms_per_year: float = DEFAULT_FALSE_ALARMS,
    smallest_gain: float | None = None,
    rules: PlateauRules | None = None,
) -> pd.DataFrame:
    """Return who needs a look, most urgent first.

    Columns ``WATCH_COLUMNS``: pain noted lately first, then slipping, flat (longest first), longer
    but less clean, paused, and too little record. Rungs that climb are not listed.

    Parameters
    ----------
    model, log, as_of, false_alarms_per_year, smallest_gain, rules
        As in ``plateaus``, which raises the same errors.
    """
    table = plateaus(
        model, log, as_of, false_alarms_per_year=false_alarms_per_year,
        smallest_gain=smallest_gain, rules=rules,
    )  # fmt: skip
    return urgent_first(table)


def urgent_first(table: pd.DataFrame) -> pd.DataFrame:
    """Make the watch list of a table from ``plateaus``."""
    hurts = table["pain"] >= PAIN
    kinds = [
        hurts,
        table["state"] == SLIPPING,
        table["state"] == FLAT,
        table["less_clean"] & (table["state"] != PAUSED),
        table["state"] == PAUSED,
        (table["state"] == UNCLEAR) & (table["sessions"] > 0),
    ]
    urgency = np.select(kinds, range(1, len(kinds) + 1), default=0)
    pain = "Pain of " + table["pain"].fillna(0).round(0).astype("int64").astype("str") + " noted. "
    out = table[["athlete", "rung", "state"]].assign(
        urgency=urgency,
        why=np.where(hurts, pain + table["reason"], table["reason"]),
        next_step=np.select(
            [hurts, table["state"].isin([FLAT, SLIPPING]) | kinds[3]],
            [PAIN_CAUTION, USUAL_HELP],
            default="",
        ),
        weeks=table["weeks_flat"].fillna(0.0),
    )
    out = out[out["urgency"] > 0].sort_values(
        ["urgency", "weeks", "athlete"], ascending=[True, False, True], kind="stable"
    )
    return out[list(WATCH_COLUMNS)].reset_index(drop=True)
