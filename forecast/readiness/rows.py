"""The row of every open rung: which are open, their facts, and what is made of them, once.

Sessions and sets stand in the order of the spells, so that what is a spell's is a slice of arrays.
"""

from __future__ import annotations

from typing import Any, get_type_hints

import numpy as np
import pandas as pd

from forecast.growth import GrowthForecast, GrowthModel, Tracked, to_log
from forecast.histories import ABSENCE_DAYS, CLEARED, PAIN, PASSED_OVER, Histories, recent_pain
from forecast.ladder import Ladder, Rung
from forecast.plateau import MIN_SESSIONS, MIN_WEEKS
from forecast.readiness import rules
from forecast.row import (
    DIGITS,
    KEYS,
    MARKS,
    PAUSED,
    STUCK,
    UNDATED,
    Away,
    Gain,
    Level,
    Reason,
    Row,
    Seen,
    Verdict,
    Wait,
    state_of,
)
from forecast.types import WEEK, Array, Flags, Ints

CURVE_COLUMNS = (*KEYS, "week", "p_cleared")
POINTS = {"low": 0.1, "mid": 0.5, "high": 0.9}
"""Points of a wait by name: the share that has cleared by then."""
UNTRIED = {
    **dict.fromkeys(("run", "sessions", "met_of", "met", "sets", "valid"), 0),
    "more_sessions": MIN_SESSIONS,
    "load_known": True,
    "obstacle": "",
    "last_on": pd.NaT,
    **dict.fromkeys(("weeks_since", "weeks_on", "per_week", "break_days"), 0.0),
    **dict.fromkeys(("met_expected", "met_sd", "athlete_pace", "rung_pace"), 0.0),
    **dict.fromkeys(("clean_share", "pause_weeks", "best", "best_ever"), np.nan),
}
"""Facts of a rung without a session: nothing seen, nothing known."""
Changed = tuple[tuple[str, float, float], ...]
"""What changed, its figure before (missing where there is none) and after."""


def untried_rungs(histories: Histories) -> pd.DataFrame:
    """Return the rungs that come next for athletes with none under way.

    ``athlete, athlete_id, rung, rung_index, ready_on``: from when the rung may be trained.
    """
    spells, ladder = histories.spells, histories.ladder
    busy = set(histories.open_spells["athlete"])
    rows = []
    for athlete, own in spells[~spells["athlete"].isin(busy)].groupby("athlete", sort=False):
        done = own[own["outcome"].isin([CLEARED, PASSED_OVER])].set_index("rung")
        cleared, begun = (np.isin(ladder.keys, rungs)[None] for rungs in (done.index, own["rung"]))
        passed = rungs_behind(cleared, begun, np.zeros_like(begun), ladder)[0]
        behind = {key for key, is_behind in zip(ladder.keys, passed, strict=True) if is_behind}
        for place, rung in enumerate(ladder.rungs):
            if rung.key in behind or not set(rung.needs) <= behind:
                continue
            ready = [
                done.loc[need, "end"] + pd.Timedelta(weeks=ladder.rung(need).min_weeks)
                for need in rung.needs
                if need in done.index
            ]
            ready_on = max(ready) if ready else own["end"].max()
            rows.append((athlete, own["athlete_id"].iloc[0], rung.key, place, ready_on))
    columns = ["athlete", "athlete_id", "rung", "rung_index", "ready_on"]
    return pd.DataFrame(rows, columns=columns)


def rungs_behind(done: Flags, begun: Flags, under_way: Flags, ladder: Ladder) -> Flags:
    """Return the rungs behind each athlete, (A, R), from what the log shows, (A, R) too.

    Behind is a rung that was ``done``; one that a rung begun or behind needs, unless it is still
    under way; and one before the first that the log shows, unless that is a foot of the ladder,
    for logs often begin in the middle.
    """
    needs = [[ladder.position(need) for need in rung.needs] for rung in ladder.rungs]
    earliest = np.where(begun.any(axis=1), begun.argmax(axis=1), 0)
    foot = np.array([not needed for needed in needs])
    earliest = np.where(foot[earliest], 0, earliest)
    behind = done | (np.arange(len(needs)) < earliest[:, None])
    reached = behind | begun
    for rung in range(len(needs) - 1, -1, -1):
        for need in needs[rung]:
            reached[:, need] |= reached[:, rung]
            behind[:, need] |= reached[:, rung]
    return np.asarray(behind & (done | ~under_way))


def open_facts(
    histories: Histories, tracked: Tracked, which: Ints, forecast: GrowthForecast,
    growth: GrowthModel,
) -> pd.DataFrame:  # fmt: skip
    """Return one row of facts for each spell under way; ``which`` are their places in the panel."""
    panel, spells = tracked.panel, histories.spells.iloc[which]
    last, number = panel.last[which], panel.length[which]
    first, latest = panel.day[panel.start[which]], panel.day[last]
    cut = int(np.datetime64(histories.as_of, "D").astype(np.int64))
    lately = _training_lately(histories, tracked, which, cut)
    rung_pace = growth.fit.pooled.rung_effects[:, 1:].sum(axis=1)
    facts = {
        "sessions": number,
        # so many sessions at least, over so many weeks: one later session makes up for these
        "more_sessions": np.maximum(MIN_SESSIONS - number, (latest - first) / WEEK < MIN_WEEKS),
        "last_on": spells["last_session"].to_numpy(),
        "weeks_since": (cut - latest) / WEEK,
        "weeks_on": (cut - first) / WEEK,
        **lately,
        **_sets_shown(histories, which),
        **_meetings(histories, tracked, which, cut),
        "athlete_pace": forecast.athlete_effect[:, 1:].sum(axis=1),
        "rung_pace": rung_pace[spells["rung_index"].to_numpy()],
        "gain_ahead": growth.gain_ahead(
            forecast.mean, number.astype(float), np.full(len(last), float(cut)), lately["per_week"]
        ),
        "level": to_log(forecast.mean[:, 0], growth.linear),
        "before": to_log(tracked.filtered.mean[last, 0], growth.linear),
        "p_next_session": forecast.passage.next_session,
    }
    return spells[["athlete", "athlete_id", "rung", "run"]].reset_index(drop=True).assign(**facts)


def untried_facts(
    untried: pd.DataFrame, forecast: GrowthForecast, growth: GrowthModel
) -> pd.DataFrame:
    """Return the same facts for rungs without a session."""
    level, gain, _ = growth.level_and_gain(forecast.mean, forecast.cov)
    facts = {"gain_ahead": gain, "level": level, "before": level}
    return untried[["athlete", "athlete_id", "rung"]].assign(
        **UNTRIED, **facts, p_next_session=forecast.passage.next_session
    )


def with_values(
    facts: pd.DataFrame, histories: Histories, comparable: dict[str, int]
) -> pd.DataFrame:
    """Add target, pain, comparable spells, and what a day shows: now, guessed, and then."""
    rungs = [histories.ladder.rung(key) for key in facts["rung"]]
    target = np.array([rung.criterion.target for rung in rungs], dtype=float)
    whole = np.array([rung.criterion.measure == "reps" for rung in rungs], dtype=bool)
    best, shown = facts["best"].to_numpy(float), facts["best_ever"].to_numpy(float)
    guess, before = (
        np.fmin(usual_value(facts[name].to_numpy(float), target, whole), shown)
        for name in ("level", "before")
    )
    return facts.assign(
        pain=facts["athlete"].map(recent_pain(histories)).to_numpy(float, na_value=0.0),
        target=target, guess=guess, before=before, usual=np.minimum(guess, best),
        comparable=np.array([comparable.get(rung.key, 0) for rung in rungs], dtype=np.int64),
    )  # fmt: skip


def usual_value(level: Array, target: Array, whole: Flags) -> Array:
    """Return the value that a usual day shows at log(capacity / target).

    ``whole`` repetitions are written down: a capacity of 7.6 as 7, half of one less on average.
    """
    capacity = target * np.exp(level)
    return np.asarray(np.where(whole, np.floor(capacity + 1e-9), capacity))


def _latest(tracked: Tracked, which: Ints, number: int) -> tuple[Ints, Flags]:
    """(T, n) places of the latest sessions of spells, the last first, and which of them exist."""
    back = np.arange(number)
    last, there = tracked.panel.last[which][:, None], back < tracked.panel.length[which][:, None]
    return np.where(there, last - back, last), there


def _highest(values: Array, use: Flags, start: Ints) -> Array:
    """The highest of the values used in each stretch, stretches begin at ``start``; else NaN."""
    highest = np.maximum.reduceat(np.where(use, values, -np.inf), start)
    return np.asarray(np.where(np.isneginf(highest), np.nan, highest))


def _sets_shown(histories: Histories, which: Ints) -> dict[str, Array]:
    """Counts of sets by spell (T,), the best of those that counted, else of all, and ``obstacle``.

    ``missed`` where no set brought anything, ``helped``, ``unclean`` or ``underloaded`` where none
    that did counted; empty else.
    """
    sets = histories.sets
    value, counts, own, clean, load_known = (
        sets[name].to_numpy() for name in ("value", "counts", "assisted", "clean", "load_known")
    )
    own = ~own
    spell = sets["spell"].to_numpy()
    start = np.searchsorted(spell, np.arange(len(histories.spells)))
    counted, most, most_own = (
        _highest(value, use, start)[which] for use in (counts, np.full(len(value), True), own)
    )
    clean_own = np.logical_or.reduceat(clean & own, start)[which]
    obstacle = np.select(
        [counted > 0, ~(most > 0), ~(most_own > 0), ~clean_own],
        ["", "missed", "helped", "unclean"],
        default="underloaded",
    )
    return {
        "sets": np.diff(np.r_[start, len(value)])[which],
        "valid": np.add.reduceat(counts.astype(np.int64), start)[which],
        "best_ever": np.where(np.isnan(counted), most, counted),
        "load_known": np.logical_and.reduceat(load_known, start)[which],
        "obstacle": obstacle,
    }


def _training_lately(
    histories: Histories, tracked: Tracked, which: Ints, cut: int
) -> dict[str, Array]:
    """Return ``per_week, clean_share, break_days, pause_weeks, best`` of the latest sessions.

    Breaks, and the wait since the last session, are no part of the rate; ``break_days`` is the
    longest break, 0 for none; without a session for ``pause_weeks`` the rung is paused.
    """
    panel, sessions = tracked.panel, histories.sessions
    gap = np.where(panel.number > 0, np.diff(panel.day, prepend=0), np.nan).astype(float)
    last, length = panel.last[which], panel.length[which]
    own = [gap[end - n + 2 : end + 1] for end, n in zip(last, length, strict=True)]
    median = np.array([np.median(gaps) if len(gaps) else np.nan for gaps in own])
    at, there = _latest(tracked, which, rules.RECENT_SESSIONS)
    gaps = np.where(there, gap[at], np.nan)
    longest = np.fmax(rules.BREAK_DAYS, rules.BREAK_GAPS * median)[:, None]
    ordinary = gaps <= longest
    number, days = ordinary.sum(axis=1), np.where(ordinary, gaps, 0.0).sum(axis=1)
    alone = 1.0 / np.maximum((cut - panel.day[last]) / WEEK, 1.0)
    counting, sets = (
        np.where(there, sessions[name].to_numpy()[at], 0).sum(axis=1)
        for name in ("n_counting", "n_sets")
    )
    best = sessions["best"].to_numpy(float)[at[:, : rules.LAST_SESSIONS]]
    best = np.where(there[:, : rules.LAST_SESSIONS], best, np.nan)
    return {
        "per_week": np.where(number > 0, WEEK * number / np.maximum(days, 1.0), alone),
        "clean_share": counting / sets,
        "break_days": np.where(gaps > longest, gaps, 0.0).max(axis=1, initial=0.0),
        "pause_weeks": np.fmax(rules.PAUSE_WEEKS, rules.PAUSE_GAPS * median / WEEK),
        "best": np.fmax.reduce(best, axis=1, initial=np.nan),
    }


def _meetings(
    histories: Histories, tracked: Tracked, which: Ints, cut: int
) -> dict[str, Array | Ints]:
    """Return how many of the latest sessions met, and how many the model expected."""
    at, there = _latest(tracked, which, rules.MET_SESSIONS)
    use = there & (tracked.panel.day[at] >= cut - WEEK * rules.MET_WEEKS)
    row, at = np.nonzero(use)[0], at[use]
    met = histories.sessions["meets"].to_numpy(dtype=float)[at]
    chance = tracked.chance_met(at)
    of, met, expected, var = (
        np.bincount(row, values, len(which))
        for values in (np.ones(len(at)), met, chance, chance * (1.0 - chance))
    )
    return {
        "met_of": of.astype(np.int64),
        "met": met.astype(np.int64),
        "met_expected": expected,
        "met_sd": np.sqrt(var),
    }


def rows_end(histories: Histories) -> float:
    """Return theta, how readily rows of sessions without a valid set end in this log.

    A row of m sessions lasts to session m + k with chance ((m + 1) / (m + k + 1)) ** theta, so
    that the longer it has lasted the longer it will (Lomax 1954, J. Am. Stat. Assoc. 49:847).
    """
    length, ended = _first_rows(histories)
    rows = length >= rules.INVALID_ROW
    seen = np.log((length[rows] + 1.0) / (rules.INVALID_ROW + 1.0)).sum()
    return float((rules.PRIOR_ENDS + (rows & ended).sum()) / (rules.PRIOR_LENGTH + seen))


def _first_rows(histories: Histories) -> tuple[Ints, Flags]:
    """By spell (S,): sessions before the first with a valid set, and whether one came."""
    spell = histories.sessions["spell"].to_numpy()
    start = np.searchsorted(spell, np.arange(len(histories.spells)))
    total = np.diff(np.r_[start, len(spell)])
    valid = histories.sessions["n_counting"].to_numpy() > 0
    number = np.where(valid, np.arange(len(spell)) - start[spell], len(spell))
    before = np.minimum.reduceat(number, start)
    return np.minimum(before, total), before < total


def valid_by_day(histories: Histories, which: Ints, rate: Array, days: int, theta: float) -> Array:
    """(T, D + 1) chance of a first valid set by day at ``rate`` sessions a week; 1 if there is."""
    length, ended = (of_spell[which][:, None] for of_spell in _first_rows(histories))
    ahead = rate[:, None] * np.arange(days + 1) / WEEK
    lasts = ((length + 1.0) / (length + 1.0 + ahead)) ** theta
    return np.asarray(np.where(ended, 1.0, 1.0 - lasts))


def alongside(histories: Histories, which: Ints, since: pd.Series) -> pd.DataFrame:
    """Return ``less_clean`` and what ``changed`` as progress stopped: seen together, no cause."""
    sessions, sets = histories.sessions, histories.sets
    spell, day = sets["spell"].to_numpy(), sets["date"].to_numpy().astype("datetime64[D]")
    value, clean, own = (sets[name].to_numpy() for name in ("value", "clean", "assisted"))
    rows = []
    for number, began in zip(which, since, strict=True):
        mine = slice(*np.searchsorted(spell, (number, number + 1)))
        less_clean = _less_clean(day[mine], value[mine], clean[mine], ~own[mine])
        changed: Changed = ()
        if pd.notna(began):
            changed = _changes_since(sessions[sessions["spell"] == number], sets[mine], began)
        rows.append((less_clean, changed))
    return pd.DataFrame(rows, columns=["less_clean", "changed"])


def _changes_since(sessions: pd.DataFrame, sets: pd.DataFrame, since: pd.Timestamp) -> Changed:
    """Compare the stretch since a day with as long a stretch before it, of one spell."""
    end, first = sessions["date"].max(), sessions["date"].min()
    weeks = float(np.clip((end - since).days / WEEK, rules.LEAST_WEEKS, rules.MOST_WEEKS))
    start = since - pd.Timedelta(days=round(7 * weeks))
    start = first if first > start + pd.Timedelta(days=7) else start
    early = sessions[(sessions["date"] >= start) & (sessions["date"] < since)]
    late = sessions[sessions["date"] >= since]
    if len(early) < 3 or len(late) < 3 or (since - start).days < 7:
        return ()
    notes: list[tuple[str, float, float]] = []
    gaps = sessions["date"].diff().dt.days
    # By the gaps that end within: a stretch from session to session holds one more than gaps.
    rate = [float(WEEK / gaps[stretch.index].mean()) for stretch in (early, late)]
    if abs(np.log(rate[1] / rate[0])) >= np.log(1.3):
        notes.append(("attendance", rate[0], rate[1]))
    before, after = (sets[sets["session"].isin(stretch.index)] for stretch in (early, late))
    clean = before["clean"].mean(), after["clean"].mean()
    if abs(clean[1] - clean[0]) >= 0.15:
        notes.append(("clean", *clean))
    number = len(before) / len(early), len(after) / len(late)
    if abs(np.log(number[1] / number[0])) >= np.log(1.25):
        notes.append(("sets", *number))
    effort = before["effort"].mean(), after["effort"].mean()
    if np.isfinite(effort).all() and abs(effort[1] - effort[0]) >= 1.0:
        notes.append(("effort", *effort))
    pain = before["pain"].max(), after["pain"].max()
    if pain[1] >= PAIN and not pain[0] >= pain[1]:
        notes.append(("pain", *pain))
    longest = gaps[sessions["date"] >= since - pd.Timedelta(days=rules.LONG_GAP_DAYS)].max()
    if longest > rules.LONG_GAP_DAYS:  # one that ended about when the stretch began, or later
        notes.append(("gap", np.nan, float(longest)))
    return tuple(notes)


def _less_clean(day: np.ndarray, value: Array, clean: Flags, own: Flags) -> bool:
    """Whether numbers rise while form slips, over the athlete's own sets of one spell.

    Over four weeks against the eight before, the usual best value of a session rose by 5 % or more
    while the share of unclean sets rose by 15 points or more.
    """
    recent = day.max() - round(7 * rules.RECENT_WEEKS)
    earlier = recent - round(7 * rules.EARLIER_WEEKS)
    best, unclean = [], []
    for stretch in (own & (day > earlier) & (day <= recent), own & (day > recent)):
        days, first = np.unique(day[stretch], return_index=True)
        if len(days) < 3:
            return False
        best.append(np.median(np.maximum.reduceat(value[stretch], first)))
        unclean.append(1.0 - clean[stretch].mean())
    return bool(best[1] >= 1.05 * best[0] > 0 and unclean[1] - unclean[0] >= 0.15)


def weeks_at(by_day: Array) -> Array:
    """Return weeks until chances by day (T, D + 1) reach ``POINTS``, (T, 3), else NaN."""
    reached = [by_day >= share for share in POINTS.values()]
    weeks = [
        np.where(r.any(axis=1), r.argmax(axis=1).astype(float) / WEEK, np.nan) for r in reached
    ]
    return np.column_stack(weeks)


def curve_table(keys: pd.DataFrame, by_day: Array) -> pd.DataFrame:
    """Return the long weekly curve from daily chances; ``keys`` holds athlete and rung."""
    weekly = np.clip(np.maximum.accumulate(by_day[:, 7::7], axis=1), 0.0, 1.0)
    weeks = weekly.shape[1]
    table = keys[KEYS].iloc[np.repeat(np.arange(len(keys)), weeks)].reset_index(drop=True)
    table["week"] = np.tile(np.arange(1, weeks + 1), len(keys))
    table["p_cleared"] = np.round(weekly.ravel(), DIGITS)
    return table


def time_columns(by_day: Array, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return weeks and dates at ``POINTS``, and chances at the usual weeks, missing past it."""
    weeks = pd.DataFrame(np.round(weeks_at(by_day), 2), columns=[f"weeks_{p}" for p in POINTS])
    table = weeks.copy()
    for name in POINTS:
        days = pd.to_timedelta((weeks[f"weeks_{name}"] * WEEK).round(), unit="D")
        table[f"date_{name}"] = as_of + days
    for week in MARKS:
        within = 7 * week < by_day.shape[1]
        table[f"p_{week}"] = np.round(by_day[:, 7 * week], DIGITS) if within else np.nan
    return table.assign(p_never_in_horizon=np.round(1.0 - by_day[:, -1], DIGITS))


def make_rows(
    facts: pd.DataFrame, by_day: Array, histories: Histories, *, usual_absence: float,
    several: bool, horizon: int,
) -> tuple[Row, ...]:  # fmt: skip
    """Return a row for each line of facts, in their order.

    ``facts`` are the view's, rounded, with ``plateau.verdicts`` (missing without a session),
    ``less_clean, changed`` and ``return_low, return_mid, return_high`` beside; ``several``: the
    model was fitted on more than one athlete.
    """
    asked: dict[str, Any] = {"usual": usual_absence, "horizon": horizon, "several": several}
    lines = zip(facts.itertuples(index=False), by_day, weeks_at(by_day), strict=True)
    return tuple(_row(*line, histories=histories, **asked) for line in lines)


def _row(
    fact: Any, by_day: Array, points: Array, *, histories: Histories, usual: float,
    horizon: int, several: bool,
) -> Row:  # fmt: skip
    as_of, hurts, rung = histories.as_of, bool(fact.pain >= PAIN), histories.ladder.rung(fact.rung)
    state = state_of(fact, fact, hurts=hurts)
    stuck, paused = state in STUCK, state == PAUSED
    dated = stuck and pd.notna(fact.since)
    long = bool(fact.athlete_wait > usual)
    # After a long absence, what was shown before tells more than what is guessed to be left.
    before = paused and fact.sessions > 0 and long
    shown = (fact.before, fact.before) if before else (fact.usual, fact.guess)
    level = Level(*shown, before=fact.before, log=fact.level)
    gain = Gain(*map(float, (fact.gain, fact.gain_low, fact.gain_high, fact.gain_ahead)))
    away = None
    if paused:
        away = Away(
            person=bool(WEEK * fact.athlete_wait > ABSENCE_DAYS), long=long,
            back=float(fact.back_weeks), like=int(fact.back_like), low=float(fact.return_low),
            mid=float(fact.return_mid), high=float(fact.return_high),
        )  # fmt: skip
    points = np.full(len(POINTS), np.nan) if state in UNDATED else points
    seen = {name: kind(getattr(fact, name)) for name, kind in _SEEN.items()}
    return Row(
        athlete=fact.athlete,
        rung=rung,
        as_of=as_of,
        back=histories.ladder.rung(rung.fallback).name if rung.fallback else None,
        seen=Seen(**seen, last_on=None if pd.isna(fact.last_on) else fact.last_on),
        level=level,
        verdict=Verdict(
            state=state,
            p_climbing=float(fact.p_climbing),
            p_flat=float(fact.p_flat),
            p_slipping=float(fact.p_slipping),
            least=float(fact.smallest_gain),
            since=fact.since if dated else None,
            since_low=fact.since_low if dated else None,
            since_high=fact.since_high if dated else None,
            weeks=float(fact.weeks_flat) if stuck else np.nan,
            changed=fact.changed if stuck else (),
        ),
        gain=gain,
        wait=None if hurts else _wait(fact, by_day, points, as_of, horizon),
        hold=state if hurts else None,
        pain=float(fact.pain),
        away=away,
        lapse=float(fact.lapse),
        gone=float(fact.gone),
        comparable=int(fact.comparable),
        record=record_of(int(fact.sessions), int(fact.comparable)),
        reasons=_reasons(fact, rung, level, gain, state, several),
    )


_SEEN = {n: kind for n, kind in get_type_hints(Seen).items() if kind in (int, float, bool, str)}
"""What is seen, by the names that facts have."""


def _wait(fact: Any, by_day: Array, points: Array, as_of: pd.Timestamp, horizon: int) -> Wait:
    low, mid, high = weeks = [float(week) for week in np.round(points, 2)]
    days = [pd.NaT if np.isnan(w) else as_of + pd.Timedelta(days=round(7 * w)) for w in weeks]
    within = {week: 7 * week < len(by_day) for week in MARKS}
    return Wait(
        next_session=float(fact.p_next_session),
        chances={week: float(by_day[7 * week]) if within[week] else np.nan for week in MARKS},
        low=low, mid=mid, high=high, dates=(days[0], days[1], days[2]),
        never=1.0 - float(by_day[-1]), horizon=horizon,
    )  # fmt: skip


def record_of(sessions: int, comparable: int) -> str:
    """Return ``good``, ``fair`` or ``thin``, from own sessions and cleared spells of others."""
    if sessions < rules.THIN_SESSIONS or (comparable == 0 and sessions < 3 * rules.THIN_SESSIONS):
        return "thin"
    enough = sessions >= 2 * rules.THIN_SESSIONS and comparable >= rules.THIN_COMPARABLE
    return "good" if enough else "fair"


def _reasons(
    fact: Any, rung: Rung, level: Level, gain: Gain, state: str, several: bool
) -> tuple[Reason, ...]:
    """What drives the forecast, heaviest first; nothing that says nothing."""
    weighed: list[tuple[float, Reason]] = []

    def add(weight: float, kind: str, value: float, unit: str, *figures: float) -> None:
        reason = Reason(kind, float(value), unit, tuple(map(float, figures)))
        weighed.append((weight, reason))

    confirm = rung.criterion.confirm_sessions
    add(9.0, "level", level.shown, "", fact.target)
    if fact.obstacle:
        add(10.0, fact.obstacle, fact.sets, "sets")
    if fact.run > 0 and confirm > 1:
        add(4.5, "run", fact.run, "sessions", confirm)
    if fact.comparable > 0:
        add(2.0, "comparable", fact.comparable, "spells")
    if fact.sessions > 0:
        add(3.0, "attendance", fact.per_week, "sessions a week")
        if np.isfinite(gain.lately) and state != PAUSED:
            figures = (100 * gain.low, 100 * gain.high, 100 * gain.ahead)
            add(8.0, "gain", 100 * gain.lately, "% a week", *figures)
        if WEEK * fact.weeks_since > ABSENCE_DAYS:
            add(7.0, "away", fact.weeks_since, "weeks", fact.back_weeks, fact.back_like)
        if abs(fact.met - fact.met_expected) > max(rules.SURPRISING * fact.met_sd, 1.0):
            add(6.0, "met", fact.met, "sessions", fact.met_of, fact.met_expected)
        if fact.break_days > 0:
            add(5.0, "break", fact.break_days, "days")
        if fact.clean_share < 0.9 and not fact.obstacle:
            add(8.0 * (1.0 - fact.clean_share), "clean", 100 * fact.clean_share, "%")
        for kind, effect in (("pace", fact.athlete_pace), ("difficulty", fact.rung_pace)):
            if several and abs(effect) >= rules.LEAST_EFFECT:
                add(5.0 * min(abs(effect) / 0.01, 1.0), kind, 100 * effect, "% a week")
    weighed.sort(key=lambda pair: -pair[0])
    return tuple(reason for _, reason in weighed[: rules.MOST_REASONS])
