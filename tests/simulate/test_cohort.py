"""Cohorts: one seed one cohort, and the truth is the literal rule applied to the sets."""

from itertools import groupby

import numpy as np
import pandas as pd
import pytest
from slow import day_and_night

from forecast.errors import SimulationError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import SET_COLUMNS
from forecast.simulate import LAWS, Setting, default_ladder, simulate_cohort


@pytest.fixture(scope="module", params=day_and_night(LAWS, {"steady", "stalls"}))
def cohort(request):
    return simulate_cohort(request.param, 25, seed=11, weeks=70, follow_up=20)


def literal_clearing(sets, ladder):
    """The pass rule once more, row by row, as a coach would tick it off."""
    marks = {rung.key: rung.criterion for rung in ladder.rungs}
    cleared, run = {}, {}
    rows = sets.sort_values(["athlete", "rung", "date"]).itertuples()
    for (athlete, rung, date), session in groupby(rows, lambda s: (s.athlete, s.rung, s.date)):
        mark, meets = marks[rung], False
        for s in session:
            loaded = mark.load_kg is None or s.load_kg >= mark.load_kg
            if s.clean and s.assist == "none" and loaded and s.value >= mark.target:
                meets = True
        run[athlete, rung] = run.get((athlete, rung), 0) + 1 if meets else 0
        if run[athlete, rung] == mark.confirm_sessions:
            cleared.setdefault((athlete, rung), date)
    return cleared


def test_truth_is_the_literal_rule_applied_to_the_sets(cohort):
    rule = literal_clearing(cohort.sets, cohort.ladder)
    truth = cohort.truth.set_index(["athlete", "rung"])["cleared"].dropna()
    assert len(truth) > 50
    assert rule == truth.to_dict()


def test_sets_have_the_columns_and_types_of_a_read_log(cohort):
    assert {name: str(t) for name, t in cohort.sets.dtypes.items()} == SET_COLUMNS
    assert not cohort.sets.duplicated(["athlete", "date", "rung", "set"]).any()
    assert cohort.sets["rung"].isin(cohort.ladder.keys).all()
    numbers = cohort.sets.groupby(["athlete", "date", "rung"])["set"]
    assert (numbers.max() == numbers.size()).all()
    assert cohort.log.rows_in == len(cohort.sets)


def test_same_seed_same_cohort_other_seed_another(cohort):
    once, again, other = (
        simulate_cohort(cohort.law, 5, seed=seed, weeks=40, follow_up=10) for seed in (11, 11, 12)
    )
    for name in ("sets", "truth", "levels", "athletes"):
        pd.testing.assert_frame_equal(getattr(again, name), getattr(once, name))
    assert other.population.usual_weeks != once.population.usual_weeks
    assert not other.sets.equals(once.sets)


def test_rungs_open_after_what_they_need_and_the_consolidation(cohort):
    by_rung = {rung: part.set_index("athlete") for rung, part in cohort.truth.groupby("rung")}
    checked = 0
    for rung in cohort.ladder.rungs:
        for need in rung.needs:
            pause = pd.Timedelta(weeks=cohort.ladder.rung(need).min_weeks)
            if rung.key not in by_rung:
                continue
            later, sooner = by_rung[rung.key]["started"], by_rung[need]["cleared_no_lapse"]
            both = pd.concat([later, sooner], axis=1, join="inner").dropna()
            assert (both["started"] > both["cleared_no_lapse"] + pause).all()
            checked += len(both)
    assert checked > 30


def test_nothing_is_logged_before_joining_or_after_lapsing(cohort):
    sets = cohort.sets.merge(cohort.athletes[["athlete", "log_from", "lapsed_on"]], on="athlete")
    assert (sets["date"] >= sets["log_from"]).all()
    assert (sets["date"] >= cohort.start).all()
    assert (sets["date"] < cohort.end).all()
    assert not (sets["date"] >= sets["lapsed_on"]).any()


def test_some_logs_start_in_the_middle_of_a_rung(cohort):
    late = cohort.truth["begun_before_log"]
    assert 0.02 < late.mean() < 0.5
    first = cohort.sets.groupby(["athlete", "rung"])["date"].min()
    started = cohort.truth.set_index(["athlete", "rung"])["started"]
    both = pd.concat([first, started], axis=1, join="inner")
    assert (both["started"] <= both["date"]).all()
    apart = both["started"] < both["date"]
    assert apart.equals(
        cohort.truth.set_index(["athlete", "rung"])["begun_before_log"].reindex(both.index)
    )


def test_lapse_only_cuts_the_log(cohort):
    kept = simulate_cohort(cohort.law, 25, seed=11, weeks=70, follow_up=20, lapse_rate=0.0)
    pd.testing.assert_frame_equal(kept.levels, cohort.levels)
    pd.testing.assert_series_equal(
        kept.truth["cleared"], cohort.truth["cleared_no_lapse"], check_names=False
    )
    lapsed = dict(cohort.athletes[["athlete", "lapsed_on"]].itertuples(index=False))
    cut = kept.sets[~(kept.sets["date"] >= kept.sets["athlete"].map(lapsed))]
    columns = [name for name in SET_COLUMNS if name != "row"]
    pd.testing.assert_frame_equal(
        cut[columns].reset_index(drop=True), cohort.sets[columns].reset_index(drop=True)
    )


def test_a_longer_follow_up_does_not_change_the_past(cohort):
    longer = simulate_cohort(cohort.law, 25, seed=11, weeks=70, follow_up=30)
    past = longer.sets[longer.sets["date"] < cohort.end]
    columns = [name for name in SET_COLUMNS if name != "row"]
    pd.testing.assert_frame_equal(
        past[columns].reset_index(drop=True), cohort.sets[columns].reset_index(drop=True)
    )


def test_share_that_lapses_within_a_year_is_the_share_asked_for():
    cohort = simulate_cohort("steady", 1500, seed=4, weeks=10, follow_up=80, lapse_rate=0.3)
    hidden = cohort.athletes
    within = (hidden["lapsed_on"] - hidden["log_from"]).dt.days <= 365
    # four binomial standard errors and the week nobody lapses in
    assert within.mean() == pytest.approx(0.3, abs=0.05)


def test_pace_goes_with_the_athlete_over_rungs():
    cohort = simulate_cohort("steady", 150, seed=2, weeks=80, lapse_rate=0.0)
    gains = cohort.levels.groupby(["athlete", "rung"])["gain"].mean()
    table = np.log(gains.unstack())
    table = table - table.mean()
    common = table["toe_pulls"].corr(table["wall_line"])
    share = cohort.population.athlete_sd**2 / (
        cohort.population.athlete_sd**2 + cohort.population.spell_sd**2
    )
    assert common == pytest.approx(share, abs=0.25)


def test_a_ladder_that_is_not_simulated_is_refused_with_its_rung():
    plan = Ladder("heavy", (Rung("pull", "Pull", "", Criterion("kg", 40)),))
    with pytest.raises(SimulationError, match="'pull' is counted in kg"):
        simulate_cohort("steady", 5, seed=1, setting=Setting(plan))


@pytest.mark.parametrize("wrong", [{"n_athletes": 0}, {"weeks": 0}, {"lapse_rate": 1.0}])
def test_numbers_out_of_range_are_refused(wrong):
    with pytest.raises(SimulationError, match=next(iter(wrong))):
        simulate_cohort("steady", seed=1, **wrong)
    with pytest.raises(SimulationError, match="under_way"):
        simulate_cohort("steady", seed=1, setting=Setting(under_way=2.0))


def test_default_ladder_branches_and_has_marks_of_the_usual_size():
    ladder = default_ladder()
    assert len(ladder.rungs) >= 10
    assert any(len(rung.needs) > 1 for rung in ladder.rungs)
    for rung in ladder.rungs:  # common practice, no source
        low, high = (3, 20) if rung.criterion.measure == "seconds" else (3, 12)
        assert low <= rung.criterion.target <= high
        assert all(ladder.position(need) < ladder.position(rung.key) for need in rung.needs)
