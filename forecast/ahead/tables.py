"""What a look up the ladder is: public tables, made from a walk."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from forecast import words
from forecast.ahead import rules
from forecast.ahead.walk import Ground, Settings, Walk, chain
from forecast.errors import ForecastError
from forecast.growth import log_slope, to_log
from forecast.inline import frame_html
from forecast.log import as_day
from forecast.readiness import LogView, curve_table, record_of, time_columns, usual_value
from forecast.row import AHEAD_COLUMNS, DIGITS, NEW, PAIN, SUMMARY_COLUMNS, UNDATED, Row, rows_table
from forecast.types import WEEK, Array, Flags, Ints

TARGET_COLUMNS = (
    "athlete", "rung", "target_date", "p_by_target", "gain_per_week", "gain_needed",
    "times_as_fast", "text",
)  # fmt: skip
TIME_COLUMNS = [name for name in AHEAD_COLUMNS if name.startswith(("weeks", "date"))]
MEASURED = (
    "gain_per_week", "gain_lately", "gain_lately_low", "gain_lately_high", "p_climbing", "p_flat",
    "p_slipping", "sessions_per_week",
)  # fmt: skip
"""What a rung without a session has no figure of."""
SHOWN = ("athlete", "rung_name", "weeks_low", "weeks_mid", "weeks_high", "date_mid")
"""What a notebook shows of the rungs ahead."""


@dataclass(frozen=True, slots=True)
class LadderAhead:
    """A forecast for every rung still ahead of every athlete, top rung last.

    ``summary`` has a row an (athlete, rung) ahead, the columns of ``ReadinessForecast.summary``.
    Weeks and dates count from ``as_of`` whether or not the rung is open yet; of a rung not begun
    ``level`` and ``gain_ahead`` are what is expected at its first session, ``p_next_session`` the
    chance that this one meets the criterion. ``curve`` has ``athlete, rung, week`` (1..H),
    ``p_cleared``; ``target``, with a ``target_date``, one row an athlete with the ladder's top
    still ahead: ``athlete, rung, target_date, p_by_target, gain_per_week, gain_needed,
    times_as_fast, text``; ``by_day`` (rows of ``summary``, D + 1) chances of having cleared within
    0..D days of the ``horizon_weeks``.
    """

    summary: pd.DataFrame = field(repr=False)
    curve: pd.DataFrame = field(repr=False)
    target: pd.DataFrame = field(repr=False)
    by_day: Array = field(repr=False)
    as_of: pd.Timestamp
    horizon_weeks: int

    def chance_by(self, date: pd.Timestamp | str) -> pd.DataFrame:
        """Return ``athlete, rung, rung_name, date, p_cleared``: the chance by the end of a day.

        Raises ``ForecastError`` if it is not a date (text must be ISO 8601) or beyond the horizon.
        """
        day = days_ahead(date, self.as_of, self.horizon_weeks)
        table = self.summary[["athlete", "rung", "rung_name"]].copy()
        table["date"] = self.as_of + pd.Timedelta(days=day)
        table["p_cleared"] = np.round(self.by_day[:, day], DIGITS)
        return table

    def for_athlete(self, athlete: str) -> LadderAhead:
        """Return what is about one athlete; ``ForecastError`` where nothing lies ahead."""
        mine = (self.summary["athlete"] == athlete).to_numpy()
        if not mine.any():
            names = ", ".join(dict.fromkeys(self.summary["athlete"])) or "none"
            raise ForecastError(f"Nothing lies ahead of {athlete!r} here; athletes: {names}.")
        summary, curve, target = (
            frame[frame["athlete"] == athlete].reset_index(drop=True)
            for frame in (self.summary, self.curve, self.target)
        )
        return replace(self, summary=summary, curve=curve, target=target, by_day=self.by_day[mine])

    def _repr_html_(self) -> str:
        return frame_html(self.summary, *SHOWN)


def days_ahead(
    date: pd.Timestamp | str, as_of: pd.Timestamp, horizon_weeks: int, what: str = "date"
) -> int:
    """Return days from the cut to a date within the horizon, or say what is wrong with it."""
    asked = as_day(date, what)
    day = (asked - as_of).days
    if not 0 <= day <= WEEK * horizon_weeks:
        last = (as_of + pd.Timedelta(weeks=horizon_weeks)).date()
        raise ForecastError(
            f"{what} = {asked.date()} does not lie between the cut date {as_of.date()} and "
            f"{last}, the end of the {horizon_weeks} weeks looked ahead; choose another date or "
            "a longer horizon_weeks."
        )
    return int(day)


def chances_by_day(cleared: Array, most_days: int) -> Array:
    """(T, D + 1) shares of (T, P) clearing days that fall within 0..D days."""
    rows, paths = cleared.shape
    day = np.minimum(np.ceil(np.maximum(cleared, 0.0)), most_days + 1).astype(np.int64)
    flat = (np.arange(rows)[:, None] * (most_days + 2) + day).ravel()
    counts = np.bincount(flat, minlength=rows * (most_days + 2)).reshape(rows, most_days + 2)
    return np.asarray(np.cumsum(counts[:, :-1], axis=1) / paths)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A forecast at several rates of training or pass marks, and what to know before reading it.

    ``table`` has a row a rung ahead and rate, ``WHAT_IF_COLUMNS``, or a row a mark, as
    ``what_if_mark`` says (``as_now`` marks the present one), weeks and dates as in
    ``LadderAhead.summary``; ``warning`` belongs beside it wherever it is shown.
    """

    table: pd.DataFrame = field(repr=False)
    warning: str

    def _repr_html_(self) -> str:
        return f"<p>{self.warning}</p>{frame_html(self.table)}"


def log_levels(latent: Array, linear: float) -> Array:
    """Return levels as log(value / target) from latent ones, within ``FARTHEST`` of the mark."""
    return np.clip(to_log(latent, linear), -rules.FARTHEST, rules.FARTHEST)


def _target_table(
    ground: Ground, walked: Walk, as_of: pd.Timestamp, target_date: pd.Timestamp | None
) -> pd.DataFrame:
    """One row an athlete who has the ladder's top ahead; none without a date.

    The gain is that of level over the time on the rungs to the top, on the middle path; the gain
    needed makes the date's chance one half, delays and consolidation periods as they are.
    """
    top = ground.plan.n_rungs - 1
    who = np.flatnonzero(ground.standing.ahead[:, top])
    if target_date is None or not len(who):
        return pd.DataFrame({name: [] for name in TARGET_COLUMNS})
    days = float((target_date - as_of).days)
    chance = (walked.cleared[who, top] <= days).mean(axis=1)
    # Level gained over weeks spent on the rungs still ahead on the way, on the middle path.
    way = (ground.standing.ahead & ground.plan.way_to(top))[:, :, None]
    mark, linear = ground.walker.marks[:, None], ground.walker.tracked.model.linear
    end, start = (
        log_levels(level + mark, linear) for level in (walked.end_level, walked.start_level)
    )
    climb = np.where(way, end - start, 0.0).sum(axis=1)
    weeks = np.where(way, walked.climbing, 0.0).sum(axis=1) / WEEK
    gain = np.median(climb / np.maximum(weeks, 1.0 / WEEK), axis=1)[who]
    times = _times_as_fast(ground, walked, top, days)[who]
    table = pd.DataFrame(
        {
            "athlete": pd.Series([ground.standing.names[a] for a in who], dtype="str"),
            "rung": ground.histories.ladder.keys[top],
            "target_date": target_date,
            "p_by_target": np.round(chance, DIGITS),
            "gain_per_week": np.round(gain, DIGITS),
            "gain_needed": np.round(gain * times, DIGITS),
            "times_as_fast": np.round(times, 3),
        }
    )
    table["text"] = [
        words.ahead.target(target_date, p, g, n if np.isfinite(n) else None, rules.QUICKEST)
        for p, g, n in zip(chance, gain, times, strict=True)
    ]
    return table.sort_values("athlete", ignore_index=True)


def _times_as_fast(ground: Ground, walked: Walk, top: int, days: float) -> Array:
    """(A,) factor on the pace of climbing with which half the paths make it; NaN if none does."""
    people = len(ground.standing.athletes)

    def made(quicker: Array) -> Flags:
        cleared = chain(ground.plan, ground.standing, walked, quicker)
        return np.asarray((cleared[:, top] <= days).mean(axis=1) >= 0.5)

    low, high = np.full(people, np.log(rules.SLOWEST)), np.full(people, np.log(rules.QUICKEST))
    possible = made(np.exp(high))
    for _ in range(rules.HALVINGS):
        middle = 0.5 * (low + high)
        enough = made(np.exp(middle))
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return np.where(possible, np.exp(high), np.nan)


def assemble(
    ground: Ground, settings: Settings, walked: Walk, current: tuple[Row, ...], view: LogView,
    target_date: pd.Timestamp | None = None, *, as_now: bool = True,
) -> LadderAhead:  # fmt: skip
    """Put a walk, at the present rate or another, into the public tables, in ladder order."""
    names = np.array(ground.standing.names, dtype=object)
    who, rung = np.nonzero(ground.standing.ahead)
    order = np.lexsort((rung, names[who].astype(str)))
    who, rung = who[order], rung[order]
    by_day = chances_by_day(walked.cleared[who, rung], settings.most_days)
    facts = _facts(ground, walked, names[who], who, rung, view.model.comparable_)
    facts["p_lapse_26"] = facts["athlete"].map({r.athlete: r.lapse for r in current}).astype(float)
    summary = pd.concat([facts, time_columns(by_day, view.as_of)], axis=1)
    if as_now:
        summary = _as_forecast(summary, rows_table(current), settings.most_days)
    held = facts["athlete"].isin({row.athlete for row in current if row.hold}).to_numpy()
    # Of athletes in pain no chance, week or date is told, on all rungs, not open ones alone.
    blank = dict.fromkeys([*AHEAD_COLUMNS, "p_climbing", "p_flat", "p_slipping", "p_lapse_26"])
    blank |= dict.fromkeys(("on_hold", "state"), PAIN)
    summary = summary[list(SUMMARY_COLUMNS)]
    summary = summary.assign(**{n: summary[n].mask(held, to) for n, to in blank.items()})
    target = _target_table(ground, walked, view.as_of, target_date)
    return LadderAhead(
        summary=summary,
        curve=curve_table(facts[~held], by_day[~held]),
        target=target[~target["athlete"].isin(set(facts.loc[held, "athlete"]))],
        by_day=np.where(held[:, None], np.nan, by_day),
        as_of=view.as_of,
        horizon_weeks=settings.most_days // int(WEEK),
    )


def _facts(
    ground: Ground, walked: Walk, names: Array, who: Ints, rung: Ints, comparable: dict[str, int]
) -> pd.DataFrame:
    """Everything in a summary row but its times."""
    histories, standing = ground.histories, ground.standing
    rungs = [histories.ladder.rungs[r] for r in rung]
    row = standing.spell[who, rung]
    sessions = np.where(row >= 0, histories.spells["n_sessions"].to_numpy()[row], 0)
    linear = ground.walker.tracked.model.linear
    latent = walked.start_level[who, rung] + ground.walker.marks[rung][:, None]
    target = np.array([r.criterion.target for r in rungs])
    level = log_levels(latent, linear).mean(axis=1)
    whole = np.array([r.criterion.measure == "reps" for r in rungs], dtype=bool)
    gain = (log_slope(latent, linear) * walked.start_gain[who, rung]).mean(axis=1)
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
            "p_next_session": np.round(walked.first[who, rung], DIGITS),
            "state": NEW,
            "on_hold": pd.Series([pd.NA] * len(rungs), dtype="str"),
            "met_lately": 0,
            "met_expected": 0.0,
            "comparable": [comparable.get(r.key, 0) for r in rungs],
        }
    )
    facts["confidence"] = [
        record_of(*pair) for pair in zip(facts["sessions"], facts["comparable"], strict=True)
    ]
    names_of = [one.name for one in histories.ladder.rungs]
    warnings = [
        words.ahead.not_begun(
            [names_of[n] for n in ground.plan.needs[r] if standing.ahead[a, n]],
            [names_of[n] for n in ground.plan.needs[r] if standing.presumed[a, n]],
            begun=bool(standing.spell[a, r] >= 0),
        )
        for a, r in zip(who, rung, strict=True)
    ]
    return facts.assign(warnings=pd.Series(warnings, dtype="str"))


def _as_forecast(summary: pd.DataFrame, current: pd.DataFrame, most_days: int) -> pd.DataFrame:
    """Open rungs read as in the forecast itself, wherever that reaches; beyond, as walked."""
    keys = pd.MultiIndex.from_frame(summary[["athlete", "rung"]])
    row = current.set_index(["athlete", "rung"]).reindex(keys)
    is_open = row["rung_name"].notna().to_numpy()
    out = summary.copy()
    for name in SUMMARY_COLUMNS:
        if name in ("athlete", "rung", "p_never_in_horizon", "warnings"):
            continue
        values = row[name].to_numpy()
        use = is_open & pd.notna(values)
        if name in TIME_COLUMNS:
            use &= ~(row[name.replace("date", "weeks")].to_numpy() > most_days / WEEK)
        elif name in AHEAD_COLUMNS:
            use &= out[name].notna().to_numpy()
        out[name] = out[name].where(~use, pd.Series(values, index=out.index))
    undated = out["state"].isin(UNDATED) & is_open
    return out.assign(**{name: out[name].mask(undated) for name in TIME_COLUMNS})
