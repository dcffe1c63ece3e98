"""How alien worlds are scored: likelihoods against the laws, layoffs, CRPS, coverage, alarms."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

from alien import DEVELOPMENT, HELD_BACK, WORLDS, make_world
from alien.likelihoods import LIKELIHOODS
from alien.reference import drawn_layoffs, informed_curves
from alien.scoring import ENGINES, WEEKS, forecast_table, score
from alien.watching import tally
from alien_worlds import asked_at_cut, parse

COPIES = 40_000


@pytest.mark.parametrize("name", LIKELIHOODS)
def test_chance_of_a_set_is_how_often_the_law_shows_it(name):
    rng = np.random.default_rng(2)
    law = WORLDS[name](rng)
    who, rung, day = law.people(rng, 1), np.array([1]), 40
    state = law.clocks(1) | law.enter(rng, who, rung)
    many = {k: np.repeat(v, COPIES) for k, v in (who | state).items()}
    shown = law.shows(rng, many, many, np.repeat(rung, COPIES), day)
    for column in (0, 1):
        seen = shown.value[:, column][np.isfinite(shown.value[:, column])]
        values, counts = np.unique(seen, return_counts=True)
        order = np.array([float(column)])
        chance = np.array(
            [
                np.exp(LIKELIHOODS[name](law, who, state, 1, day, np.array([v]), order)[0])
                for v in values
            ]
        )
        assert chance.sum() == pytest.approx(1.0, abs=2e-3)
        often = counts / len(seen)
        error = np.sqrt(chance * (1 - chance) / len(seen))
        assert (np.abs(often - chance) < 5 * error + 5 / len(seen) + 1e-3).all()


def test_two_sets_of_a_day_share_its_form():
    """Two like sets are likelier together than apart, as the day is common to both."""
    rng = np.random.default_rng(2)
    law = WORLDS["staircase"](rng)
    who, rung = law.people(rng, 1), np.array([0])
    state = law.clocks(1) | {"log": np.array([-0.5])}
    high = np.array([15.0, 14.0])
    one = [
        LIKELIHOODS["staircase"](law, who, state, 0, 9, high[[k]], np.array([float(k)]))[0]
        for k in (0, 1)
    ]
    both = LIKELIHOODS["staircase"](law, who, state, 0, 9, high, np.array([0.0, 1.0]))[0]
    shown = law.shows(
        rng, who, {"log": np.full(400_000, -0.5)}, np.zeros(400_000, dtype=int), 9
    ).value
    often = ((shown[:, 0] == 15) & (shown[:, 1] == 14)).mean()
    assert both > sum(one) + 0.1
    assert np.exp(both) == pytest.approx(often, rel=0.05)
    assert (rung == 0).all()


def test_layoffs_lie_between_training_days_and_explain_long_gaps():
    rng = np.random.default_rng(3)
    law = WORLDS["heavy_days"](rng)
    days = [0, 3, 7, 11, 46, 50]
    drawn = drawn_layoffs(rng, law, 2.0, 0, days, 52, 2000)
    away = np.zeros((2000, 60), dtype=bool)
    for start, parts in drawn.items():
        for who, until in parts:
            away[who[:, None] & (np.arange(60) >= start) & (np.arange(60) < until[:, None])] = True
    assert not away[:, days].any()
    assert away[:, 12:46].any(axis=1).mean() > 0.99
    assert away[:, 12:46].sum(axis=1).max() <= 34
    assert away[:, 47:50].sum() == 0


def test_crps_and_coverage_of_forecasts_whose_scores_are_known():
    asked = pd.DataFrame({"athlete": ["a", "b", "c"], "rung": "r", "weeks": [3.0, np.nan, 80.0]})
    sure = (np.arange(1, WEEKS + 1) >= 3).astype(float)
    found = score({("a", "r"): sure, ("b", "r"): np.zeros(WEEKS)}, asked)
    # The curve rises within week 3, and the truth counts it whole: a quarter of a week.
    assert found["crps"].to_list() == [0.25, 0.0, 0.0]
    assert found["answered"].to_list() == [True, True, False]
    worst = score({("b", "r"): np.ones(WEEKS)}, asked.iloc[1:2])
    assert worst["crps"].iloc[0] == pytest.approx(WEEKS - 0.75)


def test_forecasts_that_are_the_truth_cover_what_they_promise():
    rng = np.random.default_rng(5)
    curve = 1 - np.exp(-((np.arange(1, WEEKS + 1) / 30) ** 1.3))
    weeks = 30 * rng.exponential(size=4000) ** (1 / 1.3)
    asked = pd.DataFrame({"athlete": [f"a{i}" for i in range(4000)], "rung": "r", "weeks": weeks})
    off = score({(a, "r"): curve for a in asked["athlete"]}, asked)["off"]
    for level in (0.5, 0.8, 0.95):
        assert (off <= level / 2).mean() == pytest.approx(level, abs=0.025)


def test_ratios_compare_only_worlds_where_both_were_run():
    def result(world, told, **crps):
        rows = [
            {"athlete": a, "rung": "r", "weeks": 9.0, "crps": value, "off": 0.1, "answered": True,
             "forecaster": name}
            for a in "ab"
            for name, value in (crps | told).items()
        ]  # fmt: skip
        return {"world": world, "seed": 1, "cases": rows}

    engines = dict.fromkeys(ENGINES, 6.0) | {"landmark_logit": 8.0, "weibull_landmark": 12.0}
    poor = engines | {"pool": 20.0}
    table = forecast_table(
        [result("one", {"reference": 5.0}, **engines), result("two", {}, **poor)]
    )
    assert table["to_reference"]["one"] == table["to_reference"]["all"] == pytest.approx(1.2)
    assert np.isnan(table["to_reference"]["two"])
    assert table["to_landmark"]["all"] == pytest.approx(26 / 16)
    assert table["cov80"]["all"] == 1.0


@pytest.fixture(scope="module")
def world():
    made = make_world(WORLDS["staircase"], 2, seed=5)
    days = made.cut + pd.to_timedelta(np.arange(-91, 365, 7) - 1, unit="D")
    rise = np.linspace(-4.0, 0.0, len(days))
    levels = [
        pd.DataFrame({"athlete": a, "rung": "wall", "date": days, "level": level})
        for a, level in (("up", rise), ("still", 0 * rise - 1))
    ]
    start = made.cut + pd.Timedelta(weeks=4)
    stall = {"athlete": ["still"], "rung": "wall", "start": start, "weeks": 14.0}
    stalls = pd.DataFrame(stall).assign(end=start + pd.Timedelta(weeks=14))
    trained = pd.DataFrame({"athlete": "still", "rung": "wall", "date": days, "logged": True})
    extra = trained.assign(date=trained["date"] + pd.Timedelta(days=2))
    return replace(made, levels=pd.concat(levels), stalls=stalls, sets=pd.concat([trained, extra]))


def test_alarms_are_counted_once_and_false_only_while_surely_climbing(world):
    def table(up, still):
        rows = {"athlete": ["up", "still"], "rung": "wall", "state": [up, still], "sessions": 9}
        return pd.DataFrame(rows)

    states = [
        ("climbing", "unclear"),
        ("climbing", "unclear"),
        ("flat", "unclear"),
        ("paused", "unclear"),
        ("flat", "flat"),
        ("climbing", "slipping"),
    ]
    dates = [world.cut + pd.Timedelta(weeks=2 * k) for k in range(len(states))]
    found = tally(world, [(d, table(*s)) for d, s in zip(dates, states, strict=True)])
    assert (found.alarms, found.false_alarms) == (2, 1)
    assert found.weeks == 2 * 9
    assert found.climbing_weeks == 2 * 4
    # Flat from week 8 on, the stall began in week 4.
    assert found.stalls == {
        "8": 1, "12": 1, "8_in_7": 1, "8_in_12": 1, "12_in_7": 1, "12_in_12": 1,
    }  # fmt: skip


def test_the_reference_sees_strength_and_never_takes_back():
    world = make_world(WORLDS["staircase"], 12, seed=5)
    spells = world.spells
    open_ = spells[(spells["start"] < world.cut) & ~(spells["cleared"] < world.cut)]
    asked = open_.head(3)[["athlete", "rung"]]
    levels = world.levels[world.levels["date"] < world.cut].groupby(["athlete", "rung"])["level"]
    curves = informed_curves(world, asked, weeks=20, people=300)
    for curve in curves.values():
        assert (np.diff(curve) >= 0).all()
        assert 0 <= curve[0] <= curve[-1] <= 1
    stands = [levels.last()[key] for key in curves]
    assert max(stands) - min(stands) > 0.1
    at_eight = [curve[7] for curve in curves.values()]
    assert np.argmax(at_eight) == np.argmax(stands)
    one = asked.head(1)
    again = informed_curves(world, one, weeks=20, people=300)
    assert all((again[key] == curves[key]).all() for key in again)


def test_worlds_held_back_run_only_when_asked_for_by_name(capsys):
    assert set(parse([]).worlds) == set(DEVELOPMENT)
    assert set(parse(["--held-back"]).worlds) == set(HELD_BACK)
    with pytest.raises(SystemExit):
        parse(["--worlds", "heavy_days", "mess"])
    assert "mess: held back for a last run" in capsys.readouterr().err


def test_asked_are_the_rungs_truly_open_with_two_sessions_or_more():
    world = make_world(WORLDS["mess"], 30, seed=5)
    asked = asked_at_cut(world)
    assert asked["athlete"].is_unique
    left = world.athletes.set_index("athlete")["left"].notna()
    assert not left.reindex(asked["athlete"]).any()
    assert left.any()
    one = asked.merge(world.spells, on=["athlete", "rung"])
    assert (one["start"] < world.cut).all()
    assert ((one["cleared"] >= world.cut) | one["cleared"].isna()).all()
    known = one["cleared"].notna()
    days = (one["cleared"] - world.cut).dt.days[known]
    assert (days / 7 == one["weeks"][known]).all()
    assert one["weeks"][~known].isna().all()
    never = world.athletes.loc[world.athletes["pace"] == 0, "athlete"]
    assert asked["athlete"].isin(never).any()
