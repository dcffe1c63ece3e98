"""What the forecast of a spell starts from: gaps, habits, threshold and state."""

from __future__ import annotations

import numpy as np

from forecast.growth.engine import GrowthModel
from forecast.growth.filtering import Filtered, lost_levels
from forecast.growth.habits import athlete_habits
from forecast.growth.observation import Noise
from forecast.growth.panel import Panel
from forecast.growth.passage import Targets
from forecast.growth.session import expected_to_meet, latest_sessions, odds_shift
from forecast.histories import (
    MEMORY,
    first_gap_table,
    gap_table,
)
from forecast.types import Array, Ints


def recent_gaps(panel: Panel, last: Ints) -> list[Array]:
    """Latest gaps of each target's athlete up to a session, the same spell's ones newest."""
    gap = panel.gap
    result = []
    by_athlete = {int(a): np.flatnonzero(panel.athlete == a) for a in np.unique(panel.athlete)}
    for session in last:
        spell = int(panel.spell[session])
        own = gap[panel.start[spell] + 1 : session + 1][-MEMORY:]
        if len(own) < MEMORY:
            own = np.concatenate([_earlier_gaps(panel, gap, by_athlete, session), own])
        result.append(own[-MEMORY:])
    return result


def _earlier_gaps(panel: Panel, gap: Array, by_athlete: dict[int, Ints], session: int) -> Array:
    """Gaps of the athlete's other spells that ended before this session, oldest first."""
    spell = int(panel.spell[session])
    others = by_athlete[int(panel.athlete[spell])]
    others = others[(others != spell) & (panel.day[panel.last[others]] <= panel.day[session])]
    others = others[np.argsort(panel.day[panel.last[others]], kind="stable")]
    parts = [gap[panel.start[o] + 1 : panel.last[o] + 1] for o in others]
    return np.concatenate(parts) if parts else np.empty(0)


def meeting_shift(panel: Panel, noise: Noise, filtered: Filtered, last: Ints) -> Array:
    """(T,) by how far the log odds of meeting are off as of these sessions (``odds_shift``)."""
    at, inside = latest_sessions(panel, last)
    expected = expected_to_meet(panel, noise, filtered)
    return odds_shift(panel.met[at].astype(float), np.where(inside, expected[at], np.nan))


def targets_at(
    model: GrowthModel,
    panel: Panel,
    filtered: Filtered,
    last: Ints,
    wait: Array,
    confirm: Ints,
    run: Ints,
) -> Targets:
    """Assemble forecasts to be made at sessions ``last`` (T,) of the panel.

    ``wait`` (T,) are days from that session to the cut date; ``confirm`` and ``run`` (T,) sessions
    in a row asked for, and met so far. ``filtered`` tells habits and what was expected.
    """
    spell = panel.spell[last]
    gaps = gap_table(recent_gaps(panel, last), model.rhythm)
    return Targets(
        mean=filtered.mean[last],
        cov=filtered.cov[last],
        threshold=panel.threshold[spell],
        measure=panel.measure[spell],
        grace=panel.grace[spell],
        confirm=confirm,
        run=run,
        wait=wait,
        gaps=gaps,
        first_gaps=first_gap_table(gaps, wait, model.rhythm.absences, panel.day[last] + wait),
        habits=athlete_habits(panel, panel.eligible, filtered.mean[:, 0], last, model.habits),
        shift=meeting_shift(panel, model.fit.constants.noise, filtered, last),
        scatter=filtered.scatter[spell],
        clock=model.fit.constants.clock,
        done=(panel.number[last] + 1).astype(float),
        last_day=panel.day[last].astype(float),
        lost=lost_levels(panel, model.fit.constants.dynamics)[last],
    )
