"""Are chances of lapse as large as they should be? Invented cohorts whose lapses are known.

    python tests/bench/lapse_chance.py --seeds 10

For each cohort, the mean chance over athletes beside the share that truly lapsed: already gone at
the cut, and within 12 and 26 weeks of it for those seen in the last 12. Flatness is held at "can't
tell" (one half), so that no forecaster has to be fitted; the rest is as in ``lapse_chance``.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
from scipy.special import expit

from forecast.histories import build_histories
from forecast.histories.attendance import absence_law
from forecast.readiness.lapse import day_rhythm, design_of, fit_lapse, silences, training_days
from forecast.simulate import simulate_cohort

LAWS = ("steady", "stalls", "ragged", "ceiling")
RECENT_DAYS = 84


def one_cohort(seed: int, athletes: int) -> dict[str, float]:
    law = LAWS[seed % len(LAWS)]
    cohort = simulate_cohort(law, athletes, seed=seed, weeks=80, follow_up=30, lapse_rate=0.2)
    cut = cohort.start + pd.Timedelta(weeks=72)
    histories = build_histories(cohort.log, cut)
    days = training_days(histories, np.full(len(histories.sessions), 0.5))
    rhythm = day_rhythm(days, absence_law(histories))
    now = silences(days, rhythm)
    hazard = expit(design_of(now.latest) @ fit_lapse(days, now.longer).weights)
    gone = hazard / (hazard + (1 - hazard) * now.longer)
    off = cohort.athletes.set_index("athlete")["lapsed_on"].reindex(now.latest["athlete"])
    recent = now.latest["away"].to_numpy() < RECENT_DAYS
    row = {"seed": seed, "athletes": len(gone), "gone": gone.mean(), "truly": (off < cut).mean()}
    for weeks in (12, 26):
        stays = np.exp(weeks * now.per_week * np.log1p(-hazard))
        chance = (gone + (1 - gone) * (1 - stays))[recent]
        true = (off < cut + pd.Timedelta(weeks=weeks)).to_numpy()[recent]
        row[f"by_{weeks}"], row[f"truly_{weeks}"] = chance.mean(), true.mean()
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10)
    parser.add_argument("--first", type=int, default=40)
    parser.add_argument("--athletes", type=int, default=60)
    options = parser.parse_args()
    seeds = range(options.first, options.first + options.seeds)
    table = pd.DataFrame([one_cohort(seed, options.athletes) for seed in seeds])
    print(table.round(3).to_string(index=False))
    print(table.drop(columns="seed").mean().round(3).to_string())


if __name__ == "__main__":
    main()
