"""Learn the verdict from invented careers: ``python -m forecast.plateau.learn``, minutes of CPU.

Careers are invented in batches; each club's log is cut at some dates, and the open spells there are
the cases. Further careers, of other clubs, set the limits, and others again score the outcome. The
trees and their card are written beside this file; same numbers and seed, same bytes.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier, HistGradientBoostingRegressor
from sklearn.metrics import roc_auc_score

from forecast.boosted import nodes_of
from forecast.log import in_percent
from forecast.plateau.figures import HABITS, NAMES, Table, figures_at, habits_of, table_of_careers
from forecast.plateau.watch import (
    CLIMBING,
    DEFAULT_FALSE_ALARMS,
    FILE,
    FLAT,
    GAIN_UNIT,
    LOOKS,
    MIN_SESSIONS,
    QUANTILES,
    SLIP,
    SLIPPING,
    SPAN_DAYS,
    STAY,
    STEEP,
    YEAR,
    ClubVerdict,
    VerdictModel,
    centre_of,
    judge,
    looks_back,
    own_shares,
    smallest_gain_at,
    verdicts_at,
)
from forecast.simulate import Careers, invent_careers
from forecast.types import Array, Flags, Ints

LEAST_SPAN = 14
"""Days: a younger spell has no true change; one of less than six weeks, that since its start."""
CUTS = 3
MOST_A_CLUB = 40
"""Cases taken from one club at one date at most, that large clubs do not drown the small."""
LONGEST_AWAY = 182
BATCH = 6000
"""Spells invented at once."""
SEEDS = 100_000
"""Batches that a seed may have."""
TREES: dict[str, Any] = {
    "max_iter": 240, "learning_rate": 0.08, "max_leaf_nodes": 15, "l2_regularization": 5.0,
    "early_stopping": False,
}  # fmt: skip
LEAF_SHARE = 1e-3
"""Least cases in a leaf, of all cases."""
SETTINGS = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0)
BOUNDS = (0.01, 1.0)
WATCHED = 3
"""One spell in so many is watched."""
CHECK = 1500, 987_654
"""Cases, of a seed of their own, that a test scores the shipped trees on again."""
LONG = 7
"""Looks in a row without a gain that matters, twelve weeks in all: a stall that is to be found."""


@dataclass(frozen=True, slots=True)
class Cases:
    """n spells open at a date: ``figures`` (n, F), true ``gain`` and ``level``, ``club`` (n,).

    Clubs are numbered anew at each date.
    """

    figures: Array
    gain: Array
    level: Array
    club: Ints

    @property
    def kind(self) -> Ints:
        """Class of each (n,)."""
        flat = self.gain <= smallest_gain_at(self.level)
        return np.where(self.gain < SLIP, SLIPPING, np.where(flat, FLAT, CLIMBING))


def true_gain(table: Table, level: Array, spell: Ints, at: Ints) -> Array:
    """True change of ``level`` (N,) a week over the six weeks up to sessions ``at`` (n,).

    Between sessions the level is drawn straight. Spells younger than six weeks: since their first
    session; missing in those younger than ``LEAST_SPAN``.
    """
    first, low = table.start[spell], int(table.day.min())
    apart = int(table.day.max()) - low + 1000
    key = table.spell * apart + (table.day - low)
    then = np.maximum(table.day[at] - SPAN_DAYS, table.day[first])
    before = np.interp(spell * apart + (then - low), key, level)
    days = table.day[at] - then
    return np.where(days >= LEAST_SPAN, (level[at] - before) / np.maximum(days / 7.0, 1e-9), np.nan)


def cases_of(careers: Careers, rng: np.random.Generator) -> Cases:
    """Cut each club's log at some dates, and take the spells that are open there."""
    table = table_of_careers(careers)
    end, n, club_of = careers.crew.weeks * 7.0, len(table.start), careers.crew.club
    key, cuts = table.spell * 10**6 + table.day, []
    for number in range(CUTS):
        cut = np.floor(end * rng.uniform(0.25, 1.0, len(end)))[club_of].astype(np.int64)
        at = np.searchsorted(key, np.arange(n) * 10**6 + cut, side="left") - 1
        is_open = (table.length > 0) & (at >= table.start) & (careers.cleared >= cut)
        is_open &= cut - table.day[np.maximum(at, 0)] < LONGEST_AWAY
        some = rng.permutation(np.flatnonzero(is_open))
        some = some[np.argsort(club_of[some], kind="stable")]
        club = club_of[some]
        some = some[np.arange(len(some)) - np.searchsorted(club, club) < MOST_A_CLUB]
        cuts.append((some, at[some], cut[some] - 1, club_of[some] * CUTS + number))
    spell, at, day, club = (np.concatenate(of) for of in zip(*cuts, strict=True))
    gain = true_gain(table, careers.level, spell, at)
    old = np.isfinite(gain)
    spell, at = spell[old], at[old]
    habits = habits_of(table, club_of, club_of[spell], day[old])
    figures = figures_at(table, spell, at, habits)
    return Cases(figures, gain[old], careers.level[at], club[old])


def gather(n_cases: int, seed: int) -> Cases:
    """Invent careers until there are so many cases."""
    batches: list[Cases] = []
    clubs = gathered = 0
    while gathered < n_cases:
        number = len(batches)
        careers = invent_careers(min(BATCH, 3 * n_cases), seed=SEEDS * seed + number)
        cases = cases_of(careers, np.random.default_rng([seed, number]))
        narrow: Any = cases.figures.astype(np.float32)
        batches.append(replace(cases, figures=narrow, club=cases.club + clubs))
        clubs, gathered = clubs + CUTS * len(careers.crew.weeks), gathered + len(cases.gain)
        say(f"careers of seed {seed}", gathered / n_cases)
    return Cases(*(np.concatenate([getattr(b, name) for b in batches]) for name in Cases.__slots__))


def say(what: str, share: float) -> None:
    """Show how far the work has come."""
    print(f"{what}: {in_percent(min(share, 1.0))}", file=sys.stderr, flush=True)


def grow(cases: Cases, seed: int, **settings: Any) -> tuple[VerdictModel, list[Any]]:
    """Fit the trees and return them as arrays, limits still to be set, and scikit-learn's own."""
    asked = {**TREES, **settings, "random_state": seed}
    asked["min_samples_leaf"], kind = max(20, round(LEAF_SHARE * len(cases.gain))), cases.kind
    four = np.where((kind == CLIMBING) & (cases.gain > STEEP), 0, kind + 1)
    fitted: list[Any] = [HistGradientBoostingClassifier(**asked).fit(cases.figures, four)]
    say("trees", 0.7)
    asked["max_iter"] = max(asked["max_iter"] // 2, 1)
    beside = np.arcsinh(cases.gain / GAIN_UNIT) - centre_of(cases.figures.astype(np.float64))
    for place, share in enumerate(QUANTILES):
        one = HistGradientBoostingRegressor(loss="quantile", quantile=share, **asked)
        fitted.append(one.fit(cases.figures, beside))
        say("trees", 0.8 + 0.1 * place)
    low, high = np.quantile(cases.figures, [0.005, 0.995], axis=0).astype(float)
    outside = ((cases.figures < low) | (cases.figures > high)).mean(axis=1)
    model = VerdictModel(
        **nodes_of(fitted), low=low, high=high, most_outside=np.quantile(outside, 0.99),
        shares=np.bincount(kind, minlength=3) / len(kind),
        habits=np.median(cases.figures[:, -len(HABITS) :], axis=0).astype(float),
        settings=np.array(SETTINGS), limits=np.full(len(SETTINGS), BOUNDS[0]),
    )  # fmt: skip
    return model, fitted


def watch_careers(model: VerdictModel, n_careers: int, seed: int) -> Array:
    """Look back, week by week, over careers of other clubs than those learnt from, (4, S, LOOKS).

    Of S spells, newest first, missing where there is no look: chances of no progress and of steep
    climbing, true gain, and the smallest that matters.
    """
    parts: list[Array] = []
    for number in range(-(-n_careers // BATCH)):
        careers = invent_careers(min(BATCH, n_careers), seed=SEEDS * seed + SEEDS // 2 + number)
        table = table_of_careers(careers)
        own = np.flatnonzero(table.length >= MIN_SESSIONS)[::WATCHED]
        at = table.start[own] + table.length[own] - 1
        which, back, session = looks_back(table, own, at)
        clubs, end = careers.crew.club, (7.0 * careers.crew.weeks).astype(np.int64)
        habits = habits_of(table, clubs, clubs[own], end[clubs[own]])[which]
        as_usual = ClubVerdict(model.shares, 0, habits)
        verdict = verdicts_at(table, own[which], session, as_usual, model=model)
        looks = np.full((4, len(own), LOOKS), np.nan)
        true = true_gain(table, careers.level, own[which], session)
        matters = smallest_gain_at(careers.level[session])
        looks[:, which, back] = verdict.p_stuck, verdict.steep, true, matters
        parts.append(looks)
        say(f"looks of seed {seed}", BATCH * (number + 1) / n_careers)
    return np.concatenate(parts, axis=1)


def set_limits(model: VerdictModel, looks: Array) -> VerdictModel:
    """Return the trees with the limits that give so many false alarms a year on careers.

    False: raised while the true gain over six weeks was above ``STEEP``; a year of such climbing.
    """
    limits = np.geomspace(*BOUNDS, 80)
    rate = np.array([alarms(looks, limit)["false, steep year"] for limit in limits])
    kept = [limits[rate <= wanted].max(initial=BOUNDS[0]) for wanted in SETTINGS]
    return replace(model, limits=np.array(kept))


def alarms(looks: Array, limit: float) -> dict[str, float]:
    """Count alarms at a limit of the chance of steep climbing beside that of no progress."""
    p, p_steep, gain, least = looks
    raised, up = raised_at(p, p_steep <= limit * p)
    steep, still = gain > STEEP, gain <= least
    long = still.copy()
    for back in range(1, LONG):  # newest first: moved left is what was before
        before = np.zeros_like(still)
        before[:, :-back] = still[:, back:]
        long &= before
    return {
        "false, steep year": float((raised & steep).sum() / max(steep.sum() / YEAR, 1e-9)),
        "alarms a year": float(raised.sum() / max(np.isfinite(p).sum() / YEAR, 1e-9)),
        "alarms while still": float((raised & still).sum() / max(raised.sum(), 1)),
        "up after 12 weeks still": float((up & long).sum() / max(long.sum(), 1)),
    }


def raised_at(p: Array, ready: Flags) -> tuple[Flags, Flags]:
    """At which looks (n, LOOKS), newest first, a flag goes up, and at which it is up."""
    up = np.zeros(len(p), dtype=bool)
    raised, flying = np.zeros((2, *p.shape), dtype=bool)
    for k in range(p.shape[1] - 1, -1, -1):
        seen = np.isfinite(p[:, k])
        now = np.where(seen, (p[:, k] >= STAY) & (up | ready[:, k]), up)
        raised[:, k], flying[:, k] = now & ~up, now & seen
        up = now
    return raised, flying


def scores(model: VerdictModel, cases: Cases) -> dict[str, Any]:
    """Scores on cases, each club's chances moved by its own shares."""
    figures = cases.figures.astype(np.float64)
    chances, shares = judge(model, figures, model.shares).chances, np.empty((len(figures), 3))
    order = np.argsort(cases.club, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(cases.club[order])) + 1):
        shares[rows] = own_shares(chances[rows], model.shares)
    verdict = judge(model, figures, shares)
    chances, gains = verdict.chances, verdict.gains
    p, stuck = 1.0 - chances[:, CLIMBING], cases.kind != CLIMBING
    inside = (cases.gain >= gains[:, 0]) & (cases.gain <= gains[:, 2])
    tenth = np.minimum((10 * p).astype(int), 9)
    off = [p[tenth == k].mean() - stuck[tenth == k].mean() for k in range(10) if (tenth == k).any()]
    flat, p_flat = cases.kind == FLAT, chances[:, FLAT]
    figures_of = {
        "cases": len(p),
        "clubs": len(np.unique(cases.club // CUTS)),
        "no progress": stuck.mean(),
        "no progress, said": p.mean(),
        "no progress, Brier / base rate": ((p - stuck) ** 2).mean() / stuck.var(),
        "no progress, AUC": roc_auc_score(stuck, p),
        "flat, Brier / base rate": ((p_flat - flat) ** 2).mean() / flat.var(),
        "flat, AUC": roc_auc_score(flat, p_flat),
        "furthest tenth": np.abs(off).max(),
        "gain in its 80 % range": inside.mean(),
    }
    return {name: round(float(value), 4) for name, value in figures_of.items()}


def digest(model: VerdictModel) -> str:
    """First twelve letters of the hash of all arrays."""
    arrays = (np.asarray(getattr(model, name)) for name in sorted(VerdictModel.__slots__))
    return hashlib.sha256(b"".join(array.tobytes() for array in arrays)).hexdigest()[:12]


def main(argv: list[str] | None = None) -> None:
    """Invent careers, fit, set the limits, score, and write the trees and their card."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--cases", type=int, default=200_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_name(FILE))
    asked = parser.parse_args(argv)
    cases = gather(asked.cases, 3 * asked.seed)
    model, _ = grow(cases, asked.seed)
    looks = watch_careers(model, max(asked.cases // 8, 300), 3 * asked.seed + 1)
    model = set_limits(model, looks)
    limit = float(model.limits[SETTINGS.index(DEFAULT_FALSE_ALARMS)])
    card = {
        "command": f"python -m forecast.plateau.learn --cases {asked.cases} --seed {asked.seed}",
        "cases": len(cases.gain),
        "clubs": len(np.unique(cases.club // CUTS)),
        "shares": [round(float(share), 4) for share in model.shares],
        "figures": len(NAMES),
        "trees": len(model.roots),
        "left out": scores(model, gather(max(asked.cases // 10, 300), 3 * asked.seed + 2)),
        "check": scores(model, gather(*CHECK)),
        "alarms": {k: round(v, 3) for k, v in alarms(looks, limit).items()},
        "hash": digest(model),
    }
    arrays = {name: np.asarray(getattr(model, name)) for name in VerdictModel.__slots__}
    whole = {name: a.astype(np.int32) for name, a in arrays.items() if a.dtype.kind == "i"}
    np.savez_compressed(asked.out, allow_pickle=False, **{**arrays, **whole})
    text = json.dumps(card, indent=1)
    asked.out.with_suffix(".json").write_text(text + "\n")
    print(text)


if __name__ == "__main__":
    main()
