"""A better last session never lowers a chance: a law, over some two hundred cases."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from slow import day_and_night

CHANCES = ["p_next_session", "p_4", "p_8", "p_12", "p_26"]
NOISE = 0.004
"""What quadrature and a normal opinion in place of the exact one may leave."""

BETTER = {
    "all a unit": lambda v, target: v + 1,
    "all two units": lambda v, target: v + 2,
    "all a fifth": lambda v, target: np.ceil(1.2 * v),
    "all a half": lambda v, target: np.ceil(1.5 * v),
    "all doubled": lambda v, target: 2 * v,
    "all fourfold": lambda v, target: 4 * v,
    "the best a unit": lambda v, target: np.where(v == v.max(), v + 1, v),
    "the best a third": lambda v, target: np.where(v == v.max(), np.ceil(1.3 * v), v),
    "the worst a unit": lambda v, target: np.where(v == v.min(), v + 1, v),
    "the worst to the best": lambda v, target: np.maximum(v, v.max()),
    "all to just below the mark": lambda v, target: np.maximum(v, np.ceil(target) - 1),
    "one to the mark": lambda v, target: np.where(v == v.max(), np.maximum(v, target), v),
    "one far past the mark": lambda v, target: np.where(v == v.max(), np.maximum(v, 3 * target), v),
    "all past the mark": lambda v, target: np.maximum(v, np.ceil(1.2 * target)),
}


@pytest.fixture(scope="module")
def chances(small_model, small_cut):
    """Return a function: chances of a log by athlete and rung, at the cut."""

    def ask(log):
        summary = small_model.forecast(log, small_cut).summary
        return summary.set_index(["athlete", "rung"])[CHANCES]

    return ask


@pytest.fixture(scope="module")
def latest(small_log, small_cut):
    """The sets of each athlete's and rung's last session, and their targets."""
    sets = small_log.sets[small_log.sets["date"] < small_cut]
    last = sets.groupby(["athlete", "rung"])["date"].transform("max")
    sets = sets[(sets["date"] == last) & sets["clean"] & ~sets["assisted"]]
    targets = {r.key: r.criterion.target for r in small_log.ladder.rungs}
    return sets.assign(target=sets["rung"].map(targets), stopped="failed")


@pytest.fixture(scope="module")
def with_last_sessions(small_log, latest, with_sets):
    """Return a function: the log with other rows for each last session."""

    def make(rows):
        rest = small_log.sets.drop(index=latest.index)
        return with_sets(small_log, pd.concat([rest, rows.drop(columns="target")]))

    return make


@pytest.fixture(scope="module")
def as_they_were(chances, with_last_sessions, latest):
    return chances(with_last_sessions(latest))


def compare(before, after):
    """Both tables on the rungs still open in both: a cleared one has nothing left to lose."""
    both = before.index.intersection(after.index)
    assert len(both) > 0
    return before.loc[both], after.loc[both]


@pytest.fixture(scope="module")
def raised(chances, latest, with_last_sessions, small_log, with_sets):
    """Chances after each raise, all asked at once: as many clubs side by side in one log."""
    logs = []
    for name, better in BETTER.items():
        rows = latest.copy()
        for _, group in latest.groupby(["athlete", "rung"]):
            value = better(group["value"].to_numpy(float), group["target"].iloc[0])
            rows.loc[group.index, "value"] = np.maximum(value, group["value"])
        sets = with_last_sessions(rows).sets
        logs.append(sets.assign(athlete=sets["athlete"] + f" of {name}"))
    table = chances(with_sets(small_log, pd.concat(logs))).reset_index()
    table[["athlete", "raise"]] = table["athlete"].str.split(" of ", n=1, expand=True).to_numpy()
    return {name: part.set_index(["athlete", "rung"]) for name, part in table.groupby("raise")}


@pytest.mark.parametrize("better", BETTER)
def test_a_raised_set_never_lowers_a_chance(better, raised, as_they_were):
    before, after = compare(as_they_were, raised[better][CHANCES])
    drop = (before - after).max(axis=1)
    assert drop.max() < NOISE, drop.idxmax()
    assert (after - before).max(axis=None) > 0


@pytest.fixture(scope="module")
def without_the_last_day(small_log, small_cut):
    """The sets of the small log but for those of the day before the cut."""
    return small_log.sets[small_log.sets["date"] != small_cut - pd.Timedelta(days=1)]


@pytest.fixture(scope="module")
def before_the_last_day(chances, small_log, without_the_last_day, with_sets):
    return chances(with_sets(small_log, without_the_last_day))


@pytest.mark.parametrize("past", day_and_night([1.0, 1.1, 1.3, 2.0], {1.0, 1.3}))
def test_a_session_more_that_meets_never_lowers_a_chance(
    past, chances, small_log, small_cut, small_result, with_sets, without_the_last_day,
    before_the_last_day,
):  # fmt: skip
    targets = {r.key: r.criterion.target for r in small_log.ladder.rungs}
    loads = {r.key: r.criterion.load_kg for r in small_log.ladder.rungs}
    asked = small_result.summary
    more = pd.DataFrame(
        {
            "athlete": asked["athlete"],
            "rung": asked["rung"],
            "date": small_cut - pd.Timedelta(days=1),
            "set": 1,
            "value": np.ceil(past * asked["rung"].map(targets)),
            "clean": True,
            "assisted": False,
            "load_kg": asked["rung"].map(loads).astype(float),
            "stopped": "failed",
        }
    ).reindex(columns=small_log.sets.columns)
    words = {name: "" for name in ("assist", "note", "file")}
    longer = with_sets(small_log, pd.concat([without_the_last_day, more.assign(row=0, **words)]))
    before, after = compare(before_the_last_day, chances(longer))
    assert (before - after).max(axis=None) < NOISE
