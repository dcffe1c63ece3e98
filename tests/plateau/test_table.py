"""States of invented athletes whose records leave no doubt, and the watch list made of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.errors import ForecastError, NotFittedError
from forecast.log import SET_COLUMNS, TrainingLog
from forecast.model import ReadinessForecaster
from forecast.plateau import COLUMNS, STATES, learn_plateaus, plateaus, urgent_first, watch_list
from forecast.plateau.changes import changes_since, longer_but_less_clean

CUT = pd.Timestamp("2024-10-07")
RUNG, TARGET = "wall_line", 20.0
SESSIONS = 60
STEP = 4


def days(count=SESSIONS):
    until = CUT - pd.Timedelta(days=2)
    return [until - pd.Timedelta(days=STEP * k) for k in range(count)][::-1]


def sets_of(name, values, dates, *, sets=3, **extra):
    """Sets of one athlete: the value of each session, a little less in each later set."""
    rng = np.random.default_rng(sum(map(ord, name)))
    rows = []
    for k, (date, value) in enumerate(zip(dates, values, strict=True)):
        form = np.exp(0.06 * rng.standard_normal())
        for number in range(sets):
            seen = value * form * np.exp(0.05 * rng.standard_normal() - 0.04 * number)
            row = {
                "athlete": name, "date": date, "rung": RUNG, "set": number + 1,
                "value": float(np.round(seen)), "clean": True, "assisted": False,
                "assist": "none", "load_kg": np.nan, "stopped": "failed", "effort": np.nan,
                "pain": np.nan, "note": "", "file": "made", "row": 0,
            }  # fmt: skip
            rows.append(row | {key: f(k, number, row) for key, f in extra.items()})
    return rows


def climb(start, per_week, sessions=SESSIONS):
    return start * np.exp(per_week * STEP / 7 * np.arange(sessions))


def then_flat(start, per_week, at, sessions=SESSIONS):
    return start * np.exp(per_week * STEP / 7 * np.minimum(np.arange(sessions), at))


@pytest.fixture(scope="module")
def made(small_cohort):
    long, stop = days(), 30
    rows = [
        *sets_of("climbs", climb(3.0, 0.045), long),
        *sets_of("stuck", then_flat(4.0, 0.06, stop), long),
        *sets_of("slips", 4.0 * np.exp(np.r_[0.03 * np.arange(30), 0.9 - 0.022 * np.arange(30)]),
                 long),
        *sets_of("away", then_flat(4.0, 0.06, stop), [d - pd.Timedelta(weeks=7) for d in long]),
        *sets_of("new", np.full(4, 5.0), days(4)),
        *sets_of("coarse", climb(4.0, 0.04), long,
                 value=lambda k, n, row: 5.0 * np.round(row["value"] / 5.0)),
        *sets_of("stops", climb(4.0, 0.05), long,
                 value=lambda k, n, row: min(row["value"], 8.0),
                 stopped=lambda k, n, row: "target" if row["value"] >= 8.0 else "failed"),
        *sets_of("sloppy", climb(3.0, 0.045), long,
                 clean=lambda k, n, row: k < 52 or n == 0),
        *sets_of("hurts", then_flat(4.0, 0.06, stop), long,
                 pain=lambda k, n, row: 6.0 if k > 55 else np.nan,
                 clean=lambda k, n, row: k < 30 or n != 1),
    ]  # fmt: skip
    sets = pd.DataFrame(rows).astype(SET_COLUMNS)
    sets = sets.sort_values(["athlete", "date", "rung", "set"], ignore_index=True)
    log = small_cohort.log
    return TrainingLog(sets, log.rejected, (), log.roster.iloc[:0], log.ladder, len(sets))


@pytest.fixture(scope="module")
def table(small_model, made):
    return plateaus(small_model, made, CUT)


@pytest.fixture(scope="module")
def of(table):
    rows = table[table["rung"] == RUNG].set_index("athlete")
    return lambda name: rows.loc[name]


def test_columns_and_states(table):
    assert tuple(table.columns) == COLUMNS
    assert set(table["state"]) <= set(STATES)
    assert not table.duplicated(["athlete", "rung"]).any()


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("climbs", "climbing"),
        ("stuck", "flat"),
        ("slips", "slipping"),
        ("away", "paused"),
        ("new", "unclear"),
        ("coarse", "climbing"),
    ],
)
def test_states_that_leave_no_doubt(of, name, state):
    assert of(name)["state"] == state, of(name)["reason"]


def test_a_set_stopped_at_a_mark_is_no_ceiling(of):
    row = of("stops")
    assert row["state"] not in ("flat", "slipping"), row["reason"]
    # Capped at 8 for half the record, a year and a half of misses there would leave no doubt.
    assert row["p_flat"] < 0.7


def test_the_same_numbers_without_a_stop_are_a_ceiling(small_model, made):
    sets = made.sets[made.sets["athlete"] == "stops"].assign(stopped="failed")
    log = TrainingLog(sets, made.rejected, (), made.roster, made.ladder, len(sets))
    rules = learn_of(small_model, made)
    row = plateaus(small_model, log, CUT, rules=rules).set_index("rung").loc[RUNG]
    assert row["state"] in ("flat", "slipping")


def learn_of(model, log):
    from forecast.histories import build_histories

    histories = build_histories(log, CUT, log_start=model.engines_.log_start)
    return learn_plateaus(model.engines_.growth, histories)


def test_the_start_is_dated_with_a_range(of):
    row = of("stuck")
    true = days()[30]
    assert row["since_low"] <= row["since"] <= row["since_high"]
    assert abs((row["since"] - true).days) <= 28
    assert row["weeks_flat"] == pytest.approx((CUT - row["since"]).days / 7, abs=0.1)
    assert of("climbs")[["since", "since_low", "weeks_flat"]].isna().all()


def test_numbers_agree_with_states(of):
    assert of("stuck")["p_flat"] > 0.5 > of("climbs")["p_flat"]
    assert of("slips")["gain_high"] < 0
    # An 80 % range misses one in five; twice as wide, one in a hundred.
    row = of("climbs")
    assert (
        abs(0.5 * (row["gain_low"] + row["gain_high"]) - 0.045) < row["gain_high"] - row["gain_low"]
    )
    assert of("stuck")["gain_low"] < 0.0 + 0.02
    assert of("stuck")["smallest_gain"] >= 0.005


def test_reasons_say_it_in_words(of):
    assert "since about" in of("stuck")["reason"]
    assert "a pause" in of("away")["reason"]
    assert "too few" in of("new")["reason"]
    assert "highest pain" in of("hurts")["changed"]
    assert f"(seen together, no cause): {of('hurts')['changed']}." in of("hurts")["reason"]
    assert of("climbs")["changed"] == ""
    assert "no cause" not in of("climbs")["reason"]


def test_longer_but_less_clean_is_named(of):
    assert of("sloppy")["less_clean"]
    assert "Longer but less clean" in of("sloppy")["reason"]
    assert not of("climbs")["less_clean"]


def test_what_changed_is_seen_in_the_log(small_model, made):
    from forecast.histories import build_histories

    histories = build_histories(made, CUT, log_start=small_model.engines_.log_start)
    spell = histories.spells.index[histories.spells["athlete"] == "hurts"][0]
    sessions = histories.sessions[histories.sessions["spell"] == spell]
    sets = histories.sets[histories.sets["spell"] == spell]
    words = changes_since(sessions, sets, days()[30])
    assert "clean sets 100 % then 67 %" in words
    assert "highest pain none noted then 6" in words
    assert "attendance" not in words
    assert changes_since(sessions, sets, days()[0]) == ""
    assert not longer_but_less_clean(sets)


def test_pain_comes_first_with_the_caution(table):
    listed = urgent_first(table)
    assert listed.loc[0, "athlete"] == "hurts"
    assert "clinician" in listed.loc[0, "next_step"]
    assert listed["urgency"].is_monotonic_increasing
    climbing = table.loc[(table["state"] == "climbing") & ~table["less_clean"], "athlete"]
    assert not set(climbing) & set(listed["athlete"])


def test_watch_list_is_the_table_in_order_of_urgency(small_model, made, table):
    rules = learn_of(small_model, made)
    listed = watch_list(small_model, made, CUT, rules=rules)
    same = urgent_first(plateaus(small_model, made, CUT, rules=rules))
    pd.testing.assert_frame_equal(listed, same)


def test_nothing_from_the_cut_on_is_used(small_model, made):
    rules = learn_of(small_model, made)
    early = CUT - pd.Timedelta(weeks=8)
    model = small_model.in_hindsight()
    whole = plateaus(model, made, early, rules=rules)
    part = plateaus(model, made.before(early), early, rules=rules)
    pd.testing.assert_frame_equal(whole, part)


def test_others_and_names_change_nothing(small_model, made):
    rules = learn_of(small_model, made)
    whole = plateaus(small_model, made, CUT, rules=rules).set_index(["athlete", "rung"])
    sets = made.sets[made.sets["athlete"] == "stuck"].assign(athlete="zed")
    log = TrainingLog(sets, made.rejected, (), made.roster, made.ladder, len(sets))
    alone = plateaus(small_model, log, CUT, rules=rules).set_index(["athlete", "rung"])
    row, same = alone.loc[("zed", RUNG)], whole.loc[("stuck", RUNG)]
    for name in ("state", "since", "gain", "p_flat", "reason"):
        assert row[name] == same[name], name


def test_a_looser_setting_flags_more(small_model, made):
    rules = learn_of(small_model, made)
    flagged = []
    for rate in (0.02, 1.0):
        states = plateaus(small_model, made, CUT, false_alarms_per_year=rate, rules=rules)
        flat = states["state"].isin(["flat", "slipping"])
        flagged.append(set(states.loc[flat, "athlete"]))
    assert flagged[0] < flagged[1]  # and more: else the setting does nothing


def test_a_larger_smallest_gain_makes_slow_climbs_flat(small_model, made):
    rules = learn_of(small_model, made)
    row = plateaus(small_model, made, CUT, smallest_gain=0.2, rules=rules)
    row = row[row["rung"] == RUNG].set_index("athlete").loc["climbs"]
    assert row["state"] != "climbing"
    assert row["p_flat"] > 0.8


def test_slips_of_the_caller_are_sentences(made):
    with pytest.raises(NotFittedError, match="fit"):
        plateaus(ReadinessForecaster(), made)


def test_settings_are_checked(small_model, made):
    with pytest.raises(ForecastError, match="false_alarms_per_year = 0"):
        plateaus(small_model, made, CUT, false_alarms_per_year=0)
