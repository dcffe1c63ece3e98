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
    """Chance G(t) of still being followed after week t, as a right-continuous step function.

    ``times`` (k,) are the weeks at which G falls, ``followed`` (k,) is G just after each; G is 1
    before the first.
    """

    times: Array
    followed: Array

    def at(self, weeks: ArrayLike) -> Array:
        """Return G(t), the chance of being followed beyond ``weeks``."""
        return self._step(weeks, side="right")

    def before(self, weeks: ArrayLike) -> Array:
        """Return G(t-), the chance of being followed up to ``weeks``."""
        return self._step(weeks, side="left")

    def _step(self, weeks: ArrayLike, side: str) -> Array:
        place = np.searchsorted(self.times, np.asarray(weeks, float), side=side)  # type: ignore[call-overload]
        return np.concatenate([[1.0], self.followed])[place]


def censoring_curve(time: ArrayLike, cleared: ArrayLike) -> CensoringCurve:
    """Estimate the censoring curve by the reverse Kaplan-Meier product.

    Where a clearing and a loss share a time, the clearing came first, so those who cleared then
    were not at risk of being lost then. Assumes that follow-up ends for reasons unrelated to
    how near the athlete is to clearing; where weak athletes drop out, weighted scores mislead.

    E. Graf, C. Schmoor, W. Sauerbrei, M. Schumacher (1999), Statistics in Medicine 18:2529-2545.
    """
    time, cleared = checked_outcomes(time, cleared)
    lost_at = np.unique(time[~cleared])
    lost = np.array([np.sum(~cleared & (time == t)) for t in lost_at], float)
    at_risk = np.array([np.sum(time > t) for t in lost_at], float) + lost
    return CensoringCurve(lost_at, np.cumprod(1.0 - lost / at_risk))


def nobody_lost() -> CensoringCurve:
    """Return the censoring curve of complete follow-up: G = 1 for ever."""
    return CensoringCurve(np.empty(0), np.empty(0))


def weeks_followed(time: ArrayLike, cleared: ArrayLike, horizon: int) -> int:
    """Return the last whole week up to which scores can be trusted.

    Past it less than ``MIN_FOLLOWED`` of the athletes would still be followed, so that a
    handful of athletes would carry weights above ``1 / MIN_FOLLOWED``. Raises ``BacktestError`` if
    not even the first week was followed by that share.
    """
    curve = censoring_curve(time, cleared)
    weeks = np.arange(1, horizon + 1)
    enough = weeks[curve.before(weeks) >= MIN_FOLLOWED]
    if not enough.size:
        raise BacktestError(
            f"fewer than {in_percent(MIN_FOLLOWED)} of the athletes were followed for one week "
            "after the cut; take earlier cut dates or a longer log"
        )
    return int(enough[-1])


def checked_outcomes(time: ArrayLike, cleared: ArrayLike | None) -> tuple[Array, Flags]:
    """Return copies of ``time`` (n,) and ``cleared`` (n,), all of them if it is left out.

    Errors as in ``censoring_curve``.
    """
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


def curve_at(p_cleared: ArrayLike, weeks: ArrayLike) -> Array:
    """Read each curve (n, H) at weeks (n,) or (n, k); linear between weeks, flat past H."""
    curve = np.asarray(p_cleared, float)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve], axis=1)
    at = np.clip(np.asarray(weeks, float), 0.0, curve.shape[1])
    low = np.minimum(at.astype(int), curve.shape[1] - 1)
    rows = np.arange(len(curve)).reshape(-1, *([1] * (at.ndim - 1)))
    left, right = padded[rows, low], padded[rows, low + 1]
    return left + (at - low) * (right - left)


def weeks_at(p_cleared: ArrayLike, share: float) -> Array:
    """Return the week (n,) at which each curve reaches ``share``; infinite past the horizon."""
    curve = np.asarray(p_cleared, float)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve], axis=1)
    reached = padded >= share
    first = np.argmax(reached, axis=1)
    last = np.maximum(first, 1)
    rows = np.arange(len(curve))
    low, high = padded[rows, last - 1], padded[rows, last]
    step = np.divide(share - low, high - low, out=np.zeros_like(low), where=high > low)
    week = np.where(first == 0, 0.0, last - 1 + step)
    return np.where(reached.any(axis=1), week, np.inf)


def crps_from_curve(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Array:
    r"""Continuous ranked probability score in weeks, up to the horizon, lower is better.

    .. math:: \int_0^H \frac{1\{T > t\}}{G(t)} F(t)^2
              + \frac{1\{T \le t\}\,\delta}{G(T-)} (1 - F(t))^2 \; dt

    with T the observed weeks, delta 1 for a clearing and G the censoring curve: the Brier score
    of Graf et al. weighted for those lost, integrated over the weeks exactly (F is linear
    between whole weeks, G is a step function). With complete follow-up, G = 1 and the first
    term alone counts for a T past the horizon. Divided by H it is the integrated Brier score.

    ``horizon`` are the weeks to score, at most H (the default); ``time`` may be infinite. J.
    Matheson, R. Winkler (1976), Management Science 22:1087-1096; weights: Graf et al. (1999).
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    losses = censored.times[(censored.times > 0) & (censored.times < end)]
    breaks = np.unique(np.concatenate([np.arange(end + 1.0), np.clip(weeks, 0, end), losses]))
    value = curve_at(curve, np.broadcast_to(breaks, (len(curve), breaks.size)))
    length = np.diff(breaks)
    still_open = breaks[1:] <= weeks[:, None]
    followed = np.broadcast_to(censored.at(breaks[:-1]), still_open.shape)
    before = length * _mean_square(value)
    after = length * _mean_square(1.0 - value)
    waited = np.divide(before, followed, out=np.zeros_like(before), where=still_open)
    weight = _event_weight(weeks, done, censored)
    return waited.sum(axis=1) + weight * np.where(still_open, 0.0, after).sum(axis=1)


def brier_at(
    p_cleared: ArrayLike,
    time: ArrayLike,
    week: float,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Array:
    """Weighted squared error of the chance to clear by ``week``, lower is better.

    ``(1 - F(w))**2 / G(T-)`` for a clearing by week w, ``F(w)**2 / G(w)`` for those still
    followed and not cleared after it, 0 for those lost before.

    ``p_cleared`` are curves (n, H), or the chances at that week alone (n,). Graf et al. (1999).
    """
    chance = np.array(p_cleared, float)
    if chance.ndim == 2:
        if not 0 <= week <= chance.shape[1]:
            raise BacktestError(f"week {week} lies outside the curve of {chance.shape[1]} weeks")
        chance = curve_at(checked_curve(chance), np.full(len(chance), float(week)))
    weeks, done = checked_outcomes(time, cleared)
    censored = nobody_lost() if censoring is None else censoring
    early = done & (weeks <= week)
    late = weeks > week
    followed = censored.at(week)
    error = np.where(early, (1 - chance) ** 2 * _event_weight(weeks, done, censored), 0.0)
    return error + np.divide(chance**2, followed, out=np.zeros_like(chance), where=late)


def log_score(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
    floor: float = LOG_SCORE_FLOOR,
) -> Array:
    """Weighted negative log of the probability given to the week it happened, lower is better.

    Bins are the weeks (0, 1], ..., (H-1, H] and "not within the horizon". A clearing in a week
    weighs 1/G(T-), one followed past the horizon 1/G(H), one lost before counts 0. A bin given
    less than ``floor`` is scored as if given ``floor``; it caps what a point forecast can lose.

    I. J. Good (1952), J. R. Statist. Soc. B 14:107-114 (log score).
    """
    curve, weeks, done, censored, end = _checked(p_cleared, time, horizon, cleared, censoring)
    padded = np.concatenate([np.zeros((len(curve), 1)), curve[:, :end]], axis=1)
    mass = np.concatenate([np.diff(padded, axis=1), 1 - padded[:, -1:]], axis=1)
    inside = done & (weeks <= end)
    bin_of = np.where(inside, np.maximum(np.ceil(np.minimum(weeks, end)), 1) - 1, end).astype(int)
    given = mass[np.arange(len(curve)), bin_of]
    weight = np.where(inside, _event_weight(weeks, done, censored), 0.0)
    beyond = ~inside & (weeks >= end)
    weight = weight + np.divide(1.0, censored.before(end), out=np.zeros_like(weight), where=beyond)
    return -np.log(np.maximum(given, floor)) * weight


def _mean_square(value: Array) -> Array:
    """Mean of the square of a line over each segment, from values at the breaks."""
    start, end = value[:, :-1], value[:, 1:]
    return (start**2 + start * end + end**2) / 3.0


def _event_weight(weeks: Array, done: Flags, censored: CensoringCurve) -> Array:
    """1 / G(T-) for a clearing, 0 for a loss; G(T-) > 0 as the athlete was followed to T."""
    return np.divide(1.0, censored.before(weeks), out=np.zeros_like(weeks), where=done)


def _checked(
    p_cleared: ArrayLike,
    time: ArrayLike,
    horizon: int | None,
    cleared: ArrayLike | None,
    censoring: CensoringCurve | None,
) -> tuple[Array, Array, Flags, CensoringCurve, int]:
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

    @property
    def share(self) -> float:
        """Weighted share covered, 0 to 1."""
        return float(np.sum(self.covered * self.weight) / np.sum(self.weight))


def coverage(
    p_cleared: ArrayLike,
    time: ArrayLike,
    level: float,
    horizon: int | None = None,
    *,
    cleared: ArrayLike | None = None,
    censoring: CensoringCurve | None = None,
) -> Coverage:
    """Say whether each outcome fell in the central ``level`` range of its curve.

    The range runs from the (1-level)/2 to the (1+level)/2 point. A clearing by the horizon is
    covered if it lies in it; one who had not cleared by the horizon is covered if the upper end
    lies past the horizon. The answer is known as soon as the athlete clears, the upper end goes
    by, or the horizon is reached: at week m, the first of these. Those followed to m weigh
    1/G(m-), those lost before it 0, and the share is taken over the weights. So nobody is
    dropped for a short follow-up that settled the question.
    """
    if not 0 < level < 1:
        raise BacktestError(f"level {level} must lie between 0 and 1")
    curve = checked_curve(p_cleared)
    weeks, done = checked_outcomes(time, cleared)
    end = float(curve.shape[1] if horizon is None else horizon)
    censored = nobody_lost() if censoring is None else censoring
    low, high = weeks_at(curve, (1 - level) / 2), weeks_at(curve, (1 + level) / 2)
    settled = np.minimum(high, end)
    seen = done & (weeks <= settled)
    outlasted = ~seen & (weeks >= settled)
    moment = np.where(seen, weeks, settled)
    followed = censored.before(moment)
    weight = np.divide(1.0, followed, out=np.zeros_like(weeks), where=seen | outlasted)
    inside = np.where(seen, weeks >= low, outlasted & (high > end))
    return Coverage(inside.astype(float), weight)


def pit(
    p_cleared: ArrayLike,
    time: ArrayLike,
    *,
    cleared: ArrayLike | None = None,
    seed: int | np.random.Generator = 0,
) -> Array:
    """Randomised probability integral transform: uniform on 0 to 1 if calibrated.

    A clearing in week w is drawn uniformly between F(w-1) and F(w), since a weekly curve says
    nothing within the week; one lost at week c, or not cleared by the horizon, between F(c)
    (or F(H)) and 1, which is right if being lost has nothing to do with being near.

    C. Czado, T. Gneiting, L. Held (2009), Biometrics 65:1254-1261.
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
    """Masses of the survival probability at the outcome, and the test that they are even.

    ``mass`` (bins,) counts athletes in each bin of S(T), from 0 up, and sums to n; ``statistic`` is
    the chi-square distance from n / bins, ``p_value`` its own with bins - 1 degrees of freedom.
    """

    mass: Array
    statistic: float
    p_value: float


def d_calibration(survival: ArrayLike, cleared: ArrayLike, bins: int = 10) -> DCalibration:
    """Test D-calibration: the survival probability at the outcome is spread evenly.

    A clearing adds 1 to the bin of S(T). One lost with S(c) in bin [a, b) adds (S(c) - a)/S(c)
    to it and (b - a)/S(c) to every bin below: where S(T) may still fall. The p-value takes rows
    as independent; several cuts of one athlete make it too small.

    ``survival`` (n,) is the forecast chance of not having cleared at the observed time, 1 - F(T).
    H. Haider, B. Hoehn, S. Davis, R. Greiner (2020), J. Mach. Learn. Res. 21(85):1-63, section 3.5.
    """
    s, done = np.array(survival, float), np.array(cleared, bool)
    if s.shape != done.shape or s.ndim != 1 or not s.size or bins < 2:
        raise BacktestError("d_calibration needs equally long lists and two bins or more")
    if not np.all((s >= 0) & (s <= 1)):
        raise BacktestError("survival probabilities must lie between 0 and 1")
    bin_of = np.minimum((s * bins + 1e-12).astype(int), bins - 1)
    mass = np.bincount(bin_of[done], minlength=bins).astype(float)
    lost, lost_bin = s[~done], bin_of[~done]
    if lost.size:
        safe = np.where(lost > 0, lost, 1.0)
        below = np.arange(bins) < lost_bin[:, None]
        own = np.arange(bins) == lost_bin[:, None]
        rest = np.where(lost > 0, (lost - lost_bin / bins) / safe, 1.0)
        mass += (below / (bins * safe[:, None]) + own * rest[:, None]).sum(axis=0)
    even = len(s) / bins
    statistic = float(np.sum((mass - even) ** 2) / even)
    return DCalibration(mass, statistic, float(chi2.sf(statistic, bins - 1)))


def uno_c(
    risk: ArrayLike,
    time: ArrayLike,
    cleared: ArrayLike,
    *,
    tau: float | None = None,
    censoring: CensoringCurve | None = None,
    multiplicity: ArrayLike | None = None,
) -> Array:
    """Concordance of Uno: share of comparable pairs that ``risk`` orders rightly, weighted.

    A pair is comparable if one cleared before the other's time (or at it, and the other was lost
    then); it weighs 1/G(T-)^2 of the earlier clearing. Equal risks count one half.
    It does not depend on how the follow-up happened to end. Only clearings before ``tau`` weeks
    open a pair.

    ``risk`` (n,): larger means sooner. With ``multiplicity`` (B, n), how often each row counts in
    each of B resamples, the answer has shape (B,), NaN without a comparable pair; else ().
    H. Uno, T. Cai, M. Pencina, R. D'Agostino, L. Wei (2011), Statistics in Medicine 30:1105-1117.
    """
    weeks, done = checked_outcomes(time, cleared)
    value = np.asarray(risk, float)
    if value.shape != weeks.shape or not np.all(np.isfinite(value)):
        raise BacktestError("risk must hold one finite number for each outcome")
    tied = (weeks[None, :] == weeks[:, None]) & ~done[None, :]
    comparable = done[:, None] & ((weeks[None, :] > weeks[:, None]) | tied)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    opens = done if tau is None else done & (weeks < tau)
    weight = np.divide(1.0, censored.before(weeks) ** 2, out=np.zeros_like(weeks), where=opens)
    return _ratio(_order(value), np.where(comparable, weight[:, None], 0.0), multiplicity)


def auc_at(
    risk: ArrayLike,
    time: ArrayLike,
    cleared: ArrayLike,
    week: float,
    *,
    censoring: CensoringCurve | None = None,
    multiplicity: ArrayLike | None = None,
) -> Array:
    """Cumulative/dynamic AUC at a week: cleared by it against not cleared by it.

    Those who cleared weigh 1/G(T-); those still followed after ``week`` weigh alike; those lost
    before it are left out, their weight carried by the others.

    Arguments and shape of the answer as in ``uno_c``. H. Uno, T. Cai, L. Tian, L. Wei (2007), JASA
    102:527-537; H. Hung, C. Chiang (2010), Canadian J. Stat. 38:8-26.
    """
    weeks, done = checked_outcomes(time, cleared)
    censored = censoring_curve(weeks, done) if censoring is None else censoring
    case = done & (weeks <= week)
    weight = np.divide(1.0, censored.before(weeks), out=np.zeros_like(weeks), where=case)
    pairs = weight[:, None] * (weeks > week)
    return _ratio(_order(np.asarray(risk, float)), pairs, multiplicity)


def _order(risk: Array) -> Array:
    """1 where the row's risk is larger than the column's, one half where they are equal."""
    gap = risk[:, None] - risk[None, :]
    return np.where(np.abs(gap) <= 1e-8, 0.5, (gap > 0).astype(float))


def _ratio(score: Array, weight: Array, multiplicity: ArrayLike | None) -> Array:
    if not weight.any():
        raise BacktestError("no pair can be compared: nobody cleared while another was followed")
    if multiplicity is None:
        return np.asarray(np.sum(score * weight) / np.sum(weight))
    times = np.asarray(multiplicity, float)
    total, right = (((times @ pairs) * times).sum(axis=1) for pairs in (weight, score * weight))
    return np.divide(right, total, out=np.full(len(times), np.nan), where=total > 0)
