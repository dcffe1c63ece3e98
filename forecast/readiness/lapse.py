"""Lapse: the chance that a training day was an athlete's last, beside each forecast.

Absences are weighed by how usual they are, not ruled; the rule itself is ``histories``' own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import expit, ndtr

from forecast.errors import FitError
from forecast.histories import (
    CLEARED,
    Absences,
    CohortRhythm,
    Histories,
    cohort_rhythm,
    day_number,
    share_longer,
)
from forecast.readiness import rules
from forecast.survival import fit_ridge_logistic
from forecast.types import WEEK, Array, Flags, Ints

FEATURES = ("flat", "rate", "pain", "log_weeks", "just_cleared")
MARKS = (12, 26)
"""Weeks by which chances of lapse are given."""
_SPAN = np.int64(10**7)
"""More days than any log holds, so that one sorted key serves athlete and day."""


def chance_flat(states: pd.DataFrame) -> Array:
    """Chance after each session that the gain is below ``FLAT_GAIN``, from filtered states."""
    gain = (states["swing"] + states["pace"]).to_numpy(dtype=float)
    spread = np.sqrt(states["var_gain"].to_numpy(dtype=float))
    return np.asarray(ndtr((rules.FLAT_GAIN - gain) / np.maximum(spread, 1e-9)))


def design_of(days: pd.DataFrame) -> Array:
    """Intercept and features of training days, (n, 6)."""
    return np.column_stack([np.ones(len(days)), days[list(FEATURES)].to_numpy(dtype=float)])


def training_days(histories: Histories, p_flat: Array) -> pd.DataFrame:
    """Return one row an athlete and training day, with what was known that evening.

    ``athlete, athlete_id, date``; ``flat`` (chance that the gain is near nothing or below, by
    ``p_flat`` of each session, less one half), ``rate`` (log of training days a week lately),
    ``pain`` (highest noted that day over 10), ``log_weeks`` (log of 1 + weeks since the first set),
    ``just_cleared``, ``last`` (before the cut), ``away`` (days to the cut), ``settled`` (longer ago
    than the lapse rule allows, so that whether another followed is known), ``lapsed`` (both).
    """
    spells, sessions, after = histories.spells, histories.sessions, histories.after_clearing
    one = spells.drop_duplicates("athlete").set_index("athlete_id")["athlete"]
    number = pd.Series(one.index, one)
    who = np.concatenate([
        spells["athlete_id"].to_numpy()[sessions["spell"]],
        after["athlete"].map(number).to_numpy(dtype=np.int64),
    ])  # fmt: skip
    day = np.concatenate([day_number(sessions["date"]), day_number(after["date"])])
    key, place, at = np.unique(who * _SPAN + day, return_index=True, return_inverse=True)
    at, who, day = at[: len(sessions)], who[place], day[place]
    # A day of upkeep only says nothing new about the gain: the last opinion stands.
    sessions_then = np.bincount(at, minlength=len(key))
    flat = np.bincount(at, p_flat, len(key)) / np.maximum(sessions_then, 1)
    latest = np.maximum.accumulate(np.where(sessions_then > 0, np.arange(len(key)), -1))
    flat = np.where((latest >= 0) & (who[latest] == who), flat[latest], 0.5)
    pain = np.zeros(len(key))
    sets = histories.sets
    np.fmax.at(pain, at[sets["session"].to_numpy()], sets["pain"].to_numpy(dtype=float))
    first = day[np.searchsorted(who, who, side="left")]
    from_day = np.maximum(first, day - rules.RECENT_DAYS + 1)
    count = np.arange(len(key)) + 1 - np.searchsorted(key, who * _SPAN + from_day, side="left")
    done = spells[spells["cleared_on"].notna()]
    cleared = np.sort(done["athlete_id"].to_numpy() * _SPAN + day_number(done["cleared_on"]))
    fresh = np.searchsorted(cleared, key - rules.CLEARED_DAYS, side="left")
    away = np.datetime64(histories.as_of, "D").astype(np.int64) - day
    last = np.r_[who[1:] != who[:-1], True]
    names = one.reindex(who)
    settled = away > names.map(histories.lapse_after).to_numpy(dtype=float)
    table = pd.DataFrame(
        {
            "athlete": names.to_numpy(),
            "athlete_id": who,
            "date": day.astype("datetime64[D]").astype("datetime64[ns]"),
            "flat": flat - 0.5,
            "rate": np.log(count / (np.maximum(day - from_day + 1, 14) / WEEK)),
            "pain": pain / 10.0,
            "log_weeks": np.log1p((day - first) / WEEK),
            "just_cleared": (np.searchsorted(cleared, key, side="right") > fresh).astype(float),
            "last": last,
            "away": away,
            "settled": settled,
            "lapsed": last & settled,
        }
    )
    # Nobody lapses by clearing the tops, the rungs that no other needs: the last day of whoever
    # has cleared them all is left out, as if still to be settled.
    needed = {need for rung in histories.ladder.rungs for need in rung.needs}
    tops = [key for key in histories.ladder.keys if key not in needed]
    topped = spells[(spells["outcome"] == CLEARED) & spells["rung"].isin(tops)]
    done = topped["athlete_id"].value_counts()
    through = last & np.isin(who, done.index[done == len(tops)])
    return table[~through].reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class Silences:
    """Where each of A athletes stands: their ``latest`` training day against their habit.

    ``longer`` (A,): share of the athlete's usual gaps that are longer than the present one;
    ``per_week`` (A,): training days a week, layoffs included.
    """

    latest: pd.DataFrame
    longer: Array
    per_week: Array


def day_rhythm(days: pd.DataFrame, absences: Absences) -> CohortRhythm:
    """Learn the cohort's rhythm of training days on any rung."""
    owner, gap = _gaps(days)
    return cohort_rhythm(gap, owner, np.empty(0), absences)


def silences(days: pd.DataFrame, rhythm: CohortRhythm) -> Silences:
    """Weigh each athlete's present silence against their own gaps and those of all.

    Gaps are the cohort's on the scale of the athlete's own middle gap (shrunk to the cohort's), so
    that three weeks off mean more in somebody who comes every other day; absences count as they
    are beside them.
    """
    latest = days[days["last"]].set_index("athlete_id")
    owner, gap = _gaps(days)
    bounds = np.searchsorted(owner, latest.index), np.searchsorted(owner, latest.index, "right")
    own = [gap[low:high] for low, high in zip(*bounds, strict=True)]
    mean = rhythm.median * float(rhythm.ratios.mean())  # the cohort's, whoever is asked about
    total = np.array([gaps.sum() for gaps in own])
    count = np.array([len(gaps) for gaps in own])
    away = latest["away"].to_numpy(dtype=float)
    usual = np.array([np.median(gaps) if len(gaps) else rhythm.median for gaps in own])
    middle = (count * usual + rules.SHRINK * rhythm.median) / (count + rules.SHRINK)
    return Silences(
        latest=latest,
        longer=share_longer(middle[:, None] * rhythm.ratios, away, rhythm.absences),
        per_week=WEEK / ((total + rules.SHRINK * mean) / (count + rules.SHRINK)),
    )


def _gaps(days: pd.DataFrame) -> tuple[Ints, Array]:
    """Whose gap, and days between consecutive training days, in order of athlete and day."""
    who = days["athlete_id"].to_numpy(dtype=np.int64)
    same = who[1:] == who[:-1]
    return who[1:][same], np.diff(day_number(days["date"]))[same].astype(float)


@dataclass(frozen=True, slots=True)
class LapseModel:
    """Log odds that a training day is the last: ``weights`` (6,) and their ``cov`` (6, 6)."""

    weights: Array = field(repr=False)
    cov: Array = field(repr=False)


def fit_lapse(days: pd.DataFrame, longer: Array) -> LapseModel:
    """Fit the chance that a training day is the last, absences weighed by how usual they are.

    ``longer`` (A,) is as in ``Silences``. A day that another followed was not the last: likelihood
    1 - h. An athlete's latest day was the last, or the gap is just a long one: h + (1 - h) S(gap).
    EM: the chance of the former is the outcome of a ridge-penalised logistic regression, in turn
    until nothing changes; ``FitError`` if it does not settle. No lapse at all is an answer.
    """
    design = design_of(days)
    last = days["last"].to_numpy(dtype=bool)
    penalty = 1.0 / np.asarray(rules.PRIOR_SD) ** 2
    usual = float(np.log(rules.PRIOR_CHANCE / (1 - rules.PRIOR_CHANCE)))
    offset, ones = np.full(len(design), usual), np.ones(len(design))
    weights = np.zeros(1 + len(FEATURES))
    for _ in range(rules.LAPSE_ROUNDS):
        chance = expit(offset + design @ weights)
        outcome = np.zeros(len(design))
        outcome[last] = chance[last] / (chance[last] + (1 - chance[last]) * longer)
        updated = fit_ridge_logistic(design, outcome, offset, penalty, ones)
        if np.abs(updated - weights).max() < 1e-5:
            return LapseModel(
                updated + np.r_[usual, np.zeros(len(FEATURES))],
                _covariance(design, outcome, last, expit(offset + design @ updated), penalty),
            )
        weights = updated
    raise FitError(f"The chance of lapse did not settle after {rules.LAPSE_ROUNDS} rounds.")


def _covariance(design: Array, outcome: Array, last: Flags, chance: Array, penalty: Array) -> Array:
    """Inverse curvature: of the regression, less what is unknown about who is gone (Louis 1982)."""
    complete = (design * (chance * (1 - chance))[:, None]).T @ design + np.diag(penalty)
    doubt = outcome[last] * (1 - outcome[last])
    observed = complete - (design[last] * doubt[:, None]).T @ design[last]
    smallest = float(np.linalg.eigvalsh(observed).min())
    # Where hardly anything is known of who is gone, the prior alone bounds the weights.
    return np.asarray(np.linalg.inv(observed if smallest > 1e-6 else np.diag(penalty)))


def lapse_chances(
    fitted: LapseModel, rhythm: CohortRhythm, days: pd.DataFrame, seed: int
) -> pd.DataFrame:
    """Return chances of having stopped for good by athlete, from draws of the weights.

    Index ``athlete_id``; ``weeks_away, p_gone`` (the last training day has been already),
    ``lapse_12`` and ``lapse_26`` (it will have been by then) with 80 % ranges ``_low``, ``_high``.
    After a training day the athlete lapses with chance h, else comes again after a gap as usual.
    Silent for g days, they have lapsed already with chance h / (h + (1 - h) S(g)), S the share of
    gaps longer than g, and stay through n more training days with chance (1 - h)^n: the reasoning
    of Fader, Hardie & Lee (2005, Mark. Sci. 24:275) with h from a regression instead of a beta law.
    """
    now = silences(days, rhythm)
    root = np.linalg.cholesky(fitted.cov)
    normal = np.random.default_rng(seed).standard_normal((rules.LAPSE_DRAWS, len(root)))
    hazard = expit(design_of(now.latest) @ (fitted.weights + normal @ root.T).T)
    gone = hazard / (hazard + (1 - hazard) * now.longer[:, None])
    table = {"weeks_away": now.latest["away"].to_numpy() / WEEK, "p_gone": gone.mean(axis=1)}
    for weeks in MARKS:
        stays = np.exp(weeks * now.per_week[:, None] * np.log1p(-hazard))
        chance = gone + (1 - gone) * (1 - stays)
        # Transform draw by draw, summarise last.
        table[f"lapse_{weeks}"] = chance.mean(axis=1)
        table[f"lapse_{weeks}_low"] = np.quantile(chance, 0.1, axis=1)
        table[f"lapse_{weeks}_high"] = np.quantile(chance, 0.9, axis=1)
    return pd.DataFrame(table, index=now.latest.index)
