"""Why a rung is on the coach's list: in sentences that agree with the figures behind them."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd
import pytest
from forecast.report.why import say_why
from forecast.report.words import NBSP, percent, say_percent

from forecast.plateau import urgent_first
from forecast.report import paragraphs, watch_table

AS_OF = pd.Timestamp("2026-06-01")


def row(**known) -> SimpleNamespace:
    usual = {
        "state": "flat", "gain": 0.003, "gain_low": -0.022, "gain_high": 0.029,
        "pain": float("nan"), "smallest_gain": 0.013, "changed": "",
        "since": pd.Timestamp("2026-03-30"),
        "since_low": pd.Timestamp("2026-01-12"), "since_high": pd.Timestamp("2026-05-13"),
        "less_clean": False, "reason": "as the watch says",
    }  # fmt: skip
    return SimpleNamespace(**usual | known)


def said(**known) -> str:
    return say_why(row(**known), AS_OF).replace(NBSP, " ")


def test_a_flat_rung_says_what_would_count_as_progress():
    text = said()
    assert "Lately +0.3 % a week (8 in 10 from −2.2 % to +2.9 %)" in text
    assert "Under 1.3 % a week counts as flat here (over a year to the mark)" in text
    assert "between mid-January and mid-May" in text
    assert "moving again" not in text


def test_a_gain_above_the_smallest_is_not_called_too_little():
    assert "perhaps moving again, but not clearly yet" in said(gain=0.016)


def test_near_the_mark_no_year_is_spoken_of():
    text = said(smallest_gain=0.005)
    assert "Under 0.5 % a week counts as flat." in text
    assert "year" not in text


def test_an_onset_that_cant_be_dated_is_not_dated():
    missing = dict.fromkeys(("since", "since_low", "since_high"), pd.NaT)
    assert "can't be told" in said(**missing)


@pytest.mark.parametrize("state", ["flat", "climbing", "paused"])
def test_pain_sets_dates_aside_whatever_the_state(state):
    text = said(state=state, pain=6.0)
    assert text.startswith("Pain of 6 noted")
    assert "clinician" in text
    assert ("flat since" in text) == (state == "flat")


@pytest.mark.parametrize("state", ["paused", "unclear", "climbing"])
def test_other_states_keep_the_words_of_the_watch(state):
    assert said(state=state) == "as the watch says"


def test_what_changed_is_no_cause():
    assert "which need not be why: a gap of 18 days" in said(changed="a gap of 18 days")


def test_the_watch_table_keeps_the_order_of_urgency(report_data):
    table = watch_table(report_data.plateaus, report_data.as_of)
    order = urgent_first(report_data.plateaus)["athlete"]
    assert list(table["athlete"]) == list(order)
    assert table["why"].str.len().gt(10).all()
    hurts = table["why"].str.startswith("Pain of").tolist()
    assert [state == "pain" for state in table["state"]] == hurts


def test_beside_pain_no_state_is_told_but_pain(report_data):
    table = watch_table(report_data.plateaus.assign(pain=6.0), report_data.as_of)
    assert set(table["state"]) == {"pain"}


@pytest.mark.parametrize(
    ("chance", "text"), [(0.0, "<1 %"), (0.004, "<1 %"), (0.555, "56 %"), (0.999, ">99 %")]
)
def test_no_chance_is_shown_as_certain(chance, text):
    assert percent(chance).replace(NBSP, " ") == text


def test_a_loss_has_a_minus_sign_and_no_hyphen():
    assert say_percent(-0.02) == f"−2.0{NBSP}%"


def test_paragraphs_show_names_as_text():
    shown = paragraphs("one <b>", "two\nthree")._repr_html_()
    assert shown == "<p>one &lt;b&gt;</p><p>two</p><p>three</p>"
