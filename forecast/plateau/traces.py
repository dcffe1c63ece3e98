"""Spells as the plateau watch sees them: sessions as normal observations of the level."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from forecast.growth import GrowthModel, Tracked, session_sites
from forecast.types import Array, Ints

DAYS = 7.0


@dataclass(frozen=True, slots=True)
class Traces:
    """Sessions of S spells, N in all, spell after spell, longest spell first.

    Attributes
    ----------
    start, length
        (S,) place of each spell's first session, and number of sessions.
    athlete
        (S,) athlete number.
    day
        (N,) day number of each session.
    rest, excess
        (N,) weeks since the session before up to the spell's grace, and beyond it; 0 at first.
    level, var
        (N,) each session as one normal observation of the level (0 is the target); the variance
        is infinite where the session said nothing.
    scatter, surprise
        (N,) how widely the spell scatters beside what is expected, as seen so far; what was seen
        less what was expected, in standard deviations, 0 where nothing was.
    first
        (S, 5) opinion after the first session: level, gain, their variances and covariance in
        the order level, gain, level variance, covariance, gain variance.
    detraining
        Level lost per excess week.
    """

    start: Ints
    length: Ints
    athlete: Ints
    day: Ints
    rest: Array
    excess: Array
    level: Array
    var: Array
    scatter: Array
    surprise: Array
    first: Array
    detraining: float

    @property
    def n_spells(self) -> int:
        """Number of spells S."""
        return len(self.start)

    @property
    def n_sessions(self) -> int:
        """Number of sessions N."""
        return len(self.day)

    @property
    def spell(self) -> Ints:
        """(N,) spell of each session."""
        return np.repeat(np.arange(self.n_spells), self.length)

    @property
    def number(self) -> Ints:
        """(N,) place of each session in its spell, 0 for the first."""
        return np.arange(self.n_sessions) - np.repeat(self.start, self.length)

    @property
    def clock(self) -> Array:
        """(N,) weeks of training since the spell's first session, layoffs not counted."""
        # in half days the sum is exact, whatever spells stand before
        total = np.cumsum(np.round(14.0 * self.rest))
        return np.asarray((total - np.repeat(total[self.start], self.length)) / 14.0)


def traces_of(growth: GrowthModel, tracked: Tracked) -> Traces:
    """Take from the growth engine what the watch needs: sessions on one scale, and the starts."""
    panel, filtered, sites = tracked.panel, tracked.filtered, session_sites(growth, tracked)
    mean, cov = filtered.mean[panel.start], filtered.cov[panel.start]
    first = np.column_stack(
        [
            mean[:, 0] - panel.threshold,
            mean[:, 1] + mean[:, 2],
            cov[:, 0, 0],
            cov[:, 0, 1] + cov[:, 0, 2],
            cov[:, 1, 1] + cov[:, 2, 2] + 2.0 * cov[:, 1, 2],
        ]
    )
    traces = Traces(
        start=panel.start,
        length=panel.length,
        athlete=panel.athlete,
        day=panel.day,
        rest=sites.rest,
        excess=sites.excess,
        level=sites.level,
        var=sites.var,
        scatter=sites.scatter,
        surprise=sites.surprise,
        first=first,
        detraining=growth.fit.constants.dynamics.detraining,
    )
    return take_traces(traces, panel.longest_first, panel.length[panel.longest_first])


def take_traces(traces: Traces, spells: Ints, lengths: Ints) -> Traces:
    """Return the first ``lengths`` sessions of some spells, in the order given by length.

    ``spells`` (T,) may repeat; sorted so that lengths never rise.
    """
    start = np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)
    flat = np.repeat(traces.start[spells] - start, lengths) + np.arange(lengths.sum())
    names = ("day", "rest", "excess", "level", "var", "scatter", "surprise")
    by_session = {name: getattr(traces, name)[flat] for name in names}
    return Traces(
        start=start,
        length=lengths,
        athlete=traces.athlete[spells],
        first=traces.first[spells],
        detraining=traces.detraining,
        **by_session,
    )


def steps(traces: Traces) -> Iterator[tuple[int, Ints]]:
    """Yield, session number by session number, how many spells go on and their sessions."""
    for number in range(int(traces.length.max(initial=0))):
        active = int(np.searchsorted(-traces.length, -number, side="left"))
        yield active, traces.start[:active] + number


def as_copies(values: Array) -> Array:
    """Return values as (N, R): one column a copy."""
    return values if values.ndim == 2 else values[:, None]


def years_of_training(traces: Traces, longest_gap: float = 2.0) -> float:
    """Athlete-years of training: days between sessions on any rung, long gaps cut off.

    Parameters
    ----------
    longest_gap
        Weeks of one gap that count at most.
    """
    who = traces.athlete[traces.spell]
    order = np.lexsort((traces.day, who))
    gap = np.diff(traces.day[order]) / DAYS
    same = np.diff(who[order]) == 0
    return float(np.minimum(gap[same], longest_gap).sum() / 52.1775)
