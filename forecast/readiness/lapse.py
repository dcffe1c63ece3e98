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
from forecast.survival import fit_ridge_logistic
from forecast.types import Array, Flags, Ints

FLAT_GAIN = 0.005
"""Gain a week below which progress counts as flat: half a percent (judgement, no source)."""
RECENT_DAYS = 56
FEATURES = ("flat", "rate", "pain", "log_weeks", "just_cleared")
PRIOR_CHANCE = 0.0017
"""Chance that a training day is the last: 20 % lapse a year at 2.5 days a week (judgement)."""
PRIOR_SD = (1.0, 0.7, 0.5, 0.7, 0.25, 0.5)
"""Spread of the priors: intercept (log odds), then the effects of ``FEATURES`` (judgement)."""
SHRINK = 2.0
"""Gaps of the cohort's habit that stand beside an athlete's own."""
ROUNDS, DRAWS, MARKS = 200, 400, (12, 26)
_SPAN = np.int64(10**7)
"""More days than any log holds, so that one sorted key serves athlete and day."""


def chance_flat(states: pd.DataFrame) -> Array:
    """Chance after each session that the gain is below ``FLAT_GAIN``, from filtered states."""
    gain = (states["swing"] + states["pace"]).to_numpy(dtype=float)
    spread = np.sqrt(states["var_gain"].to_numpy(dtype=float))
    return np.asarray(ndtr((FLAT_GAIN - gain) / np.maximum(spread, 1e-9)))


def design_of(days: pd.DataFrame) -> Array:
    """Intercept and features of training days, (n, 6)."""
    return np.column_stack([np.ones(len(days)), days[list(FEATURES)].to_numpy(dtype=float)])


def training_days(histories: Histories, p_flat: Array) -> pd.DataFrame:
    """Return one row an athlete and training day, with what was known that evening.

    ``p_flat`` is the chance of being flat after each session of the histories (``chance_flat``).
    Columns: ``athlete, athlete_id, date``; ``flat`` (chance that the gain on the rungs trained is
    near nothing or below, -0.5 to 0.5 about one half), ``rate`` (log of training days a week over
    the last eight weeks), ``pain`` (highest noted that day over 10, 0 where none was noted),
    ``log_weeks`` (log of 1 + weeks since the first set), ``just_cleared`` (a rung was cleared in
    the last four weeks), ``last`` (no later training day before the cut), ``away`` (days from
    here to the cut), ``settled`` (longer ago than the lapse rule allows, so that whether another
    day followed is known) and ``lapsed`` (last, and settled).
    """
    spells = histories.spells
    sessions = histories.sessions[["athlete", "spell", "date"]].assign(p_flat=p_flat)
    pain = histories.sets.groupby(["athlete", "date"])["pain"].max().rename("pain")
    days = sessions.groupby(["athlete", "date"], as_index=False)["p_flat"].mean()
    after = histories.after_clearing[["athlete", "date"]].drop_duplicates()
    days = days.merge(after, on=["athlete", "date"], how="outer").sort_values(["athlete", "date"])
    # A day of upkeep only says nothing new about the gain: the last opinion stands.
    days["p_flat"] = days.groupby("athlete")["p_flat"].ffill().fillna(0.5)
    days = days.merge(pain, on=["athlete", "date"], how="left").reset_index(drop=True)
    ids = spells.drop_duplicates("athlete").set_index("athlete")["athlete_id"]
    days["athlete_id"] = days["athlete"].map(ids).astype("int64")
    days = days.sort_values(["athlete_id", "date"]).reset_index(drop=True)
    table = _with_features(days, histories)
    # Nobody lapses by clearing the tops, the rungs that no other needs: the last day of whoever
    # has cleared them all is left out, as if still to be settled.
    needed = {need for rung in histories.ladder.rungs for need in rung.needs}
    tops = [key for key in histories.ladder.keys if key not in needed]
    cleared = spells[(spells["outcome"] == CLEARED) & spells["rung"].isin(tops)]
    count = cleared.groupby("athlete")["rung"].nunique()
    through = table["last"] & table["athlete"].isin(count.index[count == len(tops)])
    return table[~through].reset_index(drop=True)


def _with_features(days: pd.DataFrame, histories: Histories) -> pd.DataFrame:
    """Add features and outcome to training days with ``athlete_id, p_flat, pain``, sorted."""
    day, who = day_number(days["date"]), days["athlete_id"].to_numpy()
    key = who * _SPAN + day
    first = day[np.searchsorted(who, who, side="left")]
    from_day = np.maximum(first, day - RECENT_DAYS + 1)
    count = np.arange(len(key)) + 1 - np.searchsorted(key, who * _SPAN + from_day, side="left")
    done = histories.spells[histories.spells["cleared_on"].notna()]
    cleared = np.sort(done["athlete_id"].to_numpy() * _SPAN + day_number(done["cleared_on"]))
    up_to = np.searchsorted(cleared, key, side="right")
    out = days[["athlete", "athlete_id", "date"]].copy()
    out["flat"] = days["p_flat"].to_numpy() - 0.5
    out["rate"] = np.log(count / (np.maximum(day - from_day + 1, 14) / 7.0))
    out["pain"] = days["pain"].fillna(0.0).to_numpy() / 10.0
    out["log_weeks"] = np.log1p((day - first) / 7.0)
    out["just_cleared"] = (up_to > np.searchsorted(cleared, key - 28, side="left")).astype(float)
    out["last"] = np.r_[who[1:] != who[:-1], True]
    out["away"] = np.datetime64(histories.as_of, "D").astype(np.int64) - day
    allowed = days["athlete"].map(histories.lapse_after).to_numpy(dtype=float)
    out["settled"] = out["away"].to_numpy() > allowed
    out["lapsed"] = out["last"] & out["settled"]
    return out


@dataclass(frozen=True, slots=True)
class Silences:
    """Where each of A athletes stands: their last training day against their habit.

    ``latest`` are their last rows of ``training_days`` (index ``athlete_id``), ``longer`` (A,) the
    share of the athlete's usual gaps that are longer than the present one, ``per_week`` (A,)
    training days a week, layoffs included.
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
    are beside them. An athlete's own gaps show too few layoffs to say how long these run.
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
    middle = (count * usual + SHRINK * rhythm.median) / (count + SHRINK)
    return Silences(
        latest=latest,
        longer=share_longer(middle[:, None] * rhythm.ratios, away, rhythm.absences),
        per_week=7.0 / ((total + SHRINK * mean) / (count + SHRINK)),
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

    ``longer`` (A,) is as in ``Silences``, in the order of the days marked ``last``. A day that
    another followed was not the last: likelihood 1 - h. An athlete's latest day was the last, or
    the gap is just a long one: h + (1 - h) S(gap). EM: the chance of the former is the outcome of a
    ridge-penalised logistic regression, in turn until nothing changes. Cut dates need no rule on
    how long an absence is a lapse, and no lapse at all is an answer. Raises ``FitError`` if the fit
    did not settle.
    """
    design = design_of(days)
    last = days["last"].to_numpy(dtype=bool)
    penalty = 1.0 / np.asarray(PRIOR_SD) ** 2
    usual = float(np.log(PRIOR_CHANCE / (1 - PRIOR_CHANCE)))
    offset, ones = np.full(len(design), usual), np.ones(len(design))
    weights = np.zeros(1 + len(FEATURES))
    for _ in range(ROUNDS):
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
    raise FitError(f"The chance of lapse did not settle after {ROUNDS} rounds.")


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

    ``fitted`` and ``rhythm`` come from ``fit_lapse`` and ``day_rhythm``, ``days`` are
    ``training_days`` of the athletes asked about. Index ``athlete_id``; columns ``weeks_away,
    p_gone`` (the last training day has been already), ``lapse_12`` and ``lapse_26`` (it will have
    been by then) with 80 % ranges ``_low`` and ``_high``.

    After a training day the athlete lapses with chance h, else comes again after a gap as usual.
    Silent for g days, they have lapsed already with chance h / (h + (1 - h) S(g)), S the share of
    gaps longer than g, and stay through n more training days with chance (1 - h)^n: the reasoning
    of Fader, Hardie & Lee (2005, Mark. Sci. 24:275) with h from a regression instead of a beta law.
    """
    now = silences(days, rhythm)
    root = np.linalg.cholesky(fitted.cov)
    normal = np.random.default_rng(seed).standard_normal((DRAWS, len(root)))
    hazard = expit(design_of(now.latest) @ (fitted.weights + normal @ root.T).T)
    gone = hazard / (hazard + (1 - hazard) * now.longer[:, None])
    table = {"weeks_away": now.latest["away"].to_numpy() / 7.0, "p_gone": gone.mean(axis=1)}
    for weeks in MARKS:
        stays = np.exp(weeks * now.per_week[:, None] * np.log1p(-hazard))
        chance = gone + (1 - gone) * (1 - stays)
        # Transform draw by draw, summarise last.
        table[f"lapse_{weeks}"] = chance.mean(axis=1)
        table[f"lapse_{weeks}_low"] = np.quantile(chance, 0.1, axis=1)
        table[f"lapse_{weeks}_high"] = np.quantile(chance, 0.9, axis=1)
    return pd.DataFrame(table, index=now.latest.index)
