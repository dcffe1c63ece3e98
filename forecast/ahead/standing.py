"""What is behind: who stands where on the ladder, and what layoffs since clearing took."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from forecast.growth import GrowthModel, spells_alone
from forecast.growth.athletes import priors_from_others
from forecast.growth.filtering import Filtered, forward_pass
from forecast.growth.panel import Panel
from forecast.histories import CLEARED, PASSED_OVER, Histories, day_number
from forecast.histories.sessions import build_sessions
from forecast.ladder import Ladder
from forecast.types import Array, Flags, Ints


@dataclass(frozen=True, slots=True)
class Plan:
    """The ladder as arrays: ``needs`` by rung number, ``min_days`` (R,), ``confirm`` (R,)."""

    needs: tuple[tuple[int, ...], ...]
    min_days: Array
    confirm: Ints

    @property
    def n_rungs(self) -> int:
        """Number of rungs R."""
        return len(self.needs)

    def way_to(self, rung: int) -> Flags:
        """(R,) the rung, and every rung that it needs, directly or not."""
        on = np.zeros(self.n_rungs, dtype=bool)
        on[rung] = True
        for r in range(rung, -1, -1):
            if on[r]:
                on[list(self.needs[r])] = True
        return on


def ladder_plan(ladder: Ladder) -> Plan:
    """Return the ladder as arrays, in its order."""
    return Plan(
        needs=tuple(tuple(ladder.position(key) for key in rung.needs) for rung in ladder.rungs),
        min_days=np.array([7.0 * rung.min_weeks for rung in ladder.rungs]),
        confirm=np.array([r.criterion.confirm_sessions for r in ladder.rungs], dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """Where A athletes stand at the cut.

    Attributes
    ----------
    athletes
        (A,) numbers, increasing; ``names`` their names.
    behind
        (A, R) rungs behind them; ``presumed`` those of them that no log shows.
    spell
        (A, R) row in ``histories.spells`` of rungs logged, -1 for none.
    under_way
        (A, R) rungs being trained.
    cleared_day
        (A, R) days from the cut to the clearing of rungs behind (0 or less), NaN where unknown.
    since
        (A,) days from the cut to the athlete's first set.
    """

    athletes: Ints
    names: tuple[str, ...]
    behind: Flags
    presumed: Flags
    spell: Ints
    under_way: Flags
    cleared_day: Array
    since: Array

    @property
    def ahead(self) -> Flags:
        """(A, R) rungs still ahead, those under way included."""
        return ~self.behind


def stand(histories: Histories, names: list[str]) -> Standing:
    """Return where these athletes stand.

    A rung is behind an athlete when it was cleared or passed over; when a rung that needs it has
    been begun and it is not being trained itself; and when no log shows it although it comes
    before every rung the athlete has ever logged: logs often begin in the middle of a ladder. A
    log that begins with a rung that needs none begins at the foot of the ladder: gates beside it
    are still to be cleared.

    Parameters
    ----------
    histories
        The log up to the cut.
    names
        Athletes asked about.
    """
    spells = histories.spells.reset_index(names="row")
    spells = spells[spells["athlete"].isin(names)]
    athletes = np.unique(spells["athlete_id"].to_numpy(dtype=np.int64))
    who = np.searchsorted(athletes, spells["athlete_id"].to_numpy())
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    shape = (len(athletes), len(histories.ladder.rungs))
    outcome = spells["outcome"].to_numpy()
    row = np.full(shape, -1, dtype=np.int64)
    row[who, rung] = spells["row"]
    under_way, done, begun = (np.zeros(shape, dtype=bool) for _ in range(3))
    under_way[who, rung] = spells["open"]
    done[who, rung] = np.isin(outcome, [CLEARED, PASSED_OVER])
    begun[who, rung] = True
    cut = int(day_number(pd.Series([histories.as_of]))[0])
    day = np.full(shape, np.nan)
    finished = done[who, rung]
    day[who[finished], rung[finished]] = day_number(spells["end"][finished]) - cut
    behind = _behind(done, begun, under_way, ladder_plan(histories.ladder))
    first = np.full(len(athletes), np.inf)
    np.minimum.at(first, who, day_number(spells["start"]) - cut)
    by_number = dict(zip(spells["athlete_id"], spells["athlete"], strict=True))
    return Standing(
        athletes=athletes,
        names=tuple(by_number[number] for number in athletes),
        behind=behind,
        presumed=behind & ~begun,
        spell=row,
        under_way=under_way & ~behind,
        cleared_day=day,
        since=first,
    )


def _behind(done: Flags, begun: Flags, under_way: Flags, plan: Plan) -> Flags:
    """(A, R) rungs behind, by the three rules of ``stand``."""
    earliest = np.where(begun.any(axis=1), begun.argmax(axis=1), 0)
    foot = np.array([not needs for needs in plan.needs])
    earliest = np.where(foot[earliest], 0, earliest)
    behind = done | (np.arange(plan.n_rungs) < earliest[:, None])
    reached = behind | begun
    for r in range(plan.n_rungs - 1, -1, -1):
        for need in plan.needs[r]:
            reached[:, need] |= reached[:, r]
            behind[:, need] |= reached[:, r]
    return np.asarray(behind & (done | ~under_way))


MOST_WEEKS = 8.0
"""Weeks off that count: losses level out, and logs rarely show longer layoffs (judgement)."""


def continued(histories: Histories) -> Histories:
    """Return the histories with the sessions after clearing as part of their spells."""
    after = histories.after_clearing
    if after.empty:
        return histories
    spell_of = histories.spells.reset_index(names="spell")[["athlete", "rung", "spell"]]
    later = build_sessions(after, histories.ladder).merge(spell_of, on=["athlete", "rung"])
    sessions = pd.concat([histories.sessions, later[histories.sessions.columns]])
    sessions = sessions.sort_values(["spell", "date"]).reset_index(drop=True)
    number = sessions.reset_index(names="session")[["athlete", "rung", "date", "session", "spell"]]
    sets = pd.concat([histories.sets.drop(columns=["session", "spell"]), after])
    sets = sets.merge(number, on=["athlete", "rung", "date"])[list(histories.sets.columns)]
    sets = sets.sort_values(["session", "set", "value"]).reset_index(drop=True)
    return replace(histories, sets=sets, sessions=sessions, after_clearing=after.iloc[:0])


def weeks_off(histories: Histories, rows: Ints, grace: Array) -> Array:
    """Return weeks without any training since each spell's last session that still tell.

    A layoff tells until the athlete has been back for as long as it lasted (common practice, no
    source).

    Parameters
    ----------
    histories
        As from ``continued``.
    rows
        (T,) rows of ``histories.spells``.
    grace
        (T,) weeks without training that are ordinary rest.
    """
    cut = day_number(pd.Series([histories.as_of]))
    days = _training_days(histories)
    last = day_number(last_trained(histories, rows))
    result = np.zeros(len(rows))
    for n, athlete in enumerate(histories.spells["athlete"].to_numpy()[rows]):
        since = np.concatenate([days[athlete][days[athlete] >= last[n]], cut])
        off = np.maximum(np.diff(since) / 7.0 - grace[n], 0.0)
        back = (cut - since[1:]) / 7.0
        result[n] = off[off > back].sum()
    return result


def filter_on(model: GrowthModel, longer: Histories) -> tuple[Panel, Filtered]:
    """Filter every spell, sessions after clearing included.

    Up to clearing gaps count as the engine counts them. After it a rung is often left alone for
    months while others are trained: only weeks without any training are charged, and no more
    than ``MOST_WEEKS`` of them.
    """
    panel, loose = spells_alone(model, longer)
    constants = model.fit.constants
    panel = replace(panel, excess=_charged(panel, longer))
    mean, cov = priors_from_others(
        panel, constants, model.fit.pooled, loose, np.arange(panel.n_spells),
        finished_only=True,
    )  # fmt: skip
    return panel, forward_pass(panel, constants.dynamics, constants.noise, mean, cov)


def _charged(panel: Panel, longer: Histories) -> Array:
    """(N,) weeks beyond the grace before each session, as ``filter_on`` charges them."""
    spells = longer.spells.iloc[panel.spell_row]
    cleared = spells["cleared_on"].fillna(longer.as_of)
    later = panel.day > day_number(cleared)[panel.spell]
    names, days = spells["athlete"].to_numpy(), _training_days(longer)
    excess = panel.excess.copy()
    for at in np.flatnonzero(later & (panel.excess > 0)):
        own = days[names[panel.spell[at]]]
        between = own[(own >= panel.day[at - 1]) & (own <= panel.day[at])]
        off = np.maximum(np.diff(between) / 7.0 - panel.grace[panel.spell[at]], 0.0)
        excess[at] = min(off.sum(), MOST_WEEKS)
    return excess


def _training_days(histories: Histories) -> dict[str, Ints]:
    """Day numbers on which each athlete trained anything, rising."""
    return {
        str(athlete): np.unique(day_number(dates))
        for athlete, dates in histories.sessions.groupby("athlete")["date"]
    }


def last_trained(histories: Histories, rows: Ints) -> pd.Series:
    """Return the date of the last session of these spells."""
    return histories.sessions.groupby("spell")["date"].max().reindex(rows).reset_index(drop=True)
