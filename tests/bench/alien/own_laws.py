"""The package's own laws of progress, asked for by name and dressed as a ``World``."""

from __future__ import annotations

import numpy as np
import pandas as pd

from alien.club import CUT_WEEKS, WEEKS, World
from forecast.log import TrainingLog
from forecast.simulate import simulate_cohort

KEYS = ["athlete", "rung"]


def own_world(law: str, athletes: int, seed: int) -> tuple[World, TrainingLog, pd.DataFrame]:
    """Return the world, its log, and ``athlete, rung, weeks`` to clearing had nobody left.

    Between two sessions the true level is taken on a straight line.
    """
    cohort = simulate_cohort(law, athletes, seed=seed, weeks=WEEKS, follow_up=0)
    cut = cohort.start + pd.Timedelta(
        weeks=int(np.random.default_rng([seed, 45]).integers(*CUT_WEEKS))
    )
    evenings = pd.date_range(cohort.start, cohort.end, freq="7D") - pd.Timedelta(days=1)
    cohort_levels = cohort.levels.sort_values([*KEYS, "date"])
    levels, stalls = [], []
    for (athlete, rung), own in cohort_levels.groupby(KEYS):
        days, gain = own["date"].to_numpy(), own["gain"].to_numpy()
        # The last level stands for the week after it, for whoever is asked about soon after.
        seen = evenings[(evenings >= days[0]) & (evenings <= days[-1] + np.timedelta64(7, "D"))]
        level = np.interp(seen.asi8, own["date"].astype(seen.dtype).astype(int), own["level"])
        levels.append(
            pd.DataFrame({"date": seen, "level": level, "athlete": athlete, "rung": rung})
        )
        turns = np.flatnonzero(np.diff(np.r_[False, gain == 0.0, False].astype(int)))
        for first, past in zip(turns[::2], turns[1::2], strict=True):
            stalls.append((athlete, rung, days[first], days[past - 1]))
    stall_table = pd.DataFrame(stalls, columns=[*KEYS, "start", "end"])
    stall_table = stall_table.astype({"start": "datetime64[ns]", "end": "datetime64[ns]"})
    weeks = (stall_table["end"] - stall_table["start"]).dt.days / 7.0
    spells = cohort.truth.rename(columns={"started": "start"})
    ahead = spells[(spells["start"] < cut) & ~(spells["cleared_no_lapse"] < cut)]
    until = (ahead["cleared_no_lapse"] - cut).dt.days / 7.0
    world = World(
        law, seed, None, "", cohort.log.sets.assign(logged=True), pd.concat(levels),
        cohort_levels.drop(columns="gain"), stall_table.assign(weeks=weeks),
        spells[[*KEYS, "start", "cleared"]],
        cohort.athletes.rename(columns={"lapsed_on": "left"}), cut, None,
    )  # fmt: skip
    return world, cohort.log, ahead[KEYS].assign(weeks=until)
