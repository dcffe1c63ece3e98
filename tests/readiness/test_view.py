"""A view of a log: the same answers as the calls that take a log, each worked out once."""

from __future__ import annotations

import copy
import dataclasses

import pandas as pd
import pytest
from sklearn.base import clone

from forecast.ahead import fallbacks, ladder_ahead, retests, what_if
from forecast.cohort import bottlenecks, lapse_chance, lapse_hazard, pace_and_difficulty
from forecast.errors import ForecastError, HistoryError, LogError, NotFittedError
from forecast.model import ReadinessForecaster
from forecast.readiness import ENGINES, as_view


@pytest.fixture
def view(small_view):
    """The small log as the small model sees it, shared: what it returns is never changed."""
    return small_view


def same(ours, theirs):
    pd.testing.assert_frame_equal(ours, theirs, check_exact=True)


def test_forecasts_of_a_view_are_those_of_the_model(view, small_model, small_log, small_cut):
    each = small_model.forecast_each(small_log, small_cut)
    for engine in ENGINES:
        ours = view.forecast(engine)
        same(ours.curve, each[engine].curve)
        same(ours.summary, each[engine].summary)
        assert ours is view.forecast(engine)


def test_the_order_of_questions_changes_no_answer(view, small_model, small_log, small_cut):
    first = small_model.view(small_log, small_cut)
    states, growth = first.plateaus(), first.forecast("growth")
    same(states, view.plateaus())
    same(growth.summary, view.forecast("growth").summary)
    same(first.forecast().summary, view.forecast().summary)


@pytest.mark.parametrize(
    "ask",
    [
        retests,
        fallbacks,
        lapse_chance,
        lambda *seen: lapse_hazard(*seen).effects,
        lambda *seen: bottlenecks(*seen).table,
        lambda *seen: pace_and_difficulty(*seen).athletes,
        lambda *seen: ladder_ahead(*seen, horizon_weeks=40).summary,
    ],
)
def test_questions_take_a_view_or_a_model_and_a_log(ask, view, small_model, small_log, small_cut):
    same(ask(view), ask(small_model, small_log, small_cut))


def test_what_if_reads_the_whole_clubs_view(view, small_model, small_log, small_cut):
    athlete = view.forecast().summary["athlete"].iloc[0]
    asked = {"horizon_weeks": 40, "sessions_per_week": (3.0,)}
    ours = what_if(view, athlete=athlete, **asked)
    same(ours.table, what_if(small_model, small_log, small_cut, athlete, **asked).table)


def test_each_thing_is_worked_out_once(view):
    for name in ("histories", "tracked", "states", "training_days"):
        assert getattr(view, name) is getattr(view, name)
    asked = []

    def count(seen, number):
        asked.append(number)
        return number

    assert [view.once(count, number) for number in (1, 2, 1)] == [1, 2, 1]
    assert asked == [1, 2]


def test_a_view_is_fixed_from_outside(view, small_model, small_log, small_cut):
    with pytest.raises(dataclasses.FrozenInstanceError):
        view.cut = "2024-11-04"
    model = copy.copy(small_model)
    before = model.view(small_log, small_cut)
    model.set_params(paths=128, draws=8)
    same(before.forecast("growth").curve, view.forecast("growth").curve)


def test_a_view_says_what_it_works_out(small_model, small_log, small_cut):
    said: list[str] = []
    seen = small_model.view(small_log, small_cut, progress=said.append)
    assert said == []
    for _ in range(2):
        seen.forecast()
    assert said == ["forecast", "flat or not"]


def test_left_out_the_cut_is_the_day_after_the_last_set(small_model, small_log):
    assert small_model.view(small_log).as_of == small_log.sets["date"].max() + pd.Timedelta(days=1)


def test_what_can_not_be_viewed_is_refused(view, small_model, small_log, small_cut, make_view_log):
    with pytest.raises(NotFittedError, match="call fit"):
        ReadinessForecaster().view(small_log)
    with pytest.raises(LogError, match="where a log is needed"):
        as_view(small_model)
    with pytest.raises(HistoryError, match="as_of"):
        small_model.view(small_log, "10/07/2024")
    with pytest.raises(ForecastError, match="has seen what came after"):
        small_model.view(small_log, "2024-08-05").forecast()
    with pytest.raises(ForecastError, match="leave the log out"):
        as_view(view, make_view_log())
    with pytest.raises(ForecastError, match=r"as of 2024-10-07.*model\.view"):
        as_view(view, as_of="2024-11-04")
    assert as_view(view, small_log, small_cut) is view
    with pytest.raises(ForecastError, match="engine = 'both'"):
        view.forecast("both")


@pytest.fixture
def make_view_log(small_log):
    return lambda: dataclasses.replace(small_log)


def test_a_clone_is_unfitted_with_the_same_settings(small_model):
    other = clone(small_model.in_hindsight())
    assert other.get_params() == small_model.get_params()
    assert not hasattr(other, "engines_")
    assert not other.hindsight


def test_engines_alone_learn_no_states_and_forget_earlier_ones(small_log, small_cut):
    model = ReadinessForecaster(4, paths=8, draws=2)
    model.club_verdict_ = model.climbing_ = "of an earlier fit"
    model.fit_engines(small_log, small_cut)
    assert model.club_verdict_ is model.climbing_ is None


def test_one_athlete_alone_is_forecast_as_among_all(small_model, small_log, small_cut):
    whole = small_model.forecast(small_log, small_cut)
    name = whole.rows[0].athlete
    alone = small_model.forecast(small_log, small_cut, athlete=name)
    pd.testing.assert_frame_equal(alone.summary, whole.for_athlete(name).summary)
    pd.testing.assert_frame_equal(alone.curve, whole.for_athlete(name).curve)
    with pytest.raises(ForecastError, match="'Nobody' is not in the log"):
        small_model.forecast(small_log, small_cut, athlete="Nobody")
