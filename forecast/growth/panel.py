"""Histories as arrays: spells as the histories have them, sessions flat, sets padded by session.

Every set is an interval on the latent scale: what a recorded value says about the capacity of
that set. The scale is the log of value over target, or bent to either side of it; 0 is the target.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import wrightomega

from forecast.growth import judgement
from forecast.histories import Histories, day_number
from forecast.ladder import Criterion, Ladder
from forecast.types import WEEK, Array, Flags, Ints

MAX_FATIGUE_STEPS = 4
"""Sets after which fatigue no longer grows."""


def to_latent(ratio: Array, linear: float) -> Array:
    """Return ``(1 - linear) log(ratio) + linear (ratio - 1)``; for -1, ``sinh(log(ratio))``.

    Toward the plain ratio (share ``linear``, 0 to below 1), or, ``QUICKENING``, the other way: no
    power of the ratio, value over target, which has a pole. A ratio of 0 is at minus infinity.
    """
    ratio = np.asarray(ratio, dtype=float)
    with np.errstate(divide="ignore"):
        log = np.log(ratio)
    if linear == judgement.QUICKENING:
        with np.errstate(over="ignore"):
            return np.sinh(log)
    return log if linear == 0.0 else (1.0 - linear) * log + linear * (ratio - 1.0)


def to_log(latent: Array, linear: float) -> Array:
    """Return the log ratio at a latent position, by Wright's omega (Corless & Jeffrey 2002)."""
    latent = np.asarray(latent, dtype=float)
    if linear == 0.0:
        return latent
    if linear == judgement.QUICKENING:
        return np.arcsinh(latent)
    weight = linear / (1.0 - linear)
    # With w = weight * ratio: w + log(w) = (latent + linear) / (1 - linear) + log(weight).
    place = (latent + linear) / (1.0 - linear) + np.log(weight)
    omega = np.real(wrightomega(place))
    return np.where(place < -30.0, place, np.log(np.maximum(omega, 1e-300))) - np.log(weight)


def to_ratio(latent: Array, linear: float) -> Array:
    """Return value over target at a latent position; the inverse of ``to_latent``."""
    return np.exp(to_log(latent, linear))


def log_slope(latent: Array, linear: float) -> Array:
    """Return the change of log(value / target) for a step of one on the latent scale."""
    if linear == judgement.QUICKENING:
        return 1.0 / np.sqrt(1.0 + np.asarray(latent, dtype=float) ** 2)
    return 1.0 / (1.0 - linear + linear * to_ratio(latent, linear))


def infer_unit(values: np.ndarray) -> float:
    """Return the coarsest of ``UNITS`` that nearly all, and enough, values are multiples of."""
    values = values[values > 0]
    if len(values) == 0:
        return 1.0
    for unit in judgement.UNITS:
        different = len(np.unique(np.round(values / unit)))
        enough = len(values) >= judgement.MIN_VALUES_FOR_COARSE and different >= 3
        if _on_grid(values, unit) >= judgement.NEARLY_ALL and (unit <= 1.0 or enough):
            return unit
    return judgement.UNITS[-1]


def usual_units(sets: pd.DataFrame, ladder: Ladder) -> dict[str, float]:
    """Return the rounding unit of all sets of each measure: how this log's values are noted."""
    failed = sets[sets["stopped"] != "target"]
    measure = failed["rung"].map({rung.key: rung.criterion.measure for rung in ladder.rungs})
    return {name: infer_unit(part.to_numpy()) for name, part in failed["value"].groupby(measure)}


def rounding_units(
    sets: pd.DataFrame, ladder: Ladder, usual: dict[str, float] | None = None
) -> pd.Series:
    """Return the rounding unit of each set: the coarsest that fits athlete, measure and log."""
    usual = usual_units(sets, ladder) if usual is None else usual
    measure = sets["rung"].map({rung.key: rung.criterion.measure for rung in ladder.rungs})
    units = pd.Series(1.0, index=sets.index)
    for (_, kind), mine in sets[measure != "reps"].groupby(["athlete", measure]):
        noted = mine[mine["stopped"] != "target"]
        elsewhere = (infer_unit(noted["value"].to_numpy()), usual.get(kind, 1.0))
        for rung, own in noted.groupby("rung")["value"]:
            shown = own[own > 0].to_numpy()
            fits = [unit for unit in elsewhere if _on_grid(shown, unit) >= judgement.NEARLY_ALL]
            units[mine.index[mine["rung"] == rung]] = max([infer_unit(shown), *fits])
    return units


def _on_grid(values: np.ndarray, unit: float) -> float:
    """Share of the values that are multiples of the unit, 1 where there are none."""
    ratio = values / unit
    return float(np.mean(np.abs(ratio - np.round(ratio)) < 1e-6)) if len(values) else 1.0


def usual_reserve(sets: pd.DataFrame) -> float:
    """Return what a set stopped by choice may have kept back beyond the best of late: a log ratio.

    Where few sets below the mark are let fail, nobody could do much more than they show.
    """
    below = sets.loc[sets["value"] < sets["target"], "stopped"]
    chosen = int((below == "choice").sum())
    failed = len(below) - chosen + judgement.LET_FAIL
    return judgement.RESERVE * (1.0 + failed / max(chosen, 1))


def set_intervals(
    sets: pd.DataFrame, ladder: Ladder, usual: dict[str, float] | None = None
) -> pd.DataFrame:
    """Return ``lower``, ``upper`` (value over target) and ``unit`` for each set.

    A value noted to the unit ``u`` says the capacity lay within half a unit of it; ``n`` whole reps
    say from ``n`` up to ``n + 1``; a set stopped at the target or by choice says from the value up
    (how far up by choice: ``_pad_sets``); a miss says from nothing up to the smallest unit. A set
    that equals the target with no reason for stopping is read as stopped there: coaches call time.
    """
    measure = sets["rung"].map({r.key: r.criterion.measure for r in ladder.rungs})
    reps = (measure == "reps").to_numpy()
    value = sets["value"].to_numpy(dtype=float)
    target = sets["target"].to_numpy(dtype=float)
    unit = rounding_units(sets, ladder, usual).to_numpy()
    lower = np.where(reps, value, value - unit / 2)
    upper = np.where(reps, value + 1.0, value + unit / 2)
    missed = value < np.where(reps, 1.0, 1e-9)
    lower = np.where(missed, 0.0, np.maximum(lower, 0.0))
    upper = np.where(missed, np.where(reps, 1.0, unit), upper)
    stopped = sets["stopped"].isin(["target", "choice"]).to_numpy()
    at_target = (sets["stopped"] == "unknown").to_numpy() & (np.abs(value - target) < 1e-9)
    upper = np.where((stopped | at_target) & ~missed, np.inf, upper)
    return pd.DataFrame(
        {"lower": lower / target, "upper": upper / target, "unit": unit}, index=sets.index
    )


def pass_ratio(criterion: Criterion, unit: float = 1.0) -> float:
    """Return the capacity, over target, from which a recorded value reaches the target."""
    if criterion.measure == "reps":
        return 1.0
    target = criterion.target
    # A target off the rounding grid is reached by the next value on it.
    lowest = np.ceil(target / unit - 1e-9) * unit
    return float(lowest - unit / 2) / target


@dataclass(frozen=True, slots=True)
class Panel:
    """Arrays of S spells, N sessions and up to K sets a session, in the order of the histories.

    (S,) ``start`` first session of the spell, ``length`` how many follow; numbers of ``athlete``,
    ``rung``, ``measure``; latent ``threshold`` from which a recorded value reaches the target;
    ``grace`` weeks between sessions up to which training goes on working. (N,) ``spell``, ``day``
    number, ``number`` in the spell from 0; ``rest`` weeks up to the grace and ``excess`` beyond it
    since the session before; ``n_sets``; whether it ``met``; ``eligible`` sets that could have.
    (N, K) latent bounds ``lower``, ``upper`` (infinite where padded), ``ceiling`` the upper one
    with which the level is read off: none for a set that met the mark; ``fatigue`` sets done
    before (at most 4), flags ``unclean`` and ``assisted`` (less than the load asked for, too).
    ``linear`` is the share of the plain ratio in the latent scale (``to_latent``).
    """

    start: Ints
    length: Ints
    athlete: Ints
    rung: Ints
    measure: Ints
    threshold: Array
    grace: Array
    spell: Ints
    day: Ints
    number: Ints
    rest: Array
    excess: Array
    lower: Array
    upper: Array
    ceiling: Array
    fatigue: Array
    unclean: Array
    assisted: Array
    n_sets: Ints
    met: Flags
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
    def longest_first(self) -> Ints:
        """(S,) spells by number of sessions, the longest first."""
        return np.argsort(-self.length, kind="stable")

    @property
    def last(self) -> Ints:
        """(S,) place of each spell's last session in the flat arrays."""
        return self.start + self.length - 1


BY_SPELL = ("athlete", "rung", "measure", "threshold", "grace")


def build_panel(
    histories: Histories, *, linear: float = 0.0, units: dict[str, float] | None = None,
    reserve: float | None = None,
) -> Panel:  # fmt: skip
    """Lay the histories out; ``units`` of ``usual_units``, ``reserve`` of ``usual_reserve``."""
    sessions, spells = histories.sessions, histories.spells
    spell = sessions["spell"].to_numpy(dtype=np.int64)
    length = np.bincount(spell, minlength=len(spells))
    start = np.cumsum(length) - length
    day = day_number(sessions["date"])
    gap = np.diff(day, prepend=day[:1]) / WEEK
    gap[start] = 0.0
    medians = [np.median(gap[s + 1 : s + n] if n > 1 else 0.0) for s, n in np.c_[start, length]]
    grace = usual_grace(np.asarray(medians, dtype=float))
    rest, excess = split_gap(gap, grace[spell])
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    _, measure = rung_marks(histories.ladder, linear)
    columns = _pad_sets(histories, units, reserve)
    plain = Panel(
        start=start, length=length, athlete=spells["athlete_id"].to_numpy(dtype=np.int64),
        rung=rung, measure=measure[rung], threshold=columns.pop("threshold")[start], grace=grace,
        spell=spell, day=day, number=np.arange(len(spell)) - start[spell], rest=rest, excess=excess,
        met=sessions["meets"].to_numpy(dtype=bool), linear=0.0, **columns,
    )  # fmt: skip
    return rescaled(plain, linear)


def usual_grace(usual: Array) -> Array:
    """Return weeks of ordinary rest: two, or three usual gaps (in weeks) where that is longer."""
    return np.maximum(judgement.GRACE_WEEKS, 3.0 * usual)


def split_gap(weeks: Array, grace: Array | float) -> tuple[Array, Array]:
    """Split weeks between sessions into training time, up to ``grace``, and what lies beyond it."""
    weeks = np.asarray(weeks, dtype=float)
    tau = np.minimum(weeks, grace)
    return tau, weeks - tau


def rescaled(plain: Panel, linear: float) -> Panel:
    """Return a panel on the log scale with its bounds and thresholds on another."""
    if linear == 0.0:
        return plain
    moved: dict[str, Any] = {
        name: to_latent(np.exp(getattr(plain, name)), linear)
        for name in ("lower", "upper", "ceiling", "threshold")
    }
    return replace(plain, linear=linear, **moved)


def rung_marks(ladder: Ladder, linear: float) -> tuple[Array, Ints]:
    """Return the latent pass mark and the measure number of every rung, (R,), none logged yet."""
    criteria = [rung.criterion for rung in ladder.rungs]
    measure = np.array([judgement.MEASURES.index(c.measure) for c in criteria], dtype=np.int64)
    return to_latent(np.array([pass_ratio(c) for c in criteria]), linear), measure


def _pad_sets(
    histories: Histories, units: dict[str, float] | None, reserve: float | None
) -> dict[str, NDArray]:
    """Return the panel's columns of sets, (N, K), with threshold, n_sets and eligible (N,)."""
    sets, ladder = histories.sets, histories.ladder
    bounds = set_intervals(sets, ladder, units)
    row = sets["session"].to_numpy()
    column = sets.groupby("session").cumcount().to_numpy()
    n_sets = np.bincount(row, minlength=len(histories.sessions))
    shape = (len(n_sets), int(n_sets.max()))

    def spread(values: NDArray, fill: float) -> Array:
        out = np.full(shape, fill)
        out[row, column] = values
        return out

    with np.errstate(divide="ignore"):
        lower, upper = np.log(bounds["lower"].to_numpy()), np.log(bounds["upper"].to_numpy())
    unclean = (~sets["clean"]).to_numpy()
    assisted = (sets["assisted"] | ~sets["loaded"]).to_numpy()
    criteria = {rung.key: rung.criterion for rung in ladder.rungs}
    pairs = zip(sets["rung"], bounds["unit"], strict=True)
    mark = np.log([pass_ratio(criteria[rung], unit) for rung, unit in pairs])
    threshold = np.zeros(shape[0])
    threshold[row] = mark
    met = ~unclean & ~assisted & (lower >= mark - 1e-9)
    early = ((sets["stopped"] == "choice") & (sets["value"] < sets["target"])).to_numpy()
    # The best of late, and what it says had it failed: no less than the set stopped by choice.
    days = histories.sessions[["spell", "date"]].assign(best=0.0)
    days["best"] = sets["value"].where(~unclean & ~assisted, 0.0).groupby(row).max()
    window = f"{judgement.LATELY_DAYS}D"
    lately = days.groupby("spell").rolling(window, on="date")["best"].max().to_numpy()[row]
    value, target = sets["value"].to_numpy(dtype=float), sets["target"].to_numpy(dtype=float)
    whole = sets["rung"].map({key: one.measure == "reps" for key, one in criteria.items()})
    most = np.maximum(lately, value) + np.where(whole, 1.0, bounds["unit"] / 2)
    reserve = usual_reserve(sets) if reserve is None else reserve
    upper = np.where(early, np.minimum(upper, np.log(most / target) + reserve), upper)
    early = early & (value < judgement.NEAR_BEST * lately)
    return {
        "lower": spread(lower, -np.inf),
        "upper": spread(upper, np.inf),
        "ceiling": spread(np.where(met, np.inf, upper), np.inf),
        "fatigue": spread(np.minimum(column, MAX_FATIGUE_STEPS), 0.0),
        "unclean": spread(unclean, 0.0),
        "assisted": spread(assisted, 0.0),
        "eligible": spread(sets["counts"].to_numpy() & ~early, 0.0).sum(axis=1),
        "n_sets": n_sets,
        "threshold": threshold,
    }


def latest_spells(panel: Panel, athletes: Ints) -> Ints:
    """(A,) the spell that each athlete trained last; of several on one day the longest."""
    order = np.lexsort((-np.arange(panel.n_spells), panel.length, panel.day[panel.last]))
    latest = np.full(int(panel.athlete.max()) + 1, -1)
    latest[panel.athlete[order]] = order  # the last one stays
    return latest[athletes]


def take_spells(panel: Panel, which: Ints) -> Panel:
    """Return the panel of these spells alone, in this order."""
    length = panel.length[which]
    start = np.cumsum(length) - length
    flat = np.repeat(panel.start[which] - start, length) + np.arange(length.sum())
    new: dict[str, Any] = {"start": start, "length": length, "linear": panel.linear}
    new["spell"] = np.repeat(np.arange(len(which)), length)
    for name in {part.name for part in fields(Panel)} - new.keys():
        new[name] = getattr(panel, name)[which if name in BY_SPELL else flat]
    return Panel(**new)
