"""Learn the verdict from invented careers: ``python -m forecast.plateau.learn --careers 200000``.

Careers are invented in batches; each club's log is cut at two dates, and the open spells there are
the cases. A tenth of the clubs is left out of the trees, to score them and to set the limits.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.metrics import roc_auc_score

from forecast.plateau.figures import HABITS, NAMES, Table, figures_at, habits_of, table_of_careers
from forecast.plateau.trees import (
    CLIMBING,
    FILE,
    FLAT,
    GAIN_UNIT,
    SLIP,
    SLIPPING,
    VerdictModel,
    chances_of,
    gains_of,
    smallest_gain_at,
)
from forecast.plateau.watch import (
    LOOKS,
    MIN_SESSIONS,
    SPAN_DAYS,
    STAY,
    ClubVerdict,
    attendance,
    enough_record,
    looks_back,
    verdicts_at,
)
from forecast.simulate import Careers, invent_careers
from forecast.types import Array, Flags, Ints

LEAST_SPAN = 14
"""Days: a younger spell has no true change; one of less than six weeks, that since its start."""
CUTS = 2
MOST_A_CLUB = 80
"""Cases taken from one club at one date at most, that large clubs do not drown the small."""
LONGEST_AWAY = 182
BATCH = 6000
"""Spells invented at once."""
SEEDS = 100_000
"""Batches that a seed may have."""
QUANTILES = (0.1, 0.5, 0.9)
TREES: dict[str, Any] = {
    "max_iter": 300, "learning_rate": 0.06, "max_leaf_nodes": 15, "l2_regularization": 5.0,
    "early_stopping": False,
}  # fmt: skip
LEAF_SHARE = 1e-3
"""Least cases in a leaf, of all cases."""
SETTINGS = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
EDGES = (1.0, 2.0)
CLIMBS = 0.03
"""A true gain a week over six weeks above which an alarm is surely false (judgement)."""
BOUNDS = (0.5, 0.995)


@dataclass(frozen=True, slots=True)
class Cases:
    """n spells open at a date: ``figures`` (n, F), true ``gain`` and ``level``, ``club`` (n,)."""

    figures: Array
    gain: Array
    level: Array
    club: Ints

    @property
    def kind(self) -> Ints:
        """Class of each (n,)."""
        return kinds_of(self.gain, self.level)


def kinds_of(gain: Array, level: Array) -> Ints:
    """Class by the true gain a week, and by the true level that sets the smallest that matters."""
    flat = gain <= smallest_gain_at(level)
    return np.where(gain < SLIP, SLIPPING, np.where(flat, FLAT, CLIMBING))


def true_gain(table: Table, level: Array, spell: Ints, at: Ints) -> Array:
    """True change of ``level`` (N,) a week over the six weeks up to sessions ``at`` (n,).

    Between sessions the level is drawn straight. Spells younger than six weeks: since their first
    session; missing in those younger than ``LEAST_SPAN``.
    """
    first = table.start[spell]
    apart = int(table.day.max() - table.day.min()) + 1000
    low = int(table.day.min())
    key = table.spell * apart + (table.day - low)
    then = np.maximum(table.day[at] - SPAN_DAYS, table.day[first])
    right = np.searchsorted(key, spell * apart + (then - low), side="left")
    left = np.maximum(right - 1, first)
    gap = table.day[right] - table.day[left]
    share = np.where(gap > 0, (then - table.day[left]) / np.maximum(gap, 1), 1.0)
    before = level[left] * (1.0 - share) + level[right] * share
    days = table.day[at] - then
    return np.where(days >= LEAST_SPAN, (level[at] - before) / np.maximum(days / 7.0, 1e-9), np.nan)


def cases_of(careers: Careers, rng: np.random.Generator) -> Cases:
    """Cut each club's log at two dates, and take the spells that are open there."""
    table = table_of_careers(careers)
    end, n, club_of = careers.crew.weeks * 7.0, len(table.start), careers.crew.club
    key = table.spell * 10**6 + table.day
    spells, sessions, days = [], [], []
    for _ in range(CUTS):
        cut = np.floor(end * rng.uniform(0.25, 1.0, len(end)))[club_of].astype(np.int64)
        at = np.searchsorted(key, np.arange(n) * 10**6 + cut, side="left") - 1
        is_open = (table.length > 0) & (at >= table.start) & (careers.cleared >= cut)
        is_open &= cut - table.day[np.maximum(at, 0)] < LONGEST_AWAY
        some = rng.permutation(np.flatnonzero(is_open))
        some = some[np.argsort(club_of[some], kind="stable")]
        club = club_of[some]
        some = some[np.arange(len(some)) - np.searchsorted(club, club) < MOST_A_CLUB]
        spells.append(some)
        sessions.append(at[some])
        days.append(cut[some] - 1)
    spell, at = np.concatenate(spells), np.concatenate(sessions)
    gain = true_gain(table, careers.level, spell, at)
    old = np.isfinite(gain)
    spell, at = spell[old], at[old]
    habits = habits_of(table, club_of, club_of[spell], np.concatenate(days)[old])
    figures = figures_at(table, spell, at, habits)
    return Cases(figures, gain[old], careers.level[at], club_of[spell])


def gather(n_careers: int, seed: int) -> Cases:
    """Invent careers until there are so many cases."""
    batches: list[Cases] = []
    number, clubs, n_cases = 0, 0, 0
    while n_cases < n_careers:
        careers = invent_careers(min(BATCH, 3 * n_careers), seed=SEEDS * seed + number)
        cases = cases_of(careers, np.random.default_rng([seed, number]))
        narrow: Any = cases.figures.astype(np.float32)
        batches.append(replace(cases, figures=narrow, club=cases.club + clubs))
        number, clubs = number + 1, clubs + len(careers.crew.weeks)
        n_cases += len(cases.gain)
    return Cases(*(np.concatenate([getattr(b, name) for b in batches]) for name in Cases.__slots__))


def grow(cases: Cases, seed: int, **settings: Any) -> tuple[VerdictModel, list[Any]]:
    """Fit the trees and return them as arrays, limits still to be set, and scikit-learn's own."""
    asked = {**TREES, **settings, "random_state": seed}
    asked["min_samples_leaf"] = max(20, round(LEAF_SHARE * len(cases.gain)))
    kind = cases.kind
    fitted: list[Any] = [HistGradientBoostingClassifier(**asked).fit(cases.figures, kind)]
    asked["max_iter"] = max(asked["max_iter"] // 2, 1)
    gain = np.arcsinh(cases.gain / GAIN_UNIT)
    for share in QUANTILES:
        one = HistGradientBoostingRegressor(loss="quantile", quantile=share, **asked)
        fitted.append(one.fit(cases.figures, gain))
    low, high = np.quantile(cases.figures, [0.005, 0.995], axis=0).astype(float)
    outside = ((cases.figures < low) | (cases.figures > high)).mean(axis=1)
    shares = np.bincount(kind, minlength=3) / len(kind)
    model = VerdictModel(
        **as_arrays(fitted), low=low, high=high, most_outside=np.quantile(outside, 0.99),
        shares=shares, habits=np.median(cases.figures[:, -len(HABITS) :], axis=0).astype(float),
        settings=np.array(SETTINGS), edges=np.array(EDGES),
        limits=np.full((len(SETTINGS), len(EDGES) + 1), 0.8),
    )  # fmt: skip
    return model, fitted


def as_arrays(fitted: list[Any]) -> dict[str, Any]:
    """Trees of scikit-learn's classifier and regressors as the arrays of ``VerdictModel``."""
    trees, outputs, base = [], [], []
    for place, one in enumerate(fitted):
        first = 0 if place == 0 else 2 + place
        state = one.__getstate__()  # scikit-learn has no public door to the nodes
        base += list(np.ravel(state["_baseline_prediction"]))
        for stage in state["_predictors"]:
            trees += [tree.nodes for tree in stage]
            outputs += list(range(first, first + len(stage)))
    nodes = np.concatenate(trees)
    leaf = nodes["is_leaf"].astype(bool)
    size = np.array([len(tree) for tree in trees])
    return {
        "trees": np.column_stack([np.cumsum(size) - size, outputs]),
        "links": np.column_stack(
            [np.where(leaf, -1, nodes["feature_idx"]), nodes["left"], nodes["right"]]
        ).astype(np.int64),
        "threshold": np.where(leaf, 0.0, nodes["num_threshold"]),
        "value": np.where(leaf, nodes["value"], 0.0),
        "base": np.array(base, dtype=float),
    }


@dataclass(frozen=True, slots=True)
class Watched:
    """A look a week at S spells of careers, newest first, (S, LOOKS), missing where there is none.

    ``p`` chance of no progress; ``ready`` whether a flag may go up; ``gain`` true; ``least`` the
    smallest that matters; ``group`` (S,) class of attendance.
    """

    p: Array
    ready: Flags
    gain: Array
    least: Array
    group: Ints


def watch_careers(model: VerdictModel, n_careers: int, seed: int) -> Watched:
    """Look back, week by week, over careers left out."""
    careers = invent_careers(n_careers, seed=SEEDS * seed + SEEDS // 2)
    table = table_of_careers(careers)
    own = np.flatnonzero(table.length >= MIN_SESSIONS)
    at = table.start[own] + table.length[own] - 1
    which, back, session = looks_back(table, own, at)
    judged = enough_record(table, own[which], session)
    which, back, session = which[judged], back[judged], session[judged]
    p, gain, least = (np.full((len(own), LOOKS), np.nan) for _ in range(3))
    ready = np.zeros(p.shape, dtype=bool)
    clubs, end = careers.crew.club, (7.0 * careers.crew.weeks).astype(np.int64)
    habits = habits_of(table, clubs, clubs[own], end[clubs[own]])[which]
    as_usual = ClubVerdict(model.shares, 0, habits)
    said = verdicts_at(table, own[which], session, as_usual, model=model)
    p[which, back], ready[which, back] = said.p_stuck, said.may_alarm
    gain[which, back] = true_gain(table, careers.level, own[which], session)
    least[which, back] = smallest_gain_at(careers.level[session])
    group = np.searchsorted(np.array(EDGES), attendance(table, own, at))
    return Watched(p, ready, gain, least, group)


def set_limits(model: VerdictModel, seen: Watched) -> VerdictModel:
    """Return the trees with the limits that give so many false alarms a year on careers.

    False: raised while the true gain was above the smallest that matters from four weeks before to
    three weeks after (a year of training), or more than ``CLIMBS`` (a year of such climbing).
    """
    sure, flat = seen.gain > CLIMBS, seen.gain <= seen.least
    goes_on = np.isfinite(seen.gain) & ~flat
    for shift in (*range(-4, 0), *range(1, 4)):  # newest first: rolled left is what was before
        near = np.roll(flat, shift, axis=1)
        near[:, shift:] &= shift > 0
        near[:, : max(shift, 0)] = False
        goes_on &= ~near
    limits = np.linspace(*BOUNDS, 80)
    out = np.empty((len(SETTINGS), len(EDGES) + 1))
    for g in range(len(EDGES) + 1):
        rows = seen.group == g
        years = np.isfinite(seen.p[rows]).sum() / 52.18
        climbing = max(sure[rows].sum() / 52.18, 1e-9)
        rate = np.empty(len(limits))
        for k, limit in enumerate(limits):
            raised = raised_at(seen.p[rows], seen.ready[rows] & (seen.p[rows] >= limit))
            rate[k] = max(
                (raised & goes_on[rows]).sum() / years, (raised & sure[rows]).sum() / climbing
            )
        for k, wanted in enumerate(SETTINGS):
            kept = np.flatnonzero(rate <= wanted)
            out[k, g] = limits[kept[0]] if len(kept) else BOUNDS[1]
    return replace(model, limits=out)


def raised_at(p: Array, ready: Flags) -> Flags:
    """At which looks (n, LOOKS), newest first, a flag goes up, looks read from the oldest on."""
    up, before = np.zeros(len(p), dtype=bool), np.zeros(len(p), dtype=bool)
    raised = np.zeros(p.shape, dtype=bool)
    for k in range(p.shape[1] - 1, -1, -1):
        seen = np.isfinite(p[:, k])
        agrees = p[:, k] >= STAY
        now = np.where(seen, agrees & (up | (before & ready[:, k])), up)
        raised[:, k] = now & ~up
        up, before = now, np.where(seen, agrees, before)
    return raised


def scores(model: VerdictModel, cases: Cases) -> dict[str, float]:
    """Scores of the trees on cases: of no progress at all, and cover of the gain's 80 % range."""
    outputs = model.outputs(cases.figures.astype(np.float64))
    p, gains, stuck = 1.0 - chances_of(outputs)[:, CLIMBING], gains_of(outputs), cases.kind > 0
    inside = (cases.gain >= gains[:, 0]) & (cases.gain <= gains[:, 2])
    found = {
        "careers": float(len(p)),
        "clubs": float(len(np.unique(cases.club))),
        "no progress": float(stuck.mean()),
        "said": float(p.mean()),
        "Brier": float(((p - stuck) ** 2).mean()),
        "base rate's Brier": float(stuck.mean() * (1.0 - stuck.mean())),
        "AUC": float(roc_auc_score(stuck, p)),
        "gain in its 80 % range": float(inside.mean()),
    }
    return {name: round(value, 4) for name, value in found.items()}


def write(model: VerdictModel, path: Path) -> str:
    """Write the trees; return the first twelve letters of their hash."""
    arrays = {name: np.asarray(getattr(model, name)) for name in VerdictModel.__slots__}
    kept: dict[str, Any] = {**arrays, "links": arrays["links"].astype(np.int16)}
    np.savez_compressed(path, **kept)
    text = b"".join(arrays[name].tobytes() for name in sorted(arrays))
    return hashlib.sha256(text).hexdigest()[:12]


def main(argv: list[str] | None = None) -> None:
    """Invent careers, fit, set the limits, write the trees and print their card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--careers", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name(FILE))
    asked = parser.parse_args(argv)
    model, _ = grow(gather(asked.careers, 2 * asked.seed), asked.seed)
    seen = watch_careers(model, max(asked.careers // 8, 2000), 2 * asked.seed + 1)
    model = set_limits(model, seen)
    told = scores(model, gather(max(asked.careers // 10, 1000), 2 * asked.seed + 1))
    card = {"careers": asked.careers, "seed": asked.seed, "figures": len(NAMES), "left out": told}
    print(json.dumps({**card, "hash": write(model, asked.out)}, indent=1))


if __name__ == "__main__":
    main()
