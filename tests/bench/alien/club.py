"""March a club through its weeks, day by day, and keep the log and the truth."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from alien.law import STOPPED, Array, Law, People, Shown

WEEKS = 150
FIRST_DAY = pd.Timestamp("2021-01-04")
CUT_WEEKS = (60, 97)
"""A blind cut is drawn here: whatever it is, a year and more of truth follows."""

CHANGE_WEEKS, LEAST_CHANGE_WEEKS = 6, 2

FOUNDERS = 0.3
START_CHANCE = (0.6, 0.25, 0.15)
"""Rung on which an athlete begins: the first, second or third."""

LEAST_SHOWN = 0.02
"""Levels are logs of capacity over target, at least this much of it."""


@dataclass(frozen=True, slots=True)
class World:
    """A club's whole life: what the coach wrote, and what was true.

    ``true_change``, ``futures`` and ``digest`` ask it.

    Attributes
    ----------
    name, seed
        Which world.
    law
        The law with this world's constants.
    ladder
        TOML text.
    sets
        One row a set done: ``athlete, date, rung, set, value, clean, assist, stopped, pain,
        logged`` (and ``load_kg`` where the marks have one); a coach's log holds the rows in which
        ``logged`` is true.
    levels
        ``athlete, rung, date, level``: true log(usual capacity / target) at each week's end, so
        on the day before the cut too.
    at_sessions
        The same at each session.
    stalls
        ``athlete, rung, start, end, weeks``: stretches without any gain, as planted or as the law
        has them; the level may still fall in a layoff.
    spells
        ``athlete, rung, start, cleared``: by the literal pass rule on the logged sets.
    athletes
        ``athlete``, ``joined``, ``left`` (missing: stays), and traits.
    cut
        Blind date to forecast from.
    standing
        Everybody as they stood on the evening before the cut.
    """

    name: str
    seed: int
    law: Law
    ladder: str
    sets: pd.DataFrame
    levels: pd.DataFrame
    at_sessions: pd.DataFrame
    stalls: pd.DataFrame
    spells: pd.DataFrame
    athletes: pd.DataFrame
    cut: pd.Timestamp
    standing: Standing


@dataclass(frozen=True, slots=True)
class Standing:
    """Who is on which rung: names (n,), rung (n,), run of meeting sessions (n,), traits, state."""

    names: Array
    rung: Array
    run: Array
    who: People
    state: People


def make_world(kind: type[Law], n_athletes: int, seed: int) -> World:
    """Let a club of ``n_athletes`` live by a law for ``WEEKS`` weeks; same seed, same world."""
    rng = np.random.default_rng([seed, *kind.name.encode()])
    law = kind(rng)
    who = law.people(rng, n_athletes)
    late = rng.random(n_athletes) >= FOUNDERS
    joined = np.where(late, rng.integers(7, law.join_weeks * 7, n_athletes), 0)
    rung = rng.choice(len(START_CHANCE), n_athletes, p=START_CHANCE)
    cut = FIRST_DAY + pd.Timedelta(weeks=int(rng.integers(*CUT_WEEKS)))
    march = March(rng, law, who, rung, joined)
    names = np.array([f"{kind.name[:2]}{i:03d}" for i in range(n_athletes)])
    for day in range(WEEKS * 7):
        if day == (cut - FIRST_DAY).days:
            standing = march.standing(names, day)
        march.day(day)
    return World(
        kind.name, seed, law, ladder_text(law), march.sets_table(names),
        march.levels_table(names, march.levels), march.levels_table(names, march.at_sessions),
        march.stalls_table(names), march.spells_table(names), march.athletes_table(names), cut,
        standing,
    )  # fmt: skip


def digest(world: World) -> str:
    """Return a hash of what was written and what was true, levels to 6 digits."""
    tables = (world.sets, world.levels, world.at_sessions, world.stalls, world.spells)
    text = world.ladder + str(world.cut)
    text += "".join(table.to_csv(index=False, float_format="%.6f") for table in tables)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def true_change(world: World, date: pd.Timestamp) -> pd.DataFrame:
    """Return ``athlete, rung, level, change`` of every rung truly open on the eve of ``date``.

    ``change`` is that of the level over the six weeks before, a week; since the first session on
    the rung where that is later, and missing where it is less than two weeks ago. ``date`` is any
    whole number of weeks after the club's first day.
    """
    eve = date - pd.Timedelta(days=1)
    keys = ["athlete", "rung"]
    now = world.levels[world.levels["date"] == eve][[*keys, "level"]]
    past = pd.concat([world.levels, world.at_sessions])
    past = past.merge(world.spells[[*keys, "start"]], on=keys)
    since = past["start"].clip(lower=eve - pd.Timedelta(weeks=CHANGE_WEEKS))
    past = past[(past["date"] >= since) & (past["date"] <= eve)]
    first = past.sort_values("date").drop_duplicates(keys)[[*keys, "date", "level"]]
    rows = now.merge(first, on=keys, suffixes=("", "_then"), validate="one_to_one")
    rows = rows.merge(world.spells, on=keys)
    rows = rows[~(rows["cleared"] <= eve)]
    weeks = (eve - rows["date"]).dt.days / 7.0
    change = (rows["level"] - rows["level_then"]) / weeks.where(weeks >= LEAST_CHANGE_WEEKS)
    return rows[[*keys, "level"]].assign(change=change).reset_index(drop=True)


def futures(world: World, *, copies: int, weeks: int, seed: int = 0) -> pd.DataFrame:
    """Return ``athlete, rung, future, weeks`` to clearing after the cut; infinite past ``weeks``.

    All who were on a rung at the cut live on ``copies`` times from how they truly stood, by the
    same law and the literal rule, and nobody leaves for good.
    """
    rng = np.random.default_rng([seed, world.seed, *world.name.encode()])
    law, at, first = world.law, world.standing, (world.cut - FIRST_DAY).days
    every = np.repeat(np.arange(len(at.names)), copies)
    who, state, rung = take(at.who, every), take(at.state, every), at.rung[every]
    run, done = at.run[every], np.full(len(every), np.inf)
    for day in range(first, first + 7 * weeks + 1):
        here = np.flatnonzero(np.isinf(done))
        if not here.size:
            break
        one, now, on = take(who, here), take(state, here), rung[here]
        came = law.comes(rng, one, now, day)
        moving = law.moves(rng, one, now, came, day)
        law.live(rng, one, now, on, came, moving, day)
        put(state, here, now)
        if came.any():
            trained = take(now, came)
            shown = law.shows(rng, take(one, came), trained, on[came], day)
            put(state, here[came], trained)
            clears = passes(shown, law, on[came], run, here[came])
            done[here[came][clears]] = day - first
    keys = np.array([mark.key for mark in law.marks])
    return pd.DataFrame(
        {"athlete": at.names[every], "rung": keys[rung],
         "future": np.tile(np.arange(copies), len(at.names)), "weeks": done / 7.0}
    )  # fmt: skip


def ladder_text(law: Law) -> str:
    """Write the ladder as TOML."""
    text = f'[ladder]\nname = "{law.name}"\n'
    for mark in law.marks:
        text += f'\n[[rung]]\nkey = "{mark.key}"\nname = "{mark.key}"\nmeasure = "{mark.measure}"\n'
        text += f"target = {mark.target:g}\nconfirm_sessions = {mark.confirm}\n"
        text += f"load_kg = {mark.load:g}\n" * (mark.load > 0)
    return text


def take(arrays: People, at: Array) -> People:
    """Return the entries of some people."""
    return {name: values[at] for name, values in arrays.items()}


def put(arrays: People, at: Array, new: People) -> None:
    """Set the entries of some people."""
    for name, values in new.items():
        arrays[name][at] = values


class March:
    """Where everybody stands, and what has been written so far.

    Parameters
    ----------
    rng, law, who
        Source of chance, the law, and the people.
    rung
        (n,) rung each begins on.
    joined
        (n,) first day of each.
    """

    def __init__(
        self, rng: np.random.Generator, law: Law, who: People, rung: Array, joined: Array
    ) -> None:
        n = len(rung)
        self.rng, self.law, self.who, self.rung, self.joined = rng, law, who, rung.copy(), joined
        self.state = law.clocks(n) | law.enter(rng, who, self.rung)
        self.run = np.zeros(n, dtype=int)
        self.sessions = np.zeros(n, dtype=int)
        self.left = np.full(n, -1)
        self.still_since = np.full(n, -1)
        self.sets: list[tuple[Array, ...]] = []
        self.levels: list[tuple[int, Array, Array, Array]] = []
        self.at_sessions: list[tuple[int, Array, Array, Array]] = []
        self.stalls: list[tuple[int, int, int, int]] = []
        self.first = {}
        self.cleared = {}

    def day(self, day: int) -> None:
        """Let one day pass for all who are here."""
        law, here = self.law, self._here(day)
        if not here.size:
            return
        who, state, rung = take(self.who, here), take(self.state, here), self.rung[here]
        came = law.comes(self.rng, who, state, day)
        moving = law.moves(self.rng, who, state, came, day)
        law.live(self.rng, who, state, rung, came, moving, day)
        put(self.state, here, state)
        self._note_stalls(here, moving, day)
        level = np.log(np.maximum(law.usual(who, state, rung) / law.target[rung], LEAST_SHOWN))
        if day % 7 == 6:
            self.levels.append((day, here, rung.copy(), level))
        if came.any():
            self.at_sessions.append((day, here[came], rung[came], level[came]))
            self._train(here[came], day)

    def standing(self, names: Array, day: int) -> Standing:
        """Return how everybody on a rung stands before ``day``."""
        here = self._here(day - 1)
        return Standing(
            names[here], self.rung[here].copy(), self.run[here].copy(), take(self.who, here),
            take(self.state, here),
        )  # fmt: skip

    def _here(self, day: int) -> Array:
        on = (self.joined <= day) & (self.rung < len(self.law.marks)) & (self.left < 0)
        return np.flatnonzero(on)

    def _train(self, at: Array, day: int) -> None:
        law, rung = self.law, self.rung[at]
        state = take(self.state, at)
        shown = law.shows(self.rng, take(self.who, at), state, rung, day)
        put(self.state, at, state)
        row, column = np.nonzero(np.isfinite(shown.value))
        self.sets.append(
            (np.full(len(row), day), at[row], rung[row], column + 1, shown.value[row, column],
             shown.clean[row, column], shown.banded[row, column], shown.stopped[row, column],
             shown.pain[row], shown.logged[row, column], shown.load[row, column])
        )  # fmt: skip
        for i, r in zip(at, rung, strict=True):
            self.first.setdefault((int(i), int(r)), day)
        done = passes(shown, law, rung, self.run, at)
        for i in at[done]:
            self.cleared[int(i), int(self.rung[i])] = day
        self._advance(at[done], day)
        self.sessions[at] += 1
        if "leaves_after" in self.who:
            gone = at[self.sessions[at] >= self.who["leaves_after"][at]]
            self.left[gone] = day

    def _advance(self, at: Array, day: int) -> None:
        """Let people begin the next rung, after the top one none."""
        for i in at:
            self._end_stall(int(i), day)
        self.rung[at] += 1
        self.run[at] = 0
        on = at[self.rung[at] < len(self.law.marks)]
        if on.size:
            who, state = take(self.who, on), take(self.state, on)
            put(self.state, on, self.law.go_on(self.rng, who, state, self.rung[on]))

    def _note_stalls(self, here: Array, moving: Array, day: int) -> None:
        for i in here[moving & (self.still_since[here] >= 0)]:
            self._end_stall(int(i), day)
        begins = here[~moving & (self.still_since[here] < 0)]
        self.still_since[begins] = day

    def _end_stall(self, i: int, day: int) -> None:
        if self.still_since[i] >= 0:
            self.stalls.append((i, int(self.rung[i]), int(self.still_since[i]), day))
        self.still_since[i] = -1

    def sets_table(self, names: Array) -> pd.DataFrame:
        """Return every set done."""
        columns = [np.concatenate(part) for part in zip(*self.sets, strict=True)]
        day, who, rung, number, value, clean, banded, stopped, pain, logged, load = columns
        table = pd.DataFrame(
            {
                "athlete": names[who], "date": dates(day), "rung": self._keys()[rung],
                "set": number, "value": value, "clean": np.where(clean, "yes", "no"),
                "assist": np.where(banded, "band", "none"), "stopped": STOPPED[stopped],
                "pain": pain, "logged": logged,
            }
        )  # fmt: skip
        if self.law.load.any():
            table["load_kg"] = load
        return table.sort_values(["athlete", "date", "set"], ignore_index=True)

    def levels_table(
        self, names: Array, noted: list[tuple[int, Array, Array, Array]]
    ) -> pd.DataFrame:
        """Return the true levels noted, by athlete and date."""
        parts = [
            pd.DataFrame({"athlete": names[who], "rung": self._keys()[rung], "date": day,
                          "level": level})
            for day, who, rung, level in noted
        ]  # fmt: skip
        table = pd.concat(parts, ignore_index=True)
        table["date"] = dates(table["date"].to_numpy())
        return table.sort_values(["athlete", "date"], ignore_index=True)

    def stalls_table(self, names: Array) -> pd.DataFrame:
        """Return all stretches without gain, those still on at the end included."""
        for i in np.flatnonzero((self.still_since >= 0) & (self.rung < len(self.law.marks))):
            self._end_stall(int(i), WEEKS * 7)
        who, rung, start, end = np.array(self.stalls, dtype=int).reshape(-1, 4).T
        table = pd.DataFrame({"athlete": names[who], "rung": self._keys()[rung]})
        table = table.assign(start=dates(start), end=dates(end), weeks=(end - start) / 7.0)
        return table.sort_values(["athlete", "start"], ignore_index=True)

    def spells_table(self, names: Array) -> pd.DataFrame:
        """Return who was on which rung from when, and the day it was cleared."""
        rows = [
            (names[i], self.law.marks[r].key, day, self.cleared.get((i, r), np.nan))
            for (i, r), day in self.first.items()
        ]
        table = pd.DataFrame(rows, columns=["athlete", "rung", "start", "cleared"])
        table["start"] = dates(table["start"].to_numpy())
        table["cleared"] = FIRST_DAY + pd.to_timedelta(table["cleared"], unit="D")
        return table.sort_values(["athlete", "start"], ignore_index=True)

    def athletes_table(self, names: Array) -> pd.DataFrame:
        """Return joining and leaving dates and traits."""
        table = pd.DataFrame({"athlete": names, "joined": dates(self.joined)})
        left = np.where(self.left >= 0, self.left, np.nan)
        table["left"] = FIRST_DAY + pd.to_timedelta(pd.Series(left), unit="D")
        return table.assign(**self.who)

    def _keys(self) -> Array:
        return np.array([mark.key for mark in self.law.marks])


def passes(shown: Shown, law: Law, rung: Array, run: Array, at: Array) -> Array:
    """Apply the literal rule to what was logged today; update ``run`` in place.

    A day of which nothing was logged is not a session to the coach, and breaks no run.
    """
    logged = shown.logged & np.isfinite(shown.value)
    counts = logged & shown.clean & ~shown.banded & (shown.load >= law.load[rung][:, None])
    meets = (counts & (np.nan_to_num(shown.value) >= law.target[rung][:, None])).any(axis=1)
    seen = logged.any(axis=1)
    run[at] = np.where(seen, np.where(meets, run[at] + 1, 0), run[at])
    return seen & (run[at] >= law.confirm[rung])


def dates(days: Array) -> pd.DatetimeIndex:
    """Return the dates of the club's days."""
    return FIRST_DAY + pd.to_timedelta(days, unit="D")
