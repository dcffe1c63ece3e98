"""Little or nothing to go by: the forecast still answers, wide, and says why."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.errors import ForecastError, HistoryError, NotFittedError
from forecast.histories import build_histories
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import Club, read_log
from forecast.model import ReadinessForecaster
from forecast.readiness import CURVE_COLUMNS
from forecast.result import REASON_COLUMNS
from forecast.row import SUMMARY_COLUMNS

DAY0 = pd.Timestamp("2025-01-06")


@pytest.fixture(scope="module")
def ladder():
    return Ladder(
        "Three rungs",
        (
            Rung("hang", "Hang", "base", Criterion("seconds", 10.0, confirm_sessions=2)),
            Rung("pull", "Pull", "base", Criterion("reps", 5.0), needs=("hang",), min_weeks=1.0),
            Rung("hold", "Hold", "top", Criterion("seconds", 5.0), needs=("pull",)),
        ),
    )


@pytest.fixture(scope="module")
def forecast_rows(ladder):
    """Return a function: read (athlete, rung, day, value) rows, fit on them and forecast."""

    def run(rows, *, as_of=None, horizon=26, **settings):
        frame = pd.DataFrame(rows, columns=["athlete", "rung", "date", "value"])
        frame["date"] = (DAY0 + pd.to_timedelta(frame["date"], unit="D")).astype("str")
        log = read_log(frame, ladder)
        assert log.rejected.empty
        model = ReadinessForecaster(horizon_weeks=horizon, **settings)
        return model.fit(log, as_of).forecast(log, as_of)

    return run


def climbing(athlete, rung, first, n, start, step):
    """``n`` sessions, two a week, each set ``step`` better than the last."""
    days = first + np.arange(n) * 3.5 // 1
    return [(athlete, rung, int(d), round(start + step * i, 1)) for i, d in enumerate(days)]


def check_shape(result, rows):
    assert tuple(result.summary.columns) == SUMMARY_COLUMNS
    assert tuple(result.curve.columns) == CURVE_COLUMNS
    assert tuple(result.reasons.columns) == REASON_COLUMNS
    assert len(result.summary) == rows
    assert result.curve["p_cleared"].between(0, 1).all()
    for name in ("level", "level_value", "gain_ahead", "p_next_session"):
        assert np.isfinite(result.summary.loc[result.summary["on_hold"].isna(), name]).all()


def test_one_athlete_with_one_session(forecast_rows):
    result = forecast_rows([("Bo", "hang", 0, 4)])
    check_shape(result, 1)
    row = result.summary.iloc[0]
    assert row["confidence"] == "thin"
    assert "few sessions on this rung" in row["warnings"]
    assert "few others have cleared this rung" in row["warnings"]
    # Wide: the chance at three months is neither nothing nor certain.
    assert 0.02 < row["p_12"] < 0.98
    # The high end lies past the horizon of 26 weeks, so it is missing, and said to be.
    assert row["p_never_in_horizon"] > 0.1
    assert np.isnan(row["weeks_high"])
    assert row["weeks_low"] < 18


def test_one_session_that_met_the_mark_is_not_a_clearing_yet(forecast_rows):
    below, above = (forecast_rows([("Bo", "hang", 0, v)]).summary.iloc[0] for v in (4, 12))
    assert above["p_4"] > below["p_4"] + 0.1
    assert above["p_next_session"] < 1.0


def test_nobody_has_cleared_anything(forecast_rows):
    rows = [r for n in range(5) for r in climbing(f"a{n}", "hang", 3 * n, 12, 2 + 0.5 * n, 0.1)]
    result = forecast_rows(rows)
    check_shape(result, 5)
    assert (result.summary["comparable"] == 0).all()
    assert result.summary["warnings"].str.contains("few others have cleared").all()
    assert (result.summary["confidence"] == "thin").all()


def test_a_rung_nobody_tried_is_forecast_for_who_comes_next(forecast_rows):
    rows = climbing("Bo", "hang", 0, 8, 8, 0.6) + climbing("Kim", "hang", 0, 8, 4, 0.1)
    result = forecast_rows(rows)
    check_shape(result, 2)
    bo = result.for_athlete("Bo").summary.iloc[0]
    assert (bo["rung"], bo["sessions"], bo["comparable"]) == ("pull", 0, 0)
    assert "no session on this rung yet" in bo["warnings"]
    assert bo["confidence"] == "thin"
    assert "no session here yet" in " ".join(result.for_athlete("Bo").reasons["text"])


def test_the_next_rung_opens_after_its_weeks_only(forecast_rows, ladder):
    rows = climbing("Bo", "hang", 0, 8, 8, 0.6) + climbing("Kim", "hang", 0, 30, 4, 0.1)
    log_end = DAY0 + pd.Timedelta(days=20)
    assert ladder.rung("pull").min_weeks == 1.0
    result = forecast_rows(rows, as_of=log_end)
    curve = result.curve[result.curve["rung"] == "hang"]
    assert set(curve["athlete"]) == {"Kim"}


def test_no_open_rung_at_all(forecast_rows):
    done = (
        climbing("Bo", "hang", 0, 4, 11, 0.0)
        + climbing("Bo", "pull", 20, 3, 6, 0.0)
        + climbing("Bo", "hold", 40, 2, 7, 0.0)
    )
    result = forecast_rows(done)
    check_shape(result, 0)
    assert result.curve.empty
    assert result.reasons.empty


def test_an_athlete_long_silent_is_answered_with_the_chance_of_lapse_beside(forecast_rows):
    rows = climbing("Bo", "hang", 0, 10, 3, 0.2) + climbing("Kim", "hang", 0, 70, 3, 0.05)
    result = forecast_rows(rows)
    lapse = result.summary.set_index("athlete")["p_lapse_26"]
    assert list(lapse.index) == ["Bo", "Kim"]
    assert lapse["Bo"] > max(0.5, 2 * lapse["Kim"])


def test_twelve_athletes_are_enough_for_more_than_thin(small_result):
    check_shape(small_result, len(small_result.summary))
    assert small_result.summary["confidence"].isin({"good", "fair", "thin"}).all()
    assert (small_result.summary["confidence"] != "thin").any()


@pytest.mark.parametrize("horizon", [3, 60])
def test_any_horizon(forecast_rows, horizon):
    result = forecast_rows(climbing("Bo", "hang", 0, 6, 4, 0.2), horizon=horizon)
    assert result.curve["week"].max() == horizon
    known = [week for week in (4, 8, 12, 26) if week <= horizon]
    for week in (4, 8, 12, 26):
        assert result.summary[f"p_{week}"].notna().all() == (week in known)


# what can't be done is said -----------------------------------------------------------------


def test_a_forecast_before_a_fit_is_refused(small_log):
    with pytest.raises(NotFittedError, match="call fit"):
        ReadinessForecaster().forecast(small_log)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"horizon_weeks": 0}, "horizon_weeks = 0"),
        ({"horizon_weeks": 2.5}, r"horizon_weeks = 2\.5"),
        ({"horizon_weeks": None}, "horizon_weeks = None"),
        ({"horizon_weeks": np.nan}, "horizon_weeks = nan"),
        ({"horizon_weeks": True}, "horizon_weeks = True"),
        ({"random_state": None}, "random_state = None; give a whole number, 0 or more"),
        ({"random_state": -1}, "random_state = -1"),
        ({"lapse_weeks": 0}, "lapse_weeks = 0"),
        ({"draws": 3}, "draws = 3"),
        ({"draws": "many"}, "draws = 'many'"),
        ({"paths": 4}, "paths = 4"),
    ],
)
def test_wrong_settings_are_named_at_the_fit(small_log, settings, words):
    with pytest.raises(ForecastError, match=words):
        ReadinessForecaster(**settings).fit(small_log)


def test_a_club_is_not_taken_for_its_log(small_log, small_model):
    club = Club("Our club", small_log, None)
    for ask in (ReadinessForecaster().fit, small_model.forecast):
        with pytest.raises(ForecastError, match=r"A Club was given .* \.log of what read_club"):
            ask(club)


def test_an_unknown_engine_is_named(small_model, small_log, small_cut):
    with pytest.raises(ForecastError, match="engine = 'best'; choose one of pool"):
        small_model.forecast(small_log, small_cut, engine="best")


def test_another_ladder_is_refused(small_model, ladder):
    log = read_log(
        pd.DataFrame(
            [["Bo", "hang", "2025-01-06", 4]], columns=["athlete", "rung", "date", "value"]
        ),
        ladder,
    )
    with pytest.raises(ForecastError, match="other rungs than the one"):
        small_model.forecast(log)


def test_a_cut_before_the_first_set_says_when_the_log_begins(small_log):
    with pytest.raises(HistoryError, match=r"No set is dated before 2020-01-01; the log begins"):
        ReadinessForecaster().fit(small_log, "2020-01-01")


def test_a_word_for_a_date_is_named(small_log):
    with pytest.raises(HistoryError, match="as_of = 'soonish' is not a date"):
        build_histories(small_log, "soonish")


def test_settings_follow_the_usual_conventions():
    model = ReadinessForecaster(horizon_weeks=20, random_state=3)
    assert model.get_params()["horizon_weeks"] == 20
    assert model.set_params(horizon_weeks=9).horizon_weeks == 9
