"""Histories as arrays: spells sorted by length, sessions flat, sets padded by session."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.growth.dynamics import split_gap
from forecast.growth.intervals import pass_ratio, set_intervals
from forecast.growth.kernels import MAX_FATIGUE_STEPS
from forecast.growth.scale import to_latent
from forecast.histories import Histories, day_number
from forecast.types import Array, Flags, Ints

MEASURES = ("seconds", "reps", "kg", "cm")
GRACE_WEEKS = 2.0


@dataclass(frozen=True, slots=True)
class Panel:
    """Arrays of S spells, N sessions and up to K sets a session.

    Attributes
    ----------
    spell_row
        (S,) row of each spell in ``histories.spells``; longest spell first.
    start, length
        (S,) first session of the spell in the flat arrays, and how many follow.
    athlete, rung, measure
        (S,) athlete number, rung number, measure number.
    threshold
        (S,) latent position from which a recorded value reaches the target.
    grace
        (S,) weeks between sessions up to which training goes on working.
    session_row
        (N,) row of each session in ``histories.sessions``.
    spell, day
        (N,) spell of each session and its day number.
    number
        (N,) place of the session in its spell, 0 for the first.
    rest, excess
        (N,) weeks up to the grace and weeks beyond it since the session before (0 at first).
    lower, upper
        (N, K) bounds of each set in latent units; padded sets run from -inf to inf.
    fatigue, unclean, assisted
        (N, K) sets done before in the session (at most 4), and flags as 0 or 1; a set with less
        than the load asked for is flagged as assisted.
    used
        (N, K) whether the place holds a set.
    n_sets
        (N,) sets in each session.
    met
        (N,) whether the session met the criterion.
    ceiling
        (N, K) upper bounds with which the level is read off (``ceilings``).
    eligible
        (N,) sets that could have met the criterion: counting, and not ended early by choice.
    linear
        Share of the plain ratio in the latent scale (``scale.to_latent``).
    """

    spell_row: Ints
    start: Ints
    length: Ints
    athlete: Ints
    rung: Ints
    measure: Ints
    threshold: Array
    grace: Array
    session_row: Ints
    spell: Ints
    day: Ints
    number: Ints
    rest: Array
    excess: Array
    lower: Array
    upper: Array
    fatigue: Array
    unclean: Array
    assisted: Array
    used: Flags
    n_sets: Ints
    met: Flags
    ceiling: Array
    eligible: Array
    linear: float

    @property
    def n_spells(self) -> int:
        """Number of spells S."""
        return len(self.start)

    @property
    def n_sessions(self) -> int:
        """Number of sessions N."""
        return len(self.spell)

    @property
    def gap(self) -> Array:
        """(N,) days since the spell's session before, 0 at its first."""
        gap = np.diff(self.day, prepend=self.day[:1]).astype(float)
        gap[self.start] = 0.0
        return gap

    @property
    def last(self) -> Ints:
        """(S,) place of each spell's last session in the flat arrays."""
        return self.start + self.length - 1


def build_panel(
    histories: Histories, *, linear: float = 0.0, units: dict[str, float] | None = None
) -> Panel:
    """Lay the histories out as arrays.

    ``linear`` is that of ``scale.to_latent``, ``units`` those of ``intervals.usual_units``.
    """
    sessions, sets = histories.sessions, histories.sets
    counts = sessions.groupby("spell").size().reindex(range(len(histories.spells)), fill_value=0)
    order = np.argsort(-counts.to_numpy(), kind="stable")
    order = order[counts.to_numpy()[order] > 0]
    place = np.empty(len(histories.spells), dtype=np.int64)
    place[order] = np.arange(len(order))
    flat = np.argsort(place[sessions["spell"].to_numpy()], kind="stable")
    sessions = sessions.iloc[flat]
    spell = place[sessions["spell"].to_numpy()]
    length = counts.to_numpy()[order].astype(np.int64)
    start = np.concatenate([[0], np.cumsum(length)[:-1]]).astype(np.int64)
    day = day_number(sessions["date"])
    gap = np.diff(day, prepend=day[:1]) / 7.0
    gap[start] = 0.0
    grace = _grace(gap, start, length)
    rest, excess = split_gap(gap, grace[spell])
    spells = histories.spells.iloc[order]
    columns = _pad_sets(sets, sessions.index.to_numpy(), histories, units)
    ceiling = ceilings(columns)
    plain = Panel(
        spell_row=order.astype(np.int64),
        start=start,
        length=length,
        athlete=spells["athlete_id"].to_numpy(dtype=np.int64),
        rung=spells["rung_index"].to_numpy(dtype=np.int64),
        measure=_measures(histories, spells),
        threshold=columns.pop("threshold")[start],
        grace=grace,
        session_row=sessions.index.to_numpy(dtype=np.int64),
        spell=spell,
        day=day,
        number=np.arange(len(spell)) - start[spell],
        rest=rest,
        excess=excess,
        n_sets=columns["used"].sum(axis=1).astype(np.int64),
        ceiling=ceiling,
        met=sessions["meets"].to_numpy(dtype=bool),
        eligible=columns.pop("eligible").sum(axis=1),
        linear=0.0,
        **columns,
    )
    return rescaled(plain, linear)


def rescaled(plain: Panel, linear: float) -> Panel:
    """Return a panel on the log scale with its bounds and thresholds on another."""
    if linear == 0.0:
        return plain

    def moved(log: Array) -> Array:
        return to_latent(np.exp(log), linear)

    return replace(
        plain,
        linear=linear,
        lower=moved(plain.lower),
        upper=moved(plain.upper),
        ceiling=moved(plain.ceiling),
        threshold=moved(plain.threshold),
    )


def _measures(histories: Histories, spells: pd.DataFrame) -> Ints:
    codes = [MEASURES.index(rung.criterion.measure) for rung in histories.ladder.rungs]
    return np.asarray(codes, dtype=np.int64)[spells["rung_index"].to_numpy()]


def _grace(gap: Array, start: Ints, length: Ints) -> Array:
    """Grace by spell: two weeks, or three times the spell's median gap where that is longer."""
    medians = [
        float(np.median(gap[s + 1 : s + n])) if n > 1 else 0.0
        for s, n in zip(start, length, strict=True)
    ]
    return np.maximum(GRACE_WEEKS, 3.0 * np.asarray(medians, dtype=float))


def _pad_sets(
    sets: pd.DataFrame,
    session_order: Ints,
    histories: Histories,
    units: dict[str, float] | None,
) -> dict[str, NDArray]:
    """Return set columns as (N, K) arrays in the panel's session order."""
    bounds = set_intervals(sets, histories.ladder, units)
    place = np.empty(len(session_order), dtype=np.int64)
    place[session_order] = np.arange(len(session_order))
    row = place[sets["session"].to_numpy()]
    column = sets.groupby("session").cumcount().to_numpy()
    shape = (len(session_order), int(column.max()) + 1)

    def spread(values: NDArray, fill: float | bool) -> NDArray:
        out = np.full(shape, fill, dtype=np.asarray(values).dtype)
        out[row, column] = values
        return out

    with np.errstate(divide="ignore"):
        lower, upper = np.log(bounds["lower"].to_numpy()), np.log(bounds["upper"].to_numpy())
    criteria = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    ratios = [
        pass_ratio(criteria[rung].target, unit, criteria[rung].measure)
        for rung, unit in zip(sets["rung"], bounds["unit"], strict=True)
    ]
    threshold = np.zeros(shape[0])
    threshold[row] = np.log(np.asarray(ratios))
    return {
        "lower": spread(lower, -np.inf),
        "upper": spread(upper, np.inf),
        "fatigue": spread(np.minimum(column.astype(float), float(MAX_FATIGUE_STEPS)), 0.0),
        "unclean": spread((~sets["clean"]).to_numpy(dtype=float), 0.0),
        "assisted": spread((sets["assisted"] | ~sets["loaded"]).to_numpy(dtype=float), 0.0),
        "eligible": spread(_eligible(sets), 0.0),
        "used": spread(np.ones(len(sets), dtype=bool), False),
        "threshold": threshold,
    }


def ceilings(columns: dict[str, NDArray]) -> Array:
    """Return the upper bounds with which the level is read off, (N, K).

    A clean, unassisted set that met the mark has none: had it gone on, or had it just been a
    good day, it says that much or more.
    """
    met = (columns["unclean"] == 0) & (columns["assisted"] == 0)
    met &= columns["lower"] >= columns["threshold"][:, None] - 1e-9
    return np.where(met, np.inf, columns["upper"])


def _eligible(sets: pd.DataFrame) -> Array:
    early = (sets["stopped"] == "choice") & (sets["value"] < sets["target"])
    return (sets["counts"] & ~early).to_numpy(dtype=float)


def take_spells(panel: Panel, which: Ints) -> Panel:
    """Return the panel of these spells alone (places in increasing order keep longest first)."""
    which = np.sort(np.asarray(which, dtype=np.int64))
    length = panel.length[which]
    start = np.concatenate([[0], np.cumsum(length)[:-1]]).astype(np.int64)
    flat = np.repeat(panel.start[which] - start, length) + np.arange(length.sum())
    by_spell = ("spell_row", "athlete", "rung", "measure", "threshold", "grace")
    by_session = (
        *("session_row", "day", "number", "rest", "excess"),
        *("lower", "upper", "fatigue", "unclean", "assisted", "used", "n_sets"),
        *("met", "ceiling", "eligible"),
    )
    return Panel(
        start=start,
        length=length,
        spell=np.repeat(np.arange(len(which)), length),
        linear=panel.linear,
        **{name: getattr(panel, name)[which] for name in by_spell},
        **{name: getattr(panel, name)[flat] for name in by_session},
    )
