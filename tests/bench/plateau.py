"""Count false alarms and found stalls of the plateau watch in invented worlds.

For each law of progress and seed: make a cohort, fit the growth engine and learn the rules on 40
athletes, watch the others session by session over the whole log, and compare with the true levels.

    python tests/bench/plateau.py --seeds 3 --jobs 1
    python tests/bench/plateau.py --laws stalls --seeds 2 --no-informed

A false alarm is a flag raised where the true level rose by more than the smallest gain that matters
around every session of the last four weeks (``progress_goes_on``). The stricter count beside it
("by law") takes the law's own expected gain, which between two jumps, or in a passing dip, is not
what the level did. Found stalls: true gain 0 for 12 weeks or more at 2 to 3 sessions a week. The
comparison tools and the detector told the law are given their limits on the truth: once at the
false alarms that the watch itself had, once at the setting.
"""

# ruff: noqa: E402  (threads must be pinned, and the checkout found, before numpy is imported)
from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "tests")]

import numpy as np
import pandas as pd
import ruptures
from forecast.plateau.alarms import enough_record
from forecast.plateau.onset import date_onset
from forecast.plateau.progress import progress_goes_on, smallest_gain_at
from forecast.plateau.traces import steps, years_of_training
from reference.control_charts import cusum
from reference.informed import _rounds, _steps, _visible
from reference.likelihood import session_likelihood
from reference.particles import _resample, begin_spells, draw_traits
from scipy.special import logit

from forecast.growth import fit_growth_model, motion_of, track
from forecast.histories import Histories, build_histories
from forecast.log import TrainingLog
from forecast.plateau import Traces, limits_for, rules_from, traces_of
from forecast.simulate import LAWS, SimulatedCohort, simulate_cohort

SETTINGS = (0.05, 0.1, 0.2, 0.5, 1.0)
FIT_ON = 40
LEAST_STALL, RATES = 12.0, (2.0, 3.0)
RELEASE, SILENT = 1.0, -9.0
"""The comparison tools' flags go up past a limit, and come down when the score is so far below."""


def past_limit(traces: Traces, score: np.ndarray, limit: float) -> tuple[np.ndarray, np.ndarray]:
    """Say where a comparison tool's flag is up (N,), and where it went up."""
    flagged, raised = np.zeros(len(score), dtype=bool), np.zeros(len(score), dtype=bool)
    up = np.zeros(traces.n_spells, dtype=bool)
    for n, at in steps(traces):
        now = np.where(up[:n], score[at] > limit - RELEASE, score[at] > limit)
        flagged[at], raised[at] = now, now & ~up[:n]
        up = now
    return flagged, raised


@dataclass(frozen=True, slots=True)
class World:
    """One world to watch."""

    law: str
    seed: int
    athletes: int
    informed: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of each watched session: ``goes_on``, ``law_goes_on`` (N,), years, stalls."""

    goes_on: np.ndarray
    law_goes_on: np.ndarray
    years: float
    stalls: list[tuple[int, int]]


def part_of(log: TrainingLog, names: set[str], inside: bool) -> TrainingLog:
    """Return the log of these athletes, or of all others."""
    keep = log.sets["athlete"].isin(names)
    sets = log.sets[keep if inside else ~keep].reset_index(drop=True)
    return replace(log, sets=sets, rows_in=len(sets))


def truth_of(cohort: SimulatedCohort, histories: Histories, rows: np.ndarray, traces: Traces):
    """Line the true levels and gains up with the watched sessions."""
    keys = ["athlete", "rung", "date"]
    sessions = histories.sessions.iloc[rows][keys].reset_index(drop=True)
    true = sessions.merge(cohort.levels, on=keys, how="left", validate="one_to_one")
    if true["gain"].isna().any():
        raise RuntimeError("a watched session has no true level")
    level, gain = true["level"].to_numpy(), true["gain"].to_numpy()
    on = progress_goes_on(traces, level[:, None])[:, 0]
    # The law's own gain summed up: a level without wiggle, jumps or loss.
    law_level = _summed(traces, gain)
    law_on = progress_goes_on(traces, law_level[:, None], _constant(level))[:, 0]
    return Truth(on, law_on, years_of_training(traces), _stalls(traces, gain))


def _constant(level: np.ndarray) -> float:
    return float(np.median(smallest_gain_at(level)))


def _summed(traces: Traces, gain: np.ndarray) -> np.ndarray:
    step = traces.rest * 0.5 * (gain + np.concatenate([gain[:1], gain[:-1]]))
    step[traces.start] = 0.0
    total = np.cumsum(step)
    return total - np.repeat(total[traces.start], traces.length)


def _stalls(traces: Traces, gain: np.ndarray) -> list[tuple[int, int]]:
    """First and last session of each long stall at the usual rates of training."""
    found = []
    for start, length in zip(traces.start, traces.length, strict=True):
        still = np.concatenate([[False], gain[start : start + length] == 0.0, [False]])
        turns = np.flatnonzero(np.diff(still.astype(int)))
        for first, past in zip(turns[::2], turns[1::2], strict=True):
            a, b = start + first, start + past - 1
            weeks = (traces.day[b] - traces.day[a]) / 7.0
            if weeks >= LEAST_STALL and RATES[0] <= (b - a) / weeks <= RATES[1]:
                found.append((int(a), int(b)))
    return found


def delays_of(traces: Traces, flagged: np.ndarray, stalls: list[tuple[int, int]]) -> np.ndarray:
    """Weeks from the start of each stall until a flag is up in it; infinite where never."""
    waits = []
    for a, b in stalls:
        up = np.flatnonzero(flagged[a : b + 1])
        waits.append((traces.day[a + up[0]] - traces.day[a]) / 7.0 if len(up) else np.inf)
    return np.array(waits)


def tally(tool: str, setting: float, traces: Traces, truth: Truth, flagged, raised) -> dict:
    """One row: alarms, false alarms by both counts, and stalls found."""
    waits = delays_of(traces, flagged, truth.stalls)
    return {
        "tool": tool,
        "setting": setting,
        "years": truth.years,
        "alarms": int(raised.sum()),
        "false": int((raised & truth.goes_on).sum()),
        "false_by_law": int((raised & truth.law_goes_on).sum()),
        "stalls": len(waits),
        **{f"within_{w}": int((waits <= w).sum()) for w in (4, 7, 12)},
        "found": int(np.isfinite(waits).sum()),
    }


def tuned(traces: Traces, score: np.ndarray, truth: Truth, wanted: float):
    """Flags of a score with the limit that gives so many false alarms a year on the truth."""
    low, high = float(np.min(score)) - 1.0, float(np.max(score)) + 1.0
    for _ in range(22):
        middle = 0.5 * (low + high)
        _, raised = past_limit(traces, score, middle)
        if (raised & truth.goes_on).sum() / truth.years > wanted:
            low = middle
        else:
            high = middle
    return past_limit(traces, score, high)


def other_scores(traces: Traces) -> dict[str, np.ndarray]:
    """Scores of a textbook CUSUM and of penalised change points, week by week, at each session."""
    scores = {name: np.full(traces.n_sessions, -5.0) for name in ("cusum", "ruptures")}
    for start, length in zip(traces.start, traces.length, strict=True):
        own = slice(start, start + length)
        week = ((traces.day[own] - traces.day[start]) // 7).astype(int)
        heard = np.isfinite(traces.var[own])
        level = pd.Series(traces.level[own][heard]).groupby(week[heard]).mean()
        level = level.reindex(range(week[-1] + 1)).interpolate(limit_direction="both")
        if len(level) < 8:
            continue
        change = np.diff(level.to_numpy())
        by_week = {"cusum": _cusum_score(change), "ruptures": _ruptures_score(change)}
        for name, score in by_week.items():
            # A week is known when it is over: its score serves the sessions of the next.
            known = np.concatenate([[-5.0, -5.0], score])
            scores[name][own] = known[np.minimum(week, len(known) - 1)]
    return scores


def _cusum_score(change: np.ndarray) -> np.ndarray:
    """Lower CUSUM of weekly gains against the first six weeks, half way to no gain at all."""
    usual, spread = change[:6].mean(), max(change[:6].std(ddof=1), 0.02)
    total = cusum((usual - change) / spread, max(usual / spread, 0.0) / 2.0)
    total[:6] = -5.0
    return total


def _ruptures_score(change: np.ndarray) -> np.ndarray:
    """Standard errors by which the last segment's mean gain is below half a per cent a week."""
    spread = max(float(np.std(np.diff(change)) / np.sqrt(6.0)), 0.01)
    out = np.full(len(change), -5.0)
    for end in range(6, len(change) + 1):
        seen = change[:end]
        cuts = ruptures.KernelCPD(kernel="linear", min_size=3).fit(seen[:, None])
        last = ([0, *cuts.predict(pen=2.0 * spread**2 * np.log(end))])[-2]
        part = seen[last:]
        out[end - 1] = (0.005 - part.mean()) / (spread / np.sqrt(len(part)))
    return out


def informed_score(
    cohort: SimulatedCohort, histories: Histories, rows: np.ndarray, particles: int, seed: int
) -> np.ndarray:
    """Log odds of being stalled, by a particle filter told the law and all its constants."""
    rng = np.random.default_rng(seed)
    spells, sessions, sets = _visible(cohort, cohort.end)
    law, population = cohort.law_object, cohort.population
    likelihood = session_likelihood(
        sets, sets["session"].to_numpy(dtype=np.intp), population, law.form_df
    )
    traits = draw_traits(rng, population, len(cohort.athletes), particles)
    rate = cohort.athletes["rate"].to_numpy()
    stalled = np.full(int(sessions["session"].max()) + 1, np.nan)
    for group in _rounds(spells):
        who = group["who"].to_numpy(dtype=np.intp)
        part = traits.take(who)
        began = (group["started"] - pd.Timestamp("1970-01-01")).dt.days.to_numpy(dtype=float)
        state = begin_spells(
            rng, law, population, part, group["place"].to_numpy(dtype=np.intp), rate[who], began
        )
        steps = _steps(group, sessions, rate[who])
        weight = np.zeros(part.trait.shape)
        for k in range(steps.days.shape[1]):
            state = law.advance(state, steps.days[:, k, None], steps.trained[:, k, None], rng)
            seen = np.flatnonzero(steps.session[:, k] >= 0)
            if not seen.size:
                continue
            here = steps.session[seen, k]
            weight[seen] += likelihood.at(
                here[:, None], part.noise_class[seen], law.level(state)[seen]
            )
            share = np.exp(weight[seen] - weight[seen].max(axis=1, keepdims=True))
            share /= share.sum(axis=1, keepdims=True)
            stalled[here] = (share * (state["moving"][seen] == 0)).sum(axis=1)
            state, part = _resample(rng, law, state, part, weight, 0.5)
        state, part = _resample(rng, law, state, part, weight, np.inf)
        traits.put(who, part)
    sessions["odds"] = logit(np.clip(stalled[sessions["session"]], 1e-4, 1 - 1e-4))
    sessions["athlete"] = cohort.athletes["athlete"].to_numpy()[sessions["who"]]
    sessions["rung"] = np.array(cohort.ladder.keys)[sessions["place"]]
    keys = ["athlete", "rung", "date"]
    watched = histories.sessions.iloc[rows][keys].reset_index(drop=True)
    joined = watched.merge(sessions[[*keys, "odds"]], on=keys, how="left", validate="one_to_one")
    return joined["odds"].fillna(SILENT).to_numpy()


def run_world(world: World) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Watch one world; return the tally, and how well starts were dated at the default."""
    cohort = simulate_cohort(
        world.law, world.athletes, seed=1000 + world.seed, weeks=104, follow_up=0
    )
    learnt = set(cohort.athletes["athlete"][:FIT_ON])
    growth = fit_growth_model(build_histories(part_of(cohort.log, learnt, True)))
    reference = build_histories(part_of(cohort.log, learnt, True))
    rules = rules_from(
        traces_of(growth, track(growth, reference)), motion_of(growth), seed=world.seed
    )
    histories = build_histories(part_of(cohort.log, learnt, False))
    tracked = track(growth, histories)
    traces = traces_of(growth, tracked)
    panel = tracked.panel  # the watch has its spells by length
    by_spell = [np.arange(panel.start[s], panel.last[s] + 1) for s in panel.longest_first]
    watched = np.concatenate(by_spell)
    truth = truth_of(cohort, histories, watched, traces)
    rows, starts = [], pd.DataFrame()
    others = other_scores(traces) if world.law == "stalls" else {}
    if world.law == "stalls" and world.informed:
        told = informed_score(cohort, histories, watched, 1000, world.seed)
        others["told the law"] = np.where(enough_record(traces), told, SILENT)
    for setting in SETTINGS:
        seen = rules.watch(traces, limits_for(rules, setting))
        row = tally("watch", setting, traces, truth, seen.flagged, seen.raised)
        rows.append(row)
        for name, score in others.items():
            flags = tuned(traces, score, truth, row["false"] / truth.years)
            rows.append(tally(name, setting, traces, truth, *flags))
            flags = tuned(traces, score, truth, setting)
            rows.append(tally(f"{name}, at the setting", setting, traces, truth, *flags))
        if setting == 0.2:
            starts = date_starts(traces, rules, seen.flagged, truth)
    table = pd.DataFrame(rows).assign(law=world.law, seed=world.seed)
    return table, starts


def date_starts(traces: Traces, rules, flagged: np.ndarray, truth: Truth) -> pd.DataFrame:
    """Date the start of each stall found, on the day it was found."""
    rows = []
    spell, number = traces.spell, traces.number
    for a, b in truth.stalls:
        up = np.flatnonzero(flagged[a : b + 1])
        if not len(up):
            continue
        at = a + up[0]
        onset = date_onset(
            traces, rules.switching, int(spell[at]), int(number[at] + 1),
            smallest_gain=None, seed=rules.seed,
        )  # fmt: skip
        off = (onset.middle - traces.day[a]) / 7.0
        inside = onset.low - 3 <= traces.day[a] <= onset.high + 3
        rows.append({"off_weeks": off, "in_range": inside})
    return pd.DataFrame(rows)


def report(table: pd.DataFrame, starts: pd.DataFrame) -> str:
    """Say what was counted."""
    sums = table.groupby(["tool", "setting", "law"]).sum(numeric_only=True).reset_index()
    for name in ("alarms", "false", "false_by_law"):
        sums[f"{name}_a_year"] = sums[name] / sums["years"]
    own = sums[sums["tool"] == "watch"]
    parts = ["False alarms a year of training, by setting"]
    for name in ("false_a_year", "false_by_law_a_year", "alarms_a_year"):
        parts.append(f"\n{name}\n" + own.pivot(index="law", columns="setting", values=name)
                     .round(3).to_string())  # fmt: skip
    all_laws = own.groupby("setting")[["false", "years"]].sum()
    parts.append("\nall laws\n" + (all_laws["false"] / all_laws["years"]).round(3).to_string())
    parts.append(f"\nathlete-years watched: {own[own['setting'] == 0.2]['years'].sum():.0f}")
    found = sums[sums["stalls"] > 0].copy()
    for name in ("within_4", "within_7", "within_12", "found"):
        found[name] = (found[name] / found["stalls"]).round(2)
    columns = ["tool", "setting", "false_a_year", "stalls", "within_4", "within_7", "within_12"]
    parts.append("\nStalls of 12 weeks or more at 2 to 3 sessions a week\n"
                 + found[[*columns, "found"]].round(3).to_string(index=False))  # fmt: skip
    if len(starts):
        known = starts["off_weeks"].dropna()
        parts.append(
            f"\nStart dated in {len(known)} of {len(starts)} found at 0.2 a year; within 3 weeks "
            f"in {100 * (known.abs() <= 3).sum() / len(starts):.0f} %, median {known.median():+.1f}"
            f" weeks; inside the 80 % range in {100 * starts['in_range'].mean():.0f} %"
        )
    return "\n".join(parts)


def main(argv: list[str] | None = None) -> int:
    """Run the bench; 1 if any world broke."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--laws", nargs="+", default=list(LAWS), choices=LAWS, metavar="LAW")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--athletes", type=int, default=90)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--no-informed", action="store_true")
    parser.add_argument("--out", type=Path, help="CSV with the tally")
    asked = parser.parse_args(argv)
    seeds = range(asked.first_seed, asked.first_seed + asked.seeds)
    worlds = [
        World(law, seed, asked.athletes, not asked.no_informed)
        for seed in seeds
        for law in asked.laws
    ]
    tables, starts, broke = [], [], 0
    began = time.perf_counter()
    with ProcessPoolExecutor(asked.jobs, mp_context=get_context("spawn")) as pool:
        waiting = {pool.submit(run_world, world): world for world in worlds}
        for done, future in enumerate(as_completed(waiting), start=1):
            world, error = waiting[future], future.exception()
            if error is not None:
                broke += 1
                print(f"{world.law}, seed {world.seed} broke: {error!r}", file=sys.stderr)
            else:
                tables.append(future.result()[0])
                starts.append(future.result()[1])
            spent = time.perf_counter() - began
            print(f"[{done}/{len(worlds)}] {world.law} {world.seed}, {spent:.0f} s",
                  file=sys.stderr, flush=True)  # fmt: skip
            if asked.out is not None and tables:
                pd.concat(tables).to_csv(asked.out, index=False)
    if tables:
        print(report(pd.concat(tables, ignore_index=True), pd.concat(starts, ignore_index=True)))
    return int(broke > 0 or not tables)


if __name__ == "__main__":
    sys.exit(main())
