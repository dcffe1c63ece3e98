"""Landmarks: moments spread over calendar time, and what was known at each of them."""

from __future__ import annotations

import dataclasses

import numpy as np
import pandas as pd
import pytest

from forecast.histories import CLEARED, OPEN, build_histories
from forecast.survival.landmarks import GOLDEN, cut_landmarks, landmark_features, training_landmarks


@pytest.fixture(scope="module")
def histories(small_log, small_cut):
    return build_histories(small_log, small_cut)


@pytest.fixture(scope="module")
def landmarks(histories):
    return training_landmarks(histories)


@pytest.fixture(scope="module")
def states(histories):
    n = len(histories.sessions)
    rng = np.random.default_rng(0)
    columns = {name: rng.normal(size=n) for name in ("level", "swing", "pace")}
    return pd.DataFrame({**columns, "var_level": rng.random(n), "var_gain": rng.random(n)})


def day_of(dates):
    return dates.to_numpy().astype("datetime64[D]").astype(np.int64)


def test_landmarks_lie_within_their_spells(histories, landmarks):
    spells = histories.spells.iloc[landmarks["spell"]]
    assert (landmarks["day"].to_numpy() > day_of(spells["start"])).all()
    assert (landmarks["day"].to_numpy() <= day_of(spells["end"])).all()
    assert len(landmarks) > 50


def test_weeks_run_to_the_end_of_what_is_known(histories, landmarks):
    spells = histories.spells.iloc[landmarks["spell"]]
    expected = (day_of(spells["end"]) - landmarks["day"].to_numpy()) / 7.0
    np.testing.assert_allclose(landmarks["weeks"], expected)
    assert (landmarks["cleared"].to_numpy() == (spells["outcome"] == CLEARED).to_numpy()).all()


def test_the_session_is_the_last_one_before_the_landmark(histories, landmarks):
    sessions = histories.sessions
    day = day_of(sessions["date"])
    for row in landmarks.itertuples():
        own = np.flatnonzero(sessions["spell"].to_numpy() == row.spell)
        assert row.session == own[day[own] < row.day].max()


def test_a_spell_weighs_in_by_how_long_it_lasted(histories, landmarks):
    counts = landmarks["spell"].value_counts().reindex(range(len(histories.spells)), fill_value=0)
    spans = day_of(histories.spells["end"]) - day_of(histories.spells["start"])
    assert np.corrcoef(counts.to_numpy(), spans)[0, 1] > 0.95


def test_landmarks_three_weeks_apart_count_in_full(histories, landmarks, monkeypatch):
    assert landmarks["weight"].unique() == pytest.approx([1 / 3])
    monkeypatch.setattr("forecast.survival.landmarks.MAX_LANDMARKS", 20)  # farther than three
    few = training_landmarks(histories)
    assert len(few) < len(landmarks) / 4
    assert few["weight"].unique().tolist() == [1.0]


def test_first_days_are_spread_as_evenly_as_days_can_be():
    assert pytest.approx(1.0 - GOLDEN) == GOLDEN**2  # what the golden section is (Euclid VI.30)


def test_where_nothing_counted_the_best_is_bounded(small_log, small_cut, with_sets):
    unclean = build_histories(with_sets(small_log, small_log.sets.assign(clean=False)), small_cut)
    names = ["level", "swing", "pace", "var_level", "var_gain"]
    level = pd.DataFrame(0.0, index=unclean.sessions.index, columns=names)
    features = landmark_features(unclean, training_landmarks(unclean), level)
    assert (features[["best", "ever"]] == -2.0).all(axis=None)


def test_the_seed_decides_the_days(histories, landmarks):
    pd.testing.assert_frame_equal(training_landmarks(histories), landmarks)


def test_landmarks_at_the_cut(histories):
    (spell,) = np.nonzero((histories.spells["outcome"] == OPEN).to_numpy())
    table = cut_landmarks(histories, spell)
    last = histories.sessions.groupby("spell").tail(1)
    last = last[last["spell"].isin(spell)]
    np.testing.assert_array_equal(table["session"], last.index)


def test_features_are_what_was_known_then(histories, landmarks, states):
    features = landmark_features(histories, landmarks, states)
    sessions = histories.sessions
    targets = {rung.key: rung.criterion for rung in histories.ladder.rungs}
    for place in np.linspace(0, len(landmarks) - 1, 40).astype(int):
        mark, row = landmarks.iloc[place], features.iloc[place]
        own = sessions[sessions["spell"] == mark["spell"]]
        seen = own[day_of(own["date"]) < mark["day"]]
        recent = seen.tail(8)
        criterion = targets[seen["rung"].iloc[0]]
        assert row["meets"] == pytest.approx(recent["meets"].mean())
        assert row["counting"] == pytest.approx(recent["n_counting"].sum() / recent["n_sets"].sum())
        assert row["run"] == pytest.approx(seen["run"].iloc[-1] / criterion.confirm_sessions)
        assert row["wait"] == pytest.approx((mark["day"] - day_of(seen["date"])[-1]) / 7.0)
        weeks_served = (mark["day"] - day_of(seen["date"])[0]) / 7.0
        assert row["served"] == pytest.approx(np.log1p(weeks_served))
        spells = histories.spells[histories.spells["athlete"] == seen["athlete"].iloc[0]]
        before = (day_of(spells["end"]) < mark["day"]) & (spells["outcome"] == CLEARED).to_numpy()
        assert row["cleared_before"] == pytest.approx(np.log1p(before.sum()))
        weeks_known = (mark["day"] - day_of(spells["start"]).min()) / 7.0
        assert row["since_first"] == pytest.approx(np.log1p(weeks_known))
        shown = seen["best"].fillna(0.0) / criterion.target
        top = shown[shown == shown.max()].index[-1]  # equalled is shown again
        weeks_old = (mark["day"] - day_of(seen["date"])[seen.index.get_loc(top)]) / 7.0
        assert row["ever"] == pytest.approx(np.clip(np.log(max(shown.max(), 1e-9)), -2, 1))
        assert row["best"] == pytest.approx(np.clip(np.log(max(shown.tail(6).max(), 1e-9)), -2, 1))
        assert row["since_best"] == pytest.approx(np.log1p(weeks_old))
        assert row["sessions"] == pytest.approx(np.log(len(seen)))
        assert row["log_wait"] == pytest.approx(np.log1p(row["wait"]))
        weeks_lately = (mark["day"] - day_of(recent["date"])[0]) / 7.0
        assert row["rate"] == pytest.approx(len(recent) / max(weeks_lately, 1.0))
        assert row["year"] == pytest.approx(mark["day"] / 365.25, abs=0.05)
        assert row["rung"] == histories.ladder.keys.index(seen["rung"].iloc[0])
        state = states.iloc[int(mark["session"])]
        assert row["level_sd"] == pytest.approx(np.sqrt(state["var_level"]))
        assert row["gain_sd"] == pytest.approx(np.sqrt(state["var_gain"]))
        assert row["pace"] == state["pace"]
        assert row["level"] == state["level"]
        assert row["gain"] == pytest.approx(state["swing"] + state["pace"])


def test_the_future_of_a_spell_does_not_reach_its_features(
    small_log, small_cut, histories, landmarks, states, with_sets
):
    """Sets of each spell changed after a landmark leave that landmark's features alone."""
    middle = landmarks[landmarks["day"] == landmarks["day"].sort_values().iloc[len(landmarks) // 2]]
    day = pd.Timestamp("1970-01-01") + pd.Timedelta(days=int(middle["day"].iloc[0]))
    late = small_log.sets["date"] >= day
    changed = with_sets(
        small_log, small_log.sets.assign(value=small_log.sets["value"].mask(late, 0.0))
    )
    other = build_histories(changed, small_cut)
    for mark in middle.itertuples():
        row = histories.spells.iloc[mark.spell]
        same = (other.spells["athlete"] == row["athlete"]) & (other.spells["rung"] == row["rung"])
        moved = pd.DataFrame({"spell": np.flatnonzero(same), "day": [mark.day]})
        moved["session"] = other.sessions[
            (other.sessions["spell"] == moved["spell"].iloc[0]) & (other.sessions["date"] < day)
        ].index.max()
        theirs = landmark_features(other, moved, states.reindex(range(10**4)).fillna(0.0))
        ours = landmark_features(
            histories, pd.DataFrame([mark])[["spell", "day", "session"]], states
        )
        for name in (
            "wait",
            "served",
            "rate",
            "meets",
            "counting",
            "run",
            "best",
            "rung",
            "since_first",
        ):
            assert ours[name].item() == pytest.approx(theirs[name].item()), name


def test_features_do_not_change_their_inputs(histories, landmarks, states):
    before = landmarks.copy(deep=True)
    landmark_features(histories, landmarks, states)
    pd.testing.assert_frame_equal(landmarks, before)
    assert dataclasses.is_dataclass(histories)


def test_features_are_finite_at_states_beyond_belief(histories, landmarks, states):
    wild = states.assign(
        level=np.resize([np.inf, -np.inf, 1e9], len(states)),
        swing=1e5,
        var_level=np.resize([-1e-18, np.inf], len(states)),
        var_gain=-1e-18,
    )
    features = landmark_features(histories, landmarks, wild)
    assert np.isfinite(features.to_numpy(dtype=float)).all()
    at = landmarks["session"].to_numpy()
    # A thousand times the mark, e^7, and no farther.
    np.testing.assert_array_equal(features["level"], np.array([7.0, -7.0, 7.0])[at % 3])
    np.testing.assert_array_equal(features["level_sd"], np.array([0.0, 7.0])[at % 2])
    assert (features["gain"] == 7.0).all()
    assert (features["gain_sd"] == 0.0).all()


def test_a_silence_counts_by_the_chance_of_coming_back(histories, landmarks):
    spells = histories.spells
    is_open = (spells["outcome"] == OPEN).to_numpy()
    assert is_open.sum() > 3
    last, end = day_of(spells["last_session"]), day_of(spells["end"])
    cut = day_of(pd.Series([histories.as_of]))[0]
    for chance, known in ((0.0, last), (0.09, last), (0.11, np.full(len(spells), cut))):
        table = training_landmarks(histories, np.full(len(spells), chance))
        mine = is_open[table["spell"]]
        row, day = table["spell"].to_numpy(), table["day"].to_numpy()
        np.testing.assert_allclose(table["weeks"], (np.where(mine, known[row], end[row]) - day) / 7)
        np.testing.assert_allclose(table["sure"], (np.where(mine, last[row], end[row]) - day) / 7)
        np.testing.assert_array_equal(table["stays"], np.where(mine, chance, 1.0))
        assert table["weight"].unique() == pytest.approx([1 / 3])  # one a week, three count as one
    assert (landmarks["stays"] == 1.0).all()


def test_landmarks_stand_a_week_apart(landmarks):
    steps = landmarks.groupby("spell")["day"].diff().dropna()
    assert len(steps) > 50
    assert steps.isin([6, 7, 8]).all()
    assert steps.mean() == pytest.approx(7.0, abs=0.1)
