"""Alien worlds: one seed one world, the truth is the literal rule, each does what its name says."""

import sys
from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "bench"))

import alien

import forecast as fc

N, SEED = 30, 5


@cache
def made(name):
    return alien.make_world(alien.WORLDS[name], N, SEED)


@pytest.fixture(scope="module", params=alien.WORLDS)
def world(request):
    return made(request.param)


@pytest.fixture(scope="module")
def ladder(world, tmp_path_factory):
    path = tmp_path_factory.mktemp(world.name) / "ladder.toml"
    path.write_text(world.ladder)
    return fc.read_ladder(path)


def literal_clearing(sets, ladder):
    """The pass rule, row by row, as a coach would tick it off in the log."""
    cleared, run = {}, {}
    rows = sets.sort_values(["athlete", "rung", "date"]).itertuples()
    for (athlete, rung, date), session in groupby(rows, lambda s: (s.athlete, s.rung, s.date)):
        mark = ladder.rung(rung).criterion
        good = [s.clean == "yes" and s.assist == "none" and s.value >= mark.target for s in session]
        run[athlete, rung] = run.get((athlete, rung), 0) + 1 if any(good) else 0
        if run[athlete, rung] == mark.confirm_sessions:
            cleared.setdefault((athlete, rung), date)
    return cleared


def test_same_seed_same_world(world):
    again = alien.make_world(alien.WORLDS[world.name], N, SEED)
    for name in ("sets", "levels", "stalls", "spells", "athletes"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(world, name))
    assert again.cut == world.cut


def test_another_seed_another_world():
    other = alien.make_world(alien.WORLDS["mess"], N, SEED + 1)
    assert (other.law.rung_pace != made("mess").law.rung_pace).all()
    assert not other.sets.equals(made("mess").sets)


def test_truth_is_the_literal_rule_on_the_logged_sets(world, ladder):
    rule = literal_clearing(world.sets[world.sets["logged"]], ladder)
    truth = world.spells.set_index(["athlete", "rung"])["cleared"].dropna()
    assert len(truth) >= N
    assert rule == truth.to_dict()


def test_a_rung_follows_the_one_cleared(world, ladder):
    order = world.spells.assign(place=world.spells["rung"].map(ladder.position))
    for _, spells in order.sort_values("start").groupby("athlete"):
        assert (np.diff(spells["place"]) == 1).all()
        assert spells["cleared"].iloc[:-1].notna().all()
        assert (spells["start"].iloc[1:].to_numpy() > spells["cleared"].iloc[:-1].to_numpy()).all()


def test_spells_are_open_at_the_cut_and_the_truth_goes_on_for_a_year(world):
    open_ = (world.spells["start"] < world.cut) & ~(world.spells["cleared"] < world.cut)
    assert open_.sum() >= N // 3
    assert world.sets["date"].max() >= world.cut + pd.Timedelta(weeks=52)


def test_the_package_reads_every_logged_row(world, ladder, tmp_path):
    logged = world.sets[world.sets["logged"]].drop(columns="logged")
    logged.to_csv(tmp_path / "sets.csv", index=False)
    log = fc.read_log(tmp_path / "sets.csv", ladder)
    assert len(log.rejected) == 0
    assert len(log.sets) == len(logged)


def test_true_levels_are_known_every_week_on_every_rung(world):
    assert world.levels["level"].between(np.log(0.02) - 1e-9, 2.0).all()
    gaps = world.levels.groupby("athlete")["date"].diff().dropna()
    assert (gaps.dt.days == 7).all()


def _logged(name):
    return made(name), made(name).sets[made(name).sets["logged"]]


def test_only_the_best_counting_set_of_a_day_is_logged():
    world, logged = _logged("best_only")
    assert not logged.duplicated(["athlete", "date"]).any()
    counts = world.sets[world.sets["clean"] == "yes"]
    best = counts.groupby(["athlete", "date"])["value"].max()
    noted = logged.set_index(["athlete", "date"])["value"].reindex(best.index)
    assert noted.eq(best).all()


def test_misses_are_mostly_left_out():
    world, logged = _logged("successes_only")
    targets = {mark.key: mark.target for mark in world.law.marks}

    def low(sets):
        return sets["value"] < 0.5 * sets["rung"].map(targets)

    assert low(world.sets).mean() > 0.25
    assert low(logged).sum() < 0.15 * low(world.sets).sum()


@pytest.mark.parametrize("name", ["coarse_holds", "heavy_days"])
def test_holds_are_written_to_five_seconds(name):
    _, logged = _logged(name)
    assert (logged["value"] % 5 == 0).all()
    assert logged.groupby(["athlete", "date"]).size().max() <= 3


def test_nearly_everybody_is_away_for_eight_weeks_every_year():
    world, logged = _logged("off_seasons")
    gaps = logged.groupby("athlete")["date"].diff().dt.days
    long = (gaps >= 56).groupby(logged["athlete"]).sum()
    years = (logged["date"].max() - world.athletes.set_index("athlete")["joined"]).dt.days / 365
    assert 0.7 < long.sum() / years.sum() < 1.3


def test_injuries_take_a_fifth_to_a_half_and_pain_is_noted():
    world, logged = _logged("set_backs")
    within = world.levels.groupby(["athlete", "rung"])["level"].diff().dropna()
    drops = within[within < -0.15]
    years = len(world.levels) / 52
    assert 0.3 < len(drops) / years < 0.7
    assert drops.min() > np.log(0.5) * 2  # two injuries in a week at the very worst
    assert (logged["pain"] >= 2).mean() > 0.02


def test_the_stricter_coach_calls_twice_as_many_sets_unclean():
    world, logged = _logged("stricter_coach")
    change = alien.FIRST_DAY + pd.Timedelta(days=world.law.strict_from)
    unclean = (logged["clean"] == "no").groupby(logged["date"] >= change).mean()
    assert unclean[True] / unclean[False] == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize(("name", "share"), [("spurts", 0.5), ("staircase", 0.6)])
def test_levels_stand_still_most_weeks(name, share):
    world, _ = _logged(name)
    gain = world.levels.groupby(["athlete", "rung"])["level"].diff().dropna()
    assert (gain == 0).mean() > share
    assert (gain >= 0).all()


def test_planted_stalls_have_no_gain():
    world, _ = _logged("stricter_coach")
    stalls = world.stalls[world.stalls["weeks"] >= 8]
    assert len(stalls) >= 10
    for stall in stalls.itertuples():
        own = world.levels[
            (world.levels["athlete"] == stall.athlete)
            & (world.levels["rung"] == stall.rung)
            & world.levels["date"].between(stall.start, stall.end - pd.Timedelta(days=1))
        ]
        assert own["level"].diff().max() <= 1e-12


def test_some_leave_after_three_sessions_and_one_in_five_never_gets_better():
    world, logged = _logged("mess")
    days = logged.groupby("athlete")["date"].nunique()
    left = world.athletes[world.athletes["left"].notna()]["athlete"]
    assert len(left) >= 1
    assert (days.reindex(left) == 3).all()
    assert (world.athletes["pace"] == 0).mean() == pytest.approx(0.2, abs=0.15)
