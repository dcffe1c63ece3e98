"""Who stands where on the ladder, and what a log teaches about going from one rung to the next.

Learnt once from a log, so that what is said of one athlete never depends on who else is asked
about: delays before the next rung is begun, what a strong clearing and a quick rung carry over to
the next beyond the athlete's own effect, how gain goes with attendance, how clean sets are at each
level, and the factor by which rungs took longer than simulated at their first session:

    log(days + 1) = log(middle + 1) + factor + spread * t,

``middle`` that of the days the growth engine simulates for an unknown athlete who trains like this
one, t Student's, spells that ended without clearing known only to be longer. With few spells the
prior, which keeps the engine's word, stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import itemgetter

import numpy as np
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.stats import t

from forecast.ahead import rules
from forecast.growth import Tracked, clip_level, cohort_habits, usual_days
from forecast.histories import CLEARED, PASSED_OVER, TABLE_SIZE, Histories, day_number
from forecast.ladder import Ladder
from forecast.readiness import rungs_behind
from forecast.types import WEEK, Array, Flags, Ints


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
        min_days=np.array([WEEK * rung.min_weeks for rung in ladder.rungs]),
        confirm=np.array([r.criterion.confirm_sessions for r in ladder.rungs], dtype=np.int64),
    )


@dataclass(frozen=True, slots=True)
class Standing:
    """Where A athletes stand at the cut.

    ``athletes`` (A,) increasing numbers, with their ``names``; (A, R): rungs ``behind`` them, those
    ``presumed`` of them that no log shows, ``spell`` the row in ``histories.spells`` (-1: none),
    those ``under_way``, and ``cleared_day`` in days from the cut (0 or less, NaN where unknown);
    ``since`` (A,) days from the cut to the athlete's first set.
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
    """Return where these athletes stand; ``readiness.rungs_behind`` says what is behind them."""
    spells = histories.spells.reset_index(names="row")
    spells = spells[spells["athlete"].isin(names)]
    athletes, first, who = np.unique(
        spells["athlete_id"].to_numpy(dtype=np.int64), return_index=True, return_inverse=True
    )
    rung = spells["rung_index"].to_numpy(dtype=np.int64)
    shape = (len(athletes), len(histories.ladder.rungs))
    row, day = np.full(shape, -1, dtype=np.int64), np.full(shape, np.nan)
    under_way, done = np.zeros((2, *shape), dtype=bool)
    row[who, rung], under_way[who, rung] = spells["row"], spells["open"]
    done[who, rung] = spells["outcome"].isin([CLEARED, PASSED_OVER])
    cut = int(day_number(pd.Series([histories.as_of]))[0])
    finished = done[who, rung]
    day[who[finished], rung[finished]] = day_number(spells["end"][finished]) - cut
    behind = rungs_behind(done, row >= 0, under_way, histories.ladder)
    since = np.full(len(athletes), np.inf)
    np.minimum.at(since, who, day_number(spells["start"]) - cut)
    return Standing(
        athletes=athletes, names=tuple(spells["athlete"].iloc[first]), behind=behind,
        presumed=behind & (row < 0), spell=row, under_way=under_way & ~behind, cleared_day=day,
        since=since,
    )  # fmt: skip


def last_needs(histories: Histories) -> pd.DataFrame:
    """Return the step to each spell whose needed rungs the log shows cleared.

    ``spell`` and ``before`` (rows of ``histories.spells``; the need cleared last), ``delay`` (days
    from the rung being open, ``min_weeks`` served, to its first session; 0 for no wait).
    """
    spells, plan = histories.spells, ladder_plan(histories.ladder)
    keys = zip(spells["athlete_id"], spells["rung_index"], strict=True)
    ends = zip(keys, spells.index, spells["cleared_on"], strict=True)
    cleared = {key: (row, day) for key, row, day in ends if pd.notna(day)}
    steps = []
    for spell in spells.itertuples():
        needs = [(spell.athlete_id, need) for need in plan.needs[spell.rung_index]]
        behind = [cleared[key] for key in needs if key in cleared]
        if not needs or len(behind) < len(needs):
            continue
        before, last = max(behind, key=itemgetter(1))
        waits = [pd.Timedelta(days=plan.min_days[need]) for _, need in needs]
        ready = max(day + wait for (_, day), wait in zip(behind, waits, strict=True))
        if last <= spell.start:
            steps.append((spell.Index, before, float(max((spell.start - ready).days, 0))))
    return pd.DataFrame(steps, columns=["spell", "before", "delay"])


@dataclass(frozen=True, slots=True)
class Climbing:
    """What a log taught about going up the ladder.

    ``delays`` (TABLE_SIZE,) days from a rung being open to its first session, as quantiles;
    ``carry_mean, carry_cov`` (2,), (2, 2): start per unit of ``margin`` (the usual one, latent) at
    the last clearing, pace per unit of the last rung's own; ``elasticity`` of gain on sessions a
    week; ``factor`` log of how much longer rungs took than simulated; ``clean_...`` logit of the
    share of clean sets at the target, its slope in level, and how far spells differ from it;
    ``_sd`` spreads.
    """

    delays: Array
    carry_mean: Array
    carry_cov: Array
    margin: float
    elasticity: float
    elasticity_sd: float
    factor: float
    factor_sd: float
    clean_intercept: float
    clean_slope: float
    clean_spread: float


def learn_climbing(tracked: Tracked, histories: Histories, *, seed: int) -> Climbing:
    """Learn all of it from the log a growth engine was fitted on, and seen through it."""
    steps, panel = last_needs(histories), tracked.panel
    margin, own_pace = carry_regressors(tracked, histories)
    usual = float(np.nanmean(margin)) if np.isfinite(margin).any() else 0.0
    # Start on margin and pace on own pace of the rung before, shrunk to 0.
    after, before = steps[["spell", "before"]].to_numpy(dtype=np.int64).T
    design = np.zeros((panel.n_spells, 3, 2))
    design[after, 0, 0] = margin[before] - usual
    design[after, 2, 1] = own_pace[before]
    carry_mean, carry_cov = tracked.regress(design, rules.CARRY_SD)
    delays = steps["delay"].to_numpy(dtype=float)
    if not len(delays):  # none in the log: the cohort's usual gap
        delays = np.array([tracked.model.rhythm.median])
    # Times of the rungs whose first session the log shows.
    which = panel.longest_first
    which = which[~histories.spells["under_way"].to_numpy()[which]]
    begun = histories.spells.iloc[which]
    confirm = ladder_plan(histories.ladder).confirm[panel.rung[which]]
    middle = usual_days(tracked, which, confirm, seed=seed)
    days = WEEK * begun["weeks"].to_numpy(dtype=float)
    factor, factor_sd = learn_factor(days, begun["cleared_on"].notna().to_numpy(), middle)
    # The share of clean sets by level, and how far spells differ on the logit scale.
    level, sets = tracked.filtered.mean[:, 0], panel.n_sets.astype(float)
    clean = histories.sessions["n_clean"].to_numpy(dtype=float)
    cohort = cohort_habits(clean, sets, level)
    base = cohort.intercept + cohort.slope * clip_level(level)
    _, who = np.unique(panel.spell, return_inverse=True)
    elasticity, elasticity_sd = _learn_elasticity(tracked)
    return Climbing(
        delays=np.quantile(delays, (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE),
        carry_mean=carry_mean, carry_cov=carry_cov, margin=usual, elasticity=elasticity,
        elasticity_sd=elasticity_sd, factor=factor, factor_sd=factor_sd,
        clean_intercept=cohort.intercept, clean_slope=cohort.slope,
        clean_spread=spread_of_logits(clean, sets, base, who),
    )  # fmt: skip


def learn_factor(days: Array, cleared: Flags, middle: Array) -> tuple[float, float]:
    """Return the log factor on times and its spread; ``days`` (n,) end in clearing, or not."""
    error = (np.log1p(days) - np.log1p(middle))[:, None] - rules.FACTORS
    mass = np.empty((len(rules.SPREADS), len(rules.FACTORS)))
    for row, spread in zip(mass, rules.SPREADS, strict=True):
        z = error / spread
        ended = t.logpdf(z[cleared], rules.DEGREES) - np.log(spread)
        row[:] = ended.sum(axis=0) + t.logsf(z[~cleared], rules.DEGREES).sum(axis=0)
        row -= 0.5 * (np.log(spread / rules.SPREAD) / rules.SPREAD_SD) ** 2
    mass -= 0.5 * (rules.FACTORS / rules.FACTOR_SD) ** 2
    weight = np.exp(mass - mass.max()).sum(axis=0)
    weight /= weight.sum()
    mean = float(weight @ rules.FACTORS)
    return mean, float(np.sqrt(weight @ (rules.FACTORS - mean) ** 2))


def carry_regressors(tracked: Tracked, histories: Histories) -> tuple[Array, Array]:
    """Return, by row of ``histories.spells``, the margin at clearing and the spell's own pace.

    The margin is latent, over the mark, NaN where not cleared; the own pace is what the spell says
    beyond rung and athlete. Both are posterior means, so that a slope on them is one on the truth
    (Carroll et al. 2006, Measurement Error in Nonlinear Models, ch. 4).
    """
    panel = tracked.panel
    margin = tracked.filtered.mean[panel.last, 0] - panel.threshold
    cleared = histories.spells["cleared_on"].notna().to_numpy()
    return np.where(cleared, margin, np.nan), tracked.own_paces()


def _learn_elasticity(tracked: Tracked) -> tuple[float, float]:
    """How gain goes with sessions a week over all spells: association, shrunk to none."""
    panel = tracked.panel
    # Sessions a week on each spell while training, layoffs left out; none for short ones.
    inner = (panel.number > 0) & (panel.gap <= WEEK * panel.grace[panel.spell])
    count = np.bincount(panel.spell[inner], minlength=panel.n_spells)
    days = np.bincount(panel.spell[inner], panel.gap[inner], minlength=panel.n_spells)
    enough = count + 1 >= rules.MIN_RATE_SESSIONS
    if not enough.any():
        return 0.0, rules.ELASTICITY_SD
    log_rate = np.zeros(panel.n_spells)
    log_rate[enough] = np.log(WEEK * count[enough] / np.maximum(days[enough], 1.0))
    log_rate[enough] -= log_rate[enough].mean()
    design = np.zeros((panel.n_spells, 3, 1))
    design[:, 1:, 0] = log_rate[:, None] * tracked.model.fit.pooled.usual(panel.rung)[:, 1:]
    mean, cov = tracked.regress(design, np.array([rules.ELASTICITY_SD]))
    return float(mean[0]), float(np.sqrt(cov[0, 0]))


def spread_of_logits(hits: Array, trials: Array, base: Array, group: Ints) -> float:
    """Return how far groups (numbered from 0) differ on the logit scale, around ``base`` (N,)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(21)
    log_weights = np.log(weights / weights.sum())
    centre, spread = np.log(rules.CLEAN_SPREAD), rules.CLEAN_SPREAD_SD

    def loss(log_spread: float) -> float:
        logit = base[:, None] + np.exp(log_spread) * nodes
        log_p = hits[:, None] * logit - trials[:, None] * np.logaddexp(0.0, logit)
        by_group = np.zeros((int(group.max()) + 1, len(nodes)))
        np.add.at(by_group, group, log_p)
        evidence = np.logaddexp.reduce(by_group + log_weights, axis=1).sum()
        return float(-evidence + 0.5 * ((log_spread - centre) / spread) ** 2)

    return float(np.exp(minimize_scalar(loss, bounds=(-4.0, 1.5), method="bounded").x))
