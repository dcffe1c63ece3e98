"""Which rungs are open at the cut, and the plain facts of each: one row an (athlete, rung)."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.growth import (
    GrowthForecast,
    GrowthModel,
    Tracked,
    to_log,
)
from forecast.histories import CLEARED, PAIN, PASSED_OVER, Histories, recent_pain
from forecast.ladder import Ladder
from forecast.plateau import MIN_SESSIONS, MIN_WEEKS
from forecast.types import Array, Flags, Ints

LAST_SESSIONS = 5
"""What a usual day shows is never more than the best set that counted in so many sessions."""
RECENT_SESSIONS = 8
MET_SESSIONS, MET_WEEKS = 30, 12.0
"""The latest sessions whose meetings are counted: so many, no older than so many weeks."""
BREAK_DAYS, BREAK_GAPS = 14.0, 3.0
"""A gap longer than this, and than so many of the spell's median gaps, is a break."""
PAUSE_WEEKS, PAUSE_GAPS = 3.0, 3.0
"""No session for longer than this, and than so many of the spell's median gaps, is a pause."""
INVALID_ROW = 3
"""Sessions without a valid set from which they are a row of them, and not a slow start."""
PRIOR_ENDS, PRIOR_LENGTH = 1.0, 4.0
"""Prior of the rate at which such rows end, as ends seen over log-length seen (judgement)."""
LEAST_WEEKS, MOST_WEEKS = 3.0, 12.0
LONG_GAP_DAYS = 14
RECENT_WEEKS, EARLIER_WEEKS = 4.0, 8.0
"""Stretches that are compared where progress stopped, and where form slips."""
UNTRIED = {
    **dict.fromkeys(("run", "sessions", "met_of", "met", "sets", "valid"), 0),
    "more_sessions": MIN_SESSIONS,
    "load_known": True,
    "obstacle": "",
    "last_on": pd.NaT,
    **dict.fromkeys(("weeks_since", "weeks_on", "per_week", "break_days"), 0.0),
    **dict.fromkeys(("met_expected", "met_sd", "athlete_pace", "rung_pace"), 0.0),
    **dict.fromkeys(("clean_share", "pause_weeks", "best", "best_ever", "usual"), np.nan),
}
"""Facts of a rung without a session: nothing seen, nothing known."""
Changed = tuple[tuple[str, float, float], ...]
"""What changed, its figure before (missing where there is none) and after."""


def untried_rungs(histories: Histories) -> pd.DataFrame:
    """Return the rungs that come next for athletes with none under way.

    Columns: ``athlete, athlete_id, rung, rung_index, ready_on`` (the day from which the rung may be
    trained: clearing of what it needs plus their ``min_weeks``).
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
    """Return the rungs behind each athlete, (A, R).

    ``done``, ``begun`` and ``under_way`` (A, R) are what the log shows: cleared or passed over,
    tried, still open. A rung is behind when it was cleared or passed over; when a rung that needs
    it has been begun or is behind itself, and it is not under way; and when it stands before the
    first rung that the log shows of the athlete, unless that is a foot of the ladder, for logs
    often begin in the middle.
    """
    place = {key: number for number, key in enumerate(ladder.keys)}
    needs = [[place[need] for need in rung.needs] for rung in ladder.rungs]
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
    histories: Histories,
    tracked: Tracked,
    which: Ints,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return one row of facts for each spell under way.

    ``which`` (T,) are their places in the panel, ``forecast`` is the engine's of them;
    ``comparable`` are cleared spells by rung in the log fitted on.
    """
    spells = histories.spells.iloc[which]
    facts = spells[["athlete", "rung", "run"]].reset_index(drop=True)
    facts["sessions"] = spells["n_sessions"].to_numpy()
    facts["last_on"] = spells["last_session"].to_numpy()
    facts["weeks_since"] = ((histories.as_of - spells["last_session"]).dt.days / 7.0).to_numpy()
    facts["weeks_on"] = ((histories.as_of - spells["start"]).dt.days / 7.0).to_numpy()
    cut = int(np.datetime64(histories.as_of, "D").astype(np.int64))
    facts = facts.join(_training_lately(histories, which))
    facts = facts.join(_sets_shown(histories, which))
    facts = facts.join(_meetings(histories, tracked, which, cut))
    trained = (spells["last_session"] - spells["start"]).dt.days.to_numpy() / 7.0
    lacking = np.maximum(
        MIN_SESSIONS - facts["sessions"], np.ceil((MIN_WEEKS - trained) * facts["per_week"])
    )
    facts["more_sessions"] = np.maximum(lacking, 0).astype(np.int64)
    facts["athlete_pace"] = forecast.athlete_effect[:, 1:].sum(axis=1)
    rung_pace = growth.fit.pooled.rung_effects[:, 1:].sum(axis=1)
    facts["rung_pace"] = rung_pace[spells["rung_index"].to_numpy()]
    last = tracked.panel.last[which]
    done = (tracked.panel.number[last] + 1).astype(float)
    facts["gain_ahead"] = growth.gain_ahead(
        forecast.mean, done, np.full(len(last), float(cut)), facts["per_week"].to_numpy()
    )
    before = to_log(tracked.filtered.mean[last, 0], growth.linear)
    facts = _with_level(facts, forecast, growth, histories, comparable, before)
    shown = facts["best_ever"].to_numpy()
    value = np.minimum(facts["guess"], shown)
    lately = np.where(facts["best"].isna(), np.nan, np.minimum(value, facts["best"]))
    return facts.assign(guess=value, usual=lately, before=np.minimum(facts["before"], shown))


def untried_facts(
    histories: Histories,
    untried: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    comparable: dict[str, int],
) -> pd.DataFrame:
    """Return the same facts for rungs without a session."""
    facts = untried[["athlete", "rung"]].reset_index(drop=True).assign(**UNTRIED)
    level, facts["gain_ahead"] = growth.level_and_gain(forecast.mean, forecast.cov)[:2]
    return _with_level(facts, forecast, growth, histories, comparable, level)


def _with_level(
    facts: pd.DataFrame,
    forecast: GrowthForecast,
    growth: GrowthModel,
    histories: Histories,
    comparable: dict[str, int],
    before: Array,
) -> pd.DataFrame:
    """Add target, level, chance of meeting, and what a day shows now and at the last session."""
    level = to_log(forecast.mean[:, 0], growth.linear)
    criteria = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    target = facts["rung"].map({key: c.target for key, c in criteria.items()}).to_numpy(float)
    whole = np.array([criteria[key].measure == "reps" for key in facts["rung"]], dtype=bool)
    return facts.assign(
        pain=facts["athlete"].map(recent_pain(histories)).astype(float).fillna(0.0),
        target=target,
        level=level,
        guess=usual_value(level, target, whole),
        before=usual_value(before, target, whole),
        comparable=facts["rung"].map(comparable).fillna(0).astype("int64"),
        p_next_session=forecast.passage.next_session,
    )


def usual_value(level: Array, target: Array, whole: Flags) -> Array:
    """Return the value that a usual day shows, in units as they are written down.

    ``level`` is log(capacity / target). Where values are ``whole`` repetitions, a capacity of 7.6
    is written down as 7, half a repetition less on average than the capacity.
    """
    capacity = target * np.exp(level)
    return np.asarray(np.where(whole, np.floor(capacity + 1e-9), capacity))


def _sets_shown(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Counts of sets by spell (T,), what was shown at best, and why nothing counts.

    ``best`` of the last five sessions and ``best_ever`` are of sets that counted; where none ever
    did, ``best_ever`` is of all sets. ``obstacle``: ``missed`` where no set brought anything,
    ``helped``, ``unclean`` or ``underloaded`` where sets did but none counted; empty else.
    """
    sets = histories.sets[histories.sets["spell"].isin(spell)]
    own = sets[~sets["assisted"]]
    table = pd.DataFrame(
        {
            "sets": sets.groupby("spell").size(),
            "valid": sets.groupby("spell")["counts"].sum(),
            "most": sets.groupby("spell")["value"].max(),
            "best_ever": sets["value"].where(sets["counts"]).groupby(sets["spell"]).max(),
            "most_own": own.groupby("spell")["value"].max(),
            "clean_own": own["clean"].groupby(own["spell"]).any(),
            "load_known": sets.groupby("spell")["load_known"].all(),
        }
    ).reindex(spell)
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    latest = sessions.groupby("spell").tail(LAST_SESSIONS)
    table["best"] = latest.groupby("spell")["best"].max().reindex(spell)
    best = table["best_ever"].fillna(table["most"])
    nothing = ~(table["best_ever"] > 0)
    table["obstacle"] = np.select(
        [~nothing, ~(table["most"] > 0), ~(table["most_own"] > 0), ~table["clean_own"].eq(True)],
        ["", "missed", "helped", "unclean"],
        default="underloaded",
    )
    table["best_ever"] = best
    return table.drop(columns=["most", "most_own", "clean_own"]).reset_index(drop=True)


def _training_lately(histories: Histories, spell: Ints) -> pd.DataFrame:
    """Return ``per_week`` (sessions), ``clean_share, break_days, pause_weeks`` by spell.

    All from the latest sessions. A break, and the wait since the last session, are no part of
    the rate: it is that of the training before and after; ``break_days`` is the longest break
    among them, 0 for none. ``pause_weeks``: without a session for longer, the rung is paused.
    """
    sessions = histories.sessions[histories.sessions["spell"].isin(spell)]
    gap = sessions.groupby("spell")["date"].diff().dt.days.astype(float)
    median = gap.groupby(sessions["spell"]).median()
    usual = median.reindex(sessions["spell"]).to_numpy()
    broken = gap > np.fmax(BREAK_DAYS, BREAK_GAPS * usual)
    latest = sessions.assign(gap=gap.where(~broken), broken=gap.where(broken))
    latest = latest.groupby("spell").tail(RECENT_SESSIONS)
    by_spell = latest.groupby("spell").agg(
        gaps=("gap", "count"),
        days=("gap", "sum"),
        broken=("broken", "max"),
        last=("date", "max"),
        sets=("n_sets", "sum"),
        counting=("n_counting", "sum"),
    )
    by_spell = by_spell.reindex(spell)
    alone = 1.0 / np.maximum((histories.as_of - by_spell["last"]).dt.days / 7.0, 1.0)
    rate = 7.0 * by_spell["gaps"] / by_spell["days"].where(by_spell["gaps"] > 0)
    pause = np.fmax(PAUSE_WEEKS, PAUSE_GAPS * median.reindex(spell) / 7.0)
    return pd.DataFrame(
        {
            "per_week": rate.fillna(alone).to_numpy(),
            "clean_share": (by_spell["counting"] / by_spell["sets"]).to_numpy(),
            "break_days": by_spell["broken"].fillna(0.0).to_numpy(),
            "pause_weeks": pause.to_numpy(),
        }
    )


def _meetings(histories: Histories, tracked: Tracked, which: Ints, as_of_day: int) -> pd.DataFrame:
    """Return how many of the latest sessions met, and how many the model would have expected.

    Of spells ``which`` (T,) in the panel: ``met_of`` sessions looked at, ``met`` of them
    met, ``met_expected`` the sum of their chances, each from the sessions before it, and ``met_sd``
    its standard deviation.
    """
    panel = tracked.panel
    number = np.minimum(panel.length[which], MET_SESSIONS)
    row = np.repeat(np.arange(len(which)), number)
    back = np.arange(number.sum()) - np.repeat(np.cumsum(number) - number, number)
    at = panel.last[which][row] - back
    recent = panel.day[at] >= as_of_day - 7.0 * MET_WEEKS
    at, row = at[recent], row[recent]
    met = histories.sessions["meets"].to_numpy(dtype=float)[at]
    chance = tracked.chance_met(at)

    def total(values: Array) -> Array:
        return np.asarray(np.bincount(row, values, len(which)), dtype=float)

    return pd.DataFrame(
        {
            "met_of": total(np.ones(len(at))).astype(np.int64),
            "met": total(met).astype(np.int64),
            "met_expected": total(chance),
            "met_sd": np.sqrt(total(chance * (1.0 - chance))),
        }
    )


def rows_end(histories: Histories) -> float:
    """Return theta, how readily rows of sessions without a valid set end in this log.

    A row of m sessions lasts to session m + k with chance ((m + 1) / (m + k + 1)) ** theta, so
    that the longer it has lasted the longer it will: the Lomax law (Lomax 1954, J. Am. Stat. Assoc.
    49:847). Learnt from all that lasted ``INVALID_ROW`` sessions, and a prior.
    """
    length, ended = _first_rows(histories)
    rows = length >= INVALID_ROW
    seen = np.log((length[rows] + 1.0) / (INVALID_ROW + 1.0)).sum()
    return float((PRIOR_ENDS + (rows & ended).sum()) / (PRIOR_LENGTH + seen))


def _first_rows(histories: Histories) -> tuple[pd.Series, pd.Series]:
    """By spell: sessions before the first with a valid set, and whether one came."""
    sessions = histories.sessions
    none_yet = sessions["n_counting"].gt(0).groupby(sessions["spell"]).cumsum().eq(0)
    length = none_yet.groupby(sessions["spell"]).sum()
    return length, length < sessions.groupby("spell").size()


def valid_by_day(histories: Histories, spell: Ints, rate: Array, days: int, theta: float) -> Array:
    """Return the chance of a first valid set within 0..D days, (T, D + 1), of spells (T,).

    ``rate`` (T,) are sessions a week, ``theta`` comes from ``rows_end``. 1 where a set has counted.
    """
    length, ended = (of_spell.reindex(spell).to_numpy() for of_spell in _first_rows(histories))
    m = length.astype(float)[:, None]
    ahead = np.asarray(rate, dtype=float)[:, None] * np.arange(days + 1) / 7.0
    lasts = ((m + 1.0) / (m + 1.0 + ahead)) ** theta
    return np.asarray(np.where(ended[:, None], 1.0, 1.0 - lasts))


def alongside(histories: Histories, spell: Ints, since: pd.Series) -> pd.DataFrame:
    """Return ``less_clean`` and ``changed`` of spells (T,); ``since`` (T,) may be missing.

    What else changed in the log when progress stopped: seen together, never said to be the cause.
    """
    sessions, sets = (table.groupby("spell") for table in (histories.sessions, histories.sets))
    rows = []
    for number, day in zip(spell, since, strict=True):
        own = sets.get_group(number)
        changed = () if pd.isna(day) else _changes_since(sessions.get_group(number), own, day)
        rows.append((_longer_but_less_clean(own), changed))
    return pd.DataFrame(rows, columns=["less_clean", "changed"])


def _changes_since(sessions: pd.DataFrame, sets: pd.DataFrame, since: pd.Timestamp) -> Changed:
    """Compare the stretch since a day with as long a stretch before it, of one spell.

    Empty where nothing stands out or nothing was before.
    """
    end, first = sessions["date"].max(), sessions["date"].min()
    weeks = float(np.clip((end - since).days / 7.0, LEAST_WEEKS, MOST_WEEKS))
    start = since - pd.Timedelta(days=round(7 * weeks))
    start = first if first > start + pd.Timedelta(days=7) else start
    early = sessions[(sessions["date"] >= start) & (sessions["date"] < since)]
    late = sessions[sessions["date"] >= since]
    if len(early) < 3 or len(late) < 3 or (since - start).days < 7:
        return ()
    notes: list[tuple[str, float, float]] = []
    gaps = sessions["date"].diff().dt.days
    # By the gaps that end within: a stretch from session to session holds one more than gaps.
    rate = [float(7.0 / gaps[stretch.index].mean()) for stretch in (early, late)]
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
    longest = gaps[sessions["date"] >= since - pd.Timedelta(days=LONG_GAP_DAYS)].max()
    if longest > LONG_GAP_DAYS:  # one that ended about when the stretch began, or later
        notes.append(("gap", np.nan, float(longest)))
    return tuple(notes)


def _longer_but_less_clean(sets: pd.DataFrame) -> bool:
    """Whether numbers rise while form slips.

    Over the last four weeks against the eight before, the usual best value of a session rose by
    5 % or more while the share of unclean sets rose by 15 points or more.
    """
    recent = sets["date"].max() - pd.Timedelta(days=round(7 * RECENT_WEEKS))
    earlier = recent - pd.Timedelta(days=round(7 * EARLIER_WEEKS))
    own = sets[~sets["assisted"]]
    late = own[own["date"] > recent]
    early = own[own["date"].between(earlier, recent, inclusive="right")]
    if late["date"].nunique() < 3 or early["date"].nunique() < 3:
        return False
    best = [stretch.groupby("date")["value"].max().median() for stretch in (early, late)]
    unclean = [1.0 - stretch["clean"].mean() for stretch in (early, late)]
    return bool(best[1] >= 1.05 * best[0] > 0 and unclean[1] - unclean[0] >= 0.15)
