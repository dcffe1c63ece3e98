"""How worlds are scored: likelihoods against the laws, layoffs, CRPS, cover, verdicts, alarms."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

from alien import NEW, OLD, WORLDS, futures, make_world
from alien.likelihoods import LIKELIHOODS
from alien.own_laws import own_world
from alien.reference import drawn_layoffs, informed_curves
from alien.scoring import (
    ENGINES,
    WEEKS,
    brier_row,
    each_verdict,
    forecast_table,
    reliability,
    score,
    verdict_table,
    with_verdicts,
)
from alien.watching import tally
from sklearn.metrics import brier_score_loss, roc_auc_score
from verdict import asked_at_cut, asked_lately, parse, true_state_curves

from forecast.simulate import LAWS

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
    asked = pd.DataFrame({"athlete": ["a", "b", "c"], "rung": "r", "weeks": [3.0, np.nan, np.inf]})
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
    weeks[weeks > WEEKS] = np.inf
    ahead = pd.DataFrame({"athlete": np.repeat(["a", "b"], 2000), "rung": "r", "weeks": weeks})
    rows = score({("a", "r"): curve, ("b", "r"): curve}, ahead)
    for level in (50, 80, 95):
        assert rows[f"cov{level}"].mean() == pytest.approx(level / 100, abs=0.025)
    # Nobody scores better, over many futures, than who gives their own shares.
    worse = score({("a", "r"): curve**1.2, ("b", "r"): curve**0.8}, ahead)
    assert (worse["crps"] > rows["crps"]).all()


def test_ratios_compare_only_worlds_where_both_were_run():
    def cases(world, more, **crps):
        rows = [
            {"athlete": a, "rung": "r", "in_52": 1.0, "crps": value, "answered": True,
             "forecaster": name, "cov50": 0.5, "cov80": 1.0, "cov95": 1.0}
            for a in "ab"
            for name, value in (crps | more).items()
        ]  # fmt: skip
        return pd.DataFrame(rows).assign(world=world, seed=1, group="old")

    engines = dict.fromkeys(ENGINES, 6.0) | {"landmark_logit": 8.0, "cohort_curve": 12.0}
    poor = engines | {"pool": 20.0}
    table = forecast_table(
        pd.concat([cases("one", {"reference": 5.0}, **engines), cases("two", {}, **poor)])
    )
    assert table["to_reference"]["one"] == table["to_reference"]["all old"] == pytest.approx(1.2)
    assert np.isnan(table["to_reference"]["two"])
    assert table["to_landmark_logit"]["all old"] == pytest.approx(26 / 16)
    assert table["to_cohort_curve"]["all old"] == pytest.approx(26 / 24)
    assert table["cov80"]["all old"] == 1.0


def spells(n, seed):
    """Verdicts of a package that knows how likely each kind is, and only that."""
    rng = np.random.default_rng(seed)
    chance = rng.dirichlet([1.0, 1.0, 0.5], n)
    kind = (rng.random(n)[:, None] > np.cumsum(chance, axis=1)).sum(axis=1)
    level = rng.uniform(-1.5, 0.3, n)
    smallest = np.maximum(-level / 52, 0.005)
    change = np.choose(kind, [smallest + 0.01, smallest / 2, np.full(n, -0.01)])
    return pd.DataFrame(
        {"world": "w", "group": "new", "seed": 1, "level": level, "change": change,
         "p_climbing": chance[:, 0], "p_flat": chance[:, 1], "p_slipping": chance[:, 2],
         "sessions": rng.integers(2, 40, n), "gain_low": change - 0.01, "gain_high": change + 0.02,
         "state": rng.choice(["flat", "unclear"], n, p=[0.8, 0.2])}
    )  # fmt: skip


def test_verdicts_are_scored_on_the_true_change():
    cases = with_verdicts(spells(20_000, seed=3))
    row = verdict_table(cases).loc["w"]
    assert row["brier"] == pytest.approx(brier_score_loss(cases["still"], cases["p_still"]))
    assert row["auc"] == pytest.approx(roc_auc_score(cases["still"], cases["p_still"]))
    assert row["said"] == pytest.approx(row["true"], abs=0.02)
    assert row["base"] == pytest.approx(row["true"] * (1 - row["true"]))
    assert row["ratio_own"] == pytest.approx(row["ratio"])
    assert row["gain80"] == 1.0
    assert row["unclear"] == pytest.approx(0.2, abs=0.03)
    assert (cases[["climbing", "flat", "slipping"]].sum(axis=1) == 1).all()
    each = each_verdict(cases)
    assert np.allclose(each["said"], each["true"], atol=0.03)
    tenths = reliability(cases)["all"]
    assert np.allclose(tenths["said"], tenths["true"], atol=0.04)
    assert tenths["spells"].sum() == 20_000
    # Without a chance of slipping the one of flat is for both.
    two = with_verdicts(cases.drop(columns=["p_slipping", "p_climbing"]))
    assert (two["p_still"] == cases["p_flat"]).all()
    assert each_verdict(two).empty


def test_a_verdict_that_says_the_share_scores_like_the_base_rate():
    true = pd.Series([True, False, False, False])
    row = brier_row(pd.Series(np.full(4, 0.25)), true)
    assert row["ratio"] == 1.0
    assert row["auc"] == 0.5
    assert brier_row(pd.Series([0.9, 0.1, 0.2, 0.3]), true)["auc"] == 1.0


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
        rows = {"athlete": ["up", "still"], "rung": "wall", "state": [up, still]}
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


def test_worlds_and_laws_are_asked_for_by_name():
    assert {job.name for job in parse([]).todo} == set(WORLDS)
    assert {job.group for job in parse(["--worlds", "new", "mess"]).todo} == {"new", "old"}
    laws = parse(["--worlds", "none", "--laws", "all", "--seeds", "2"]).todo
    assert [job.name for job in laws[::2]] == list(LAWS)
    assert {job.group for job in laws} == {"own"}
    assert len(parse(["--worlds", *OLD, *NEW]).todo) == 19


def test_asked_are_rungs_truly_open_that_were_begun():
    world = make_world(WORLDS["mess"], 30, seed=5)
    ahead = futures(world, copies=4, weeks=52)
    asked = asked_at_cut(world, ahead)
    assert len(asked) == 4 * asked["athlete"].nunique() > 60
    left = world.athletes.loc[world.athletes["left"] < world.cut, "athlete"]
    assert len(left)
    assert not asked["athlete"].isin(left).any()
    one = asked.merge(world.spells, on=["athlete", "rung"])
    assert (one["start"] < world.cut).all()
    assert ((one["cleared"] >= world.cut) | one["cleared"].isna()).all()
    never = world.athletes.loc[world.athletes["pace"] == 0, "athlete"]
    assert asked["athlete"].isin(never).any()
    lately = asked_lately(world, world.cut).set_index(["athlete", "rung"])
    assert set(lately.index) < set(zip(asked["athlete"], asked["rung"], strict=True))
    seen = world.sets[world.sets["logged"] & (world.sets["date"] < world.cut)]
    days = seen.groupby(["athlete", "rung"])["date"]
    assert (days.nunique().reindex(lately.index) >= 2).all()
    assert (days.max().reindex(lately.index) >= world.cut - pd.Timedelta(weeks=6)).all()


def test_who_knows_the_true_state_is_scored_on_other_futures():
    world = make_world(WORLDS["staircase"], 12, seed=5)
    ahead = futures(world, copies=40, weeks=52)
    curves, others = true_state_curves(ahead)
    assert (ahead["future"].nunique(), others["future"].nunique()) == (40, 20)
    told = score(curves, others)["crps"].mean()
    mixed = np.mean(list(curves.values()), axis=0)
    assert told < score(dict.fromkeys(curves, mixed), others)["crps"].mean()


@pytest.mark.parametrize("law", ["steady", "stalls"])
def test_own_laws_are_asked_like_alien_worlds(law):
    world, log, ahead = own_world(law, 10, seed=1)
    assert len(world.sets) == len(log.sets)
    assert (len(world.stalls) > 0) == (law == "stalls")
    assert (ahead["weeks"].dropna() >= 0).all()
    lately = asked_lately(world, world.cut)
    assert len(lately) >= 4
    eve = world.cut - pd.Timedelta(days=1)
    true = world.at_sessions[world.at_sessions["date"] <= eve]
    last = true.sort_values("date").groupby(["athlete", "rung"]).tail(1)
    both = lately.merge(last, on=["athlete", "rung"], suffixes=("", "_session"))
    near = both["date"] >= eve - pd.Timedelta(days=3)
    assert near.sum() >= 2
    assert np.allclose(both["level"][near], both["level_session"][near], atol=0.08)
