"""Scores of forecasts on plain arrays, each with its formula, its source and its unit.

A curve is a row of ``p_cleared`` at weeks 1 to H. Between whole weeks it is read as a straight line
from F(0) = 0; past week H nothing is claimed. Outcomes are ``time`` (n,), weeks to clearing or to
the last day followed, and ``cleared`` (n,), true for a clearing and all of them if left out. Those
lost are weighted for by G, the chance of still being followed (``censoring_curve``; nobody lost if
left out). Functions return one number a row, so that means and their intervals can be taken over
athletes, and raise ``BacktestError`` where curves or outcomes are malformed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import chi2

from forecast.errors import BacktestError
from forecast.log import in_percent
from forecast.types import Array, Flags

MIN_FOLLOWED = 0.1
"""Share of athletes still followed in the last week that is scored (judgement)."""
LOG_SCORE_FLOOR = 1e-4
"""Least probability the log score gives a week: a forecaster that said 0 pays -log of this."""


@dataclass(frozen=True, slots=True)
class CensoringCurve:
    """Chance G(t) of still being followed after week t: ``followed`` (k,) just after ``times``."""

    times: Array
    followed: Array

    def at(self, weeks: ArrayLike) -> Array:
        """Return G(t), the chance of being followed beyond ``weeks``."""
        return np.r_[1.0, self.followed][np.searchsorted(self.times, weeks, side="right")]

    def before(self, weeks: ArrayLike) -> Array:
        """Return G(t-), the chance of being followed up to ``weeks``."""
        return np.r_[1.0, self.followed][np.searchsorted(self.times, weeks, side="left")]


def censoring_curve(time: ArrayLike, cleared: ArrayLike) -> CensoringCurve:
    """Estimate G by the reverse Kaplan-Meier product; at a shared time the clearing came first.

    Assumes that being lost has nothing to do with how near the athlete is to clearing. E. Graf, C.
    Schmoor, W. Sauerbrei, M. Schumacher (1999), Statistics in Medicine 18:2529-2545.
    """
    weeks, done = checked_outcomes(time, cleared)
    lost_at, lost = np.unique(weeks[~done], return_counts=True)
    at_risk = (weeks[None, :] > lost_at[:, None]).sum(axis=1) + lost
    return CensoringCurve(lost_at, np.cumprod(1.0 - lost / at_risk))


def nobody_lost() -> CensoringCurve:
    """Return the censoring curve of complete follow-up: G = 1 for ever."""
    return CensoringCurve(np.empty(0), np.empty(0))


def weeks_followed(time: ArrayLike, cleared: ArrayLike, horizon: int) -> int:
    """Return the last whole week that ``MIN_FOLLOWED`` of the athletes were followed to.

    Past it a handful of athletes would carry weights above ``1 / MIN_FOLLOWED``.
    """
    weeks = np.arange(1, horizon + 1)
    enough = weeks[censoring_curve(time, cleared).before(weeks) >= MIN_FOLLOWED]
    if not enough.size:
        raise BacktestError(
            f"fewer than {in_percent(MIN_FOLLOWED)} of the athletes were followed for one week "
            "after the cut; take earlier cut dates or a longer log"
        )
    return int(enough[-1])


def checked_outcomes(time: ArrayLike, cleared: ArrayLike | None) -> tuple[Array, Flags]:
    """Return copies of ``time`` (n,) and ``cleared`` (n,), all of them if it is left out."""
    weeks = np.array(time, dtype=float)
    done = np.ones(weeks.shape, bool) if cleared is None else np.array(cleared, dtype=bool)
    if weeks.ndim != 1 or weeks.shape != done.shape or not weeks.size:
        raise BacktestError(
            f"outcomes need two equally long lists of one entry or more; "
            f"got shapes {weeks.shape} and {done.shape}"
        )
    if not np.all(weeks >= 0):  # also catches NaN
        raise BacktestError("weeks to clearing must be zero or more and never missing")
    return weeks, done


def checked_curve(p_cleared: ArrayLike) -> Array:
    """Return a copy of the curves (n, H): from 0 to 1, never falling, or ``BacktestError``."""
    curve = np.array(p_cleared, dtype=float)
    if curve.ndim != 2 or not curve.size:
        raise BacktestError(f"curves must be a table (n, weeks); got shape {curve.shape}")
    if not np.all((curve >= 0) & (curve <= 1 + 1e-12)):
        raise BacktestError("p_cleared must lie between 0 and 1 and never be missing")
    if np.any(np.diff(curve, axis=1) < -1e-9):
        raise BacktestError("p_cleared falls from one week to the next; a clearing is for good")
    return np.minimum(curve, 1.0)


def _from_zero(p_cleared: ArrayLike) -> Array:
    """Curves (n, H + 1) with week 0 before the others."""
    return np.pad(np.asarray(p_cleared, float), ((0, 0), (1, 0)))


def curve_at(p_cleared: ArrayLike, weeks: ArrayLike) -> Array:
    """Read each curve (n, H) at weeks (n,) or (n, k); linear between weeks, flat past H."""
    padded = _from_zero(p_cleared)
    at = np.clip(np.asarray(weeks, float), 0.0, padded.shape[1] - 1)
    low = np.minimum(at.astype(int), padded.shape[1] - 2)
    rows = np.arange(len(padded)).reshape(-1, *([1] * (at.ndim - 1)))
    left, right = padded[rows, low], padded[rows, low + 1]
    return left + (at - low) * (right - left)


def weeks_at(p_cleared: ArrayLike, share: float) -> Array:
    """Return the week (n,) at which each curve reaches ``share``; infinite past the horizon."""
    padded = _from_zero(p_cleared)
    reached = padded >= share
    first = np.argmax(reached, axis=1)
    last, rows = np.maximum(first, 1), np.arange(len(padded))
    low, high = padded[rows, last - 1], padded[rows, last]
    step = np.divide(share - low, high - low, out=np.zeros_like(low), where=high > low)
    week = np.where(first == 0, 0.0, last - 1 + step)
    return np.where(reached.any(axis=1), week, np.inf)


def crps_from_curve(
    p_cleared: ArrayLike, time: ArrayLike, horizon: int | None = None, *,
    cleared: ArrayLike | None = None, censoring: CensoringCurve | None = None,
) -> Array:  # fmt: skip
    r"""Continuous ranked probability score in weeks, up to the horizon, lower is better.

    .. math:: \int_0^H \frac{1\{T > t\}}{G(t)} F(t)^2
              + \frac{1\{T \le t\}\,\delta}{G(T-)} (1 - F(t))^2 \; dt

    with T the observed weeks (infinite will do) and delta 1 for a clearing, integrated exactly: F
    is linear between whole weeks, G a step function. Divided by H it is the integrated Brier score.
    J. Matheson, R. Winkler (1976), Management Science 22:1087-1096; weights: Graf et al. (1999).
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    losses = censored.times[(censored.times > 0) & (censored.times < end)]
    breaks = np.unique(np.concatenate([np.arange(end + 1.0), np.clip(weeks, 0, end), losses]))
    value = curve_at(curve, np.broadcast_to(breaks, (len(curve), breaks.size)))
    length = np.diff(breaks)
    still_open = breaks[1:] <= weeks[:, None]
    followed = np.broadcast_to(censored.at(breaks[:-1]), still_open.shape)
    before, after = length * _mean_square(value), length * _mean_square(1.0 - value)
    waited = np.divide(before, followed, out=np.zeros_like(before), where=still_open)
    weight = _inverse(censored.before(weeks), done)
    return waited.sum(axis=1) + weight * np.where(still_open, 0.0, after).sum(axis=1)


def brier_at(
    p_cleared: ArrayLike, time: ArrayLike, week: float, *,
    cleared: ArrayLike | None = None, censoring: CensoringCurve | None = None,
) -> Array:  # fmt: skip
    """Weighted squared error of the chance to clear by ``week``, lower is better.

    ``(1 - F(w))**2 / G(T-)`` for a clearing by week w, ``F(w)**2 / G(w)`` for those still
    followed and not cleared after it, 0 for those lost before; ``p_cleared`` are curves (n, H), or
    the chances at that week alone (n,). Graf et al. (1999).
    """
    chance = np.array(p_cleared, float)
    if chance.ndim == 2:
        if not 0 <= week <= chance.shape[1]:
            raise BacktestError(f"week {week} lies outside the curve of {chance.shape[1]} weeks")
        chance = curve_at(checked_curve(chance), np.full(len(chance), float(week)))
    weeks, done = checked_outcomes(time, cleared)
    censored = nobody_lost() if censoring is None else censoring
    weight = _inverse(censored.before(weeks), done)
    error = np.where(done & (weeks <= week), (1 - chance) ** 2 * weight, 0.0)
    followed = censored.at(week)
    return error + np.divide(chance**2, followed, out=np.zeros_like(chance), where=weeks > week)


def log_score(
    p_cleared: ArrayLike, time: ArrayLike, horizon: int | None = None, *,
    cleared: ArrayLike | None = None, censoring: CensoringCurve | None = None,
    floor: float = LOG_SCORE_FLOOR,
) -> Array:  # fmt: skip
    """Weighted negative log of the probability given to the week it happened, lower is better.

    Bins are the weeks (0, 1], ..., (H-1, H] and "not within the horizon". A clearing in a week
    weighs 1/G(T-), one followed past the horizon 1/G(H), one lost before counts 0. A bin given
    less than ``floor`` counts as given it. I. J. Good (1952), J. R. Statist. Soc. B 14:107-114.
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    padded = _from_zero(curve[:, :end])
    mass = np.concatenate([np.diff(padded, axis=1), 1 - padded[:, -1:]], axis=1)
    inside = done & (weeks <= end)
    bin_of = np.where(inside, np.maximum(np.ceil(np.minimum(weeks, end)), 1) - 1, end).astype(int)
    given = mass[np.arange(len(curve)), bin_of]
    weight = _inverse(censored.before(weeks), inside)
    weight += _inverse(np.full(len(weeks), censored.before(end)), ~inside & (weeks >= end))
    return -np.log(np.maximum(given, floor)) * weight


def _mean_square(value: Array) -> Array:
    """Mean of the square of a line over each segment, from values at the breaks."""
    start, end = value[:, :-1], value[:, 1:]
    return (start**2 + start * end + end**2) / 3.0


def _inverse(followed: Array, where: Flags) -> Array:
    """Inverse-probability-of-censoring weight, 0 elsewhere."""
    return np.divide(1.0, followed, out=np.zeros(len(where)), where=where)


def _checked(
    p_cleared: ArrayLike, time: ArrayLike, horizon: int | None, cleared: ArrayLike | None,
    censoring: CensoringCurve | None,
) -> tuple[Array, Array, Flags, CensoringCurve, int]:  # fmt: skip
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    if len(weeks) != len(curve):
        raise BacktestError(f"{len(curve)} curves but {len(weeks)} outcomes; give one each")
    end = curve.shape[1] if horizon is None else int(horizon)
    if not 1 <= end <= curve.shape[1]:
        raise BacktestError(f"horizon {end} must lie between 1 and {curve.shape[1]} weeks")
    censored = nobody_lost() if censoring is None else censoring
    if censored.before(end) <= 0:
        raise BacktestError(
            f"nobody was followed to week {end} (the last was lost in week "
            f"{censored.times[-1]:.1f}); lower the horizon"
        )
    return curve, weeks, done, censored, end


@dataclass(frozen=True, slots=True)
class Coverage:
    """Whether each outcome fell in its central range (1.0 or 0.0), and the weight it carries, (n,).

    Where that is not known the inverse-probability-of-censoring weight is 0.
    """

    covered: Array
    weight: Array


def coverage(
    p_cleared: ArrayLike, time: ArrayLike, level: float, horizon: int | None = None, *,
    cleared: ArrayLike | None = None, censoring: CensoringCurve | None = None,
) -> Coverage:  # fmt: skip
    """Say whether each outcome fell in the central ``level`` range of its curve.

    Who has not cleared by the horizon is covered if the range's upper end lies past it. The answer
    is known at week m: as soon as the athlete clears, the upper end goes by, or the horizon is
    reached. Those followed to m weigh 1/G(m-), those lost before it 0, so nobody is dropped for a
    short follow-up that settled the question.
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    low, high = weeks_at(curve, (1 - level) / 2), weeks_at(curve, (1 + level) / 2)
    settled = np.minimum(high, end)
    seen = done & (weeks <= settled)
    outlasted = ~seen & (weeks >= settled)
    weight = _inverse(censored.before(np.where(seen, weeks, settled)), seen | outlasted)
    inside = np.where(seen, weeks >= low, outlasted & (high > end))
    return Coverage(inside.astype(float), weight)


def pit(
    p_cleared: ArrayLike, time: ArrayLike, *, cleared: ArrayLike | None = None, seed: int = 0
) -> Array:
    """Randomised probability integral transform: uniform on 0 to 1 if calibrated.

    A clearing in week w is drawn uniformly between F(w-1) and F(w); one lost at week c, or not
    cleared by the horizon, between F(c) (or F(H)) and 1, which is right if being lost has nothing
    to do with being near. C. Czado, T. Gneiting, L. Held (2009), Biometrics 65:1254-1261.
    """
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    inside = done & (weeks <= curve.shape[1])
    week = np.maximum(np.ceil(np.minimum(weeks, curve.shape[1])), 1)
    low = np.where(inside, curve_at(curve, week - 1), curve_at(curve, weeks))
    high = np.where(inside, curve_at(curve, week), 1.0)
    return low + np.random.default_rng(seed).random(len(weeks)) * (high - low)


@dataclass(frozen=True, slots=True)
class DCalibration:
    """Masses of the survival probability at the outcome, and the chi-square test of evenness.

    ``mass`` (bins,) counts athletes in each bin of S(T), from 0 up, and sums to n.
    """

    mass: Array
    statistic: float
    p_value: float


def d_calibration(survival: ArrayLike, cleared: ArrayLike, bins: int = 10) -> DCalibration:
    """Test D-calibration: the survival probability S = 1 - F at the outcome is spread evenly.

    A clearing adds 1 to the bin of S(T). One lost with S(c) in bin [a, b) adds (S(c) - a)/S(c)
    to it and (b - a)/S(c) to every bin below: where S(T) may still fall. The p-value takes rows
    as independent; several cuts of one athlete make it too small. H. Haider, B. Hoehn, S. Davis,
    R. Greiner (2020), J. Mach. Learn. Res. 21(85):1-63, section 3.5.
    """
    s, done = np.array(survival, float), np.array(cleared, bool)
    if s.shape != done.shape or s.ndim != 1 or not s.size or bins < 2:
        raise BacktestError("d_calibration needs equally long lists and two bins or more")
    if not np.all((s >= 0) & (s <= 1)):
        raise BacktestError("survival probabilities must lie between 0 and 1")
    bin_of = np.minimum((s * bins + 1e-12).astype(int), bins - 1)
    mass = np.bincount(bin_of[done], minlength=bins).astype(float)
    lost, lost_bin = s[~done], bin_of[~done]
    safe = np.where(lost > 0, lost, 1.0)
    below = np.arange(bins) < lost_bin[:, None]
    own = np.arange(bins) == lost_bin[:, None]
    rest = np.where(lost > 0, (lost - lost_bin / bins) / safe, 1.0)
    mass += (below / (bins * safe[:, None]) + own * rest[:, None]).sum(axis=0)
    even = len(s) / bins
    statistic = float(np.sum((mass - even) ** 2) / even)
    return DCalibration(mass, statistic, float(chi2.sf(statistic, bins - 1)))


def uno_c(
    risk: ArrayLike, time: ArrayLike, cleared: ArrayLike, *, tau: float = np.inf,
    censoring: CensoringCurve | None = None, multiplicity: ArrayLike | None = None,
) -> Array:  # fmt: skip
    """Concordance of Uno: share of comparable pairs that ``risk`` (larger: sooner) orders rightly.

    A pair is comparable if one cleared, before ``tau`` weeks and before the other's time (or at it,
    and the other was lost then); it weighs 1/G(T-)^2 of the earlier clearing. Equal risks count one
    half. With ``multiplicity`` (B, n), how often each row counts in each of B resamples, the answer
    has shape (B,), NaN without a comparable pair; else (). H. Uno, T. Cai, M. Pencina, R.
    D'Agostino, L. Wei (2011), Statistics in Medicine 30:1105-1117.
    """
    weeks, done = checked_outcomes(time, cleared)
    tied = (weeks[None, :] == weeks[:, None]) & ~done[None, :]
    comparable = done[:, None] & ((weeks[None, :] > weeks[:, None]) | tied)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    weight = _inverse(censored.before(weeks) ** 2, done & (weeks < tau))
    return _ratio(risk, np.where(comparable, weight[:, None], 0.0), multiplicity)


def auc_at(
    risk: ArrayLike, time: ArrayLike, cleared: ArrayLike, week: float, *,
    censoring: CensoringCurve | None = None, multiplicity: ArrayLike | None = None,
) -> Array:  # fmt: skip
    """Cumulative/dynamic AUC at a week: cleared by it against not cleared by it.

    Those who cleared weigh 1/G(T-); those still followed after ``week`` weigh alike; those lost
    before it are left out, their weight carried by the others. Arguments and shape of the answer
    as in ``uno_c``. H. Uno, T. Cai, L. Tian, L. Wei (2007), JASA 102:527-537.
    """
    weeks, done = checked_outcomes(time, cleared)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    weight = _inverse(censored.before(weeks), done & (weeks <= week))
    return _ratio(risk, weight[:, None] * (weeks > week), multiplicity)


def _ratio(risk: ArrayLike, weight: Array, multiplicity: ArrayLike | None) -> Array:
    """Weighted share of pairs whose risks are in order, the row's first; one half where equal."""
    value = np.asarray(risk, float)
    if value.shape != weight.shape[:1] or not np.all(np.isfinite(value)):
        raise BacktestError("risk must hold one finite number for each outcome")
    if not weight.any():
        raise BacktestError("no pair can be compared: nobody cleared while another was followed")
    gap = value[:, None] - value[None, :]
    score = np.where(np.abs(gap) <= 1e-8, 0.5, (gap > 0).astype(float))
    if multiplicity is None:
        return np.asarray(np.sum(score * weight) / np.sum(weight))
    times = np.asarray(multiplicity, float)
    total, right = (((times @ pairs) * times).sum(axis=1) for pairs in (weight, score * weight))
    return np.divide(right, total, out=np.full(len(times), np.nan), where=total > 0)
