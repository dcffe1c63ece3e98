"""The learnt verdict: figures, trees, the club's own share, flags and dates."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy.special import softmax

from forecast.errors import ForecastError
from forecast.histories import build_histories
from forecast.log import TrainingLog
from forecast.plateau import (
    HABITS,
    NAMES,
    ClubVerdict,
    figures_at,
    flags_of,
    learn_shares,
    limit_for,
    own_shares,
    read_verdict,
    table_of,
    table_of_careers,
    verdicts,
    verdicts_at,
    weeks_back,
)
from forecast.plateau.learn import CHECK, cases_of, digest, gather, grow, main, scores, true_gain
from forecast.simulate import invent_careers


@pytest.fixture(scope="module")
def careers():
    return invent_careers(300, seed=4)


@pytest.fixture(scope="module")
def cases(careers):
    return cases_of(careers, np.random.default_rng(1))


@pytest.fixture(scope="module")
def histories(small_log, small_cut):
    return build_histories(small_log, small_cut)


def ends(table, spells):
    return table.start[spells] + table.length[spells] - 1


# figures ------------------------------------------------------------------------------------


def test_figures_of_careers_are_finite_and_named(cases):
    assert cases.figures.shape == (len(cases.gain), len(NAMES))
    assert np.isfinite(cases.figures).all()
    assert len(set(NAMES)) == len(NAMES)
    assert set(cases.kind) == {0, 1, 2}


@pytest.mark.parametrize(
    "change",
    [{"value": 0.0}, {"clean": False}, {"assisted": True}, {"value": 1e4}],
    ids=["missed", "unclean", "helped", "huge"],
)
def test_nothing_made_unclean_or_with_help_gives_finite_verdicts(small_log, small_cut, change):
    sets = small_log.sets.assign(**change)
    log = TrainingLog(sets, small_log.rejected, (), small_log.roster, small_log.ladder, len(sets))
    histories = build_histories(log, small_cut)
    found = verdicts(histories)
    assert np.isfinite(found[["p_climbing", "gain", "gain_low", "gain_high"]]).all(axis=None)


def test_nothing_later_is_seen(small_log, small_cut, histories):
    table = table_of(histories)
    spell = np.flatnonzero(table.length >= 12)
    at = table.start[spell] + 7
    whole = figures_at(table, spell, at, np.zeros(len(HABITS)))
    for s, q, row in zip(spell[:8], at[:8], whole[:8], strict=True):
        early = np.datetime64(int(table.day[q]) + 1, "D")
        part = build_histories(small_log, str(early), log_start=histories.log_start)
        name, rung = histories.spells.loc[s, ["athlete", "rung"]]
        same = part.spells["athlete"].eq(name) & part.spells["rung"].eq(rung)
        own = np.flatnonzero(same)
        again = table_of(part)
        again = replace(again, unit=np.full(len(again.unit), table.unit[s]))
        np.testing.assert_allclose(
            figures_at(again, own, ends(again, own), np.zeros(len(HABITS)))[0], row, atol=1e-6
        )


def test_the_true_gain_is_that_of_six_weeks_drawn_straight(careers):
    table = table_of_careers(careers)
    level = 0.02 * table.day / 7.0
    spell = np.flatnonzero(table.length >= 3)
    gain = true_gain(table, level, spell, ends(table, spell))
    old = table.day[ends(table, spell)] - table.day[table.start[spell]] >= 14
    np.testing.assert_allclose(gain[old], 0.02, atol=1e-9)
    assert np.isnan(gain[~old]).all()


# trees --------------------------------------------------------------------------------------


def test_the_arrays_say_what_scikit_learn_says(cases):
    model, fitted = grow(cases, 0, max_iter=20)
    ours = model.outputs(cases.figures)
    np.testing.assert_allclose(
        softmax(ours[:, :4], axis=1), fitted[0].predict_proba(cases.figures), atol=1e-9
    )
    trend = cases.figures[:, NAMES.index("trend: rise of 6 weeks")].clip(-0.3, 0.3)
    for k, one in enumerate(fitted[1:]):
        beside = one.predict(cases.figures)
        np.testing.assert_allclose(ours[:, 4 + k], np.arcsinh(trend / 0.01) + beside, atol=1e-9)


@pytest.mark.nightly
def test_learning_again_gives_the_same_bytes(tmp_path):
    cards = []
    for name in ("one", "two"):
        main(["--cases", "300", "--seed", "3", "--out", str(tmp_path / f"{name}.npz")])
        cards.append((tmp_path / f"{name}.json").read_text())
    assert cards[0] == cards[1]
    assert (tmp_path / "one.npz").read_bytes() == (tmp_path / "two.npz").read_bytes()


def test_the_shipped_trees_are_those_of_their_card_and_score_what_it_says():
    card = json.loads((files("forecast.plateau") / "verdict.json").read_text())
    assert digest(read_verdict()) == card["hash"]
    page = (Path(__file__).parents[2] / "docs" / "method" / "plateau.md").read_text()
    assert card["hash"] in page
    assert card["command"] in page
    assert scores(read_verdict(), gather(*CHECK)) == pytest.approx(card["check"], abs=1e-3)


@pytest.mark.nightly
def test_one_command_makes_the_shipped_trees_again(tmp_path):
    card = json.loads((files("forecast.plateau") / "verdict.json").read_text())
    main([*card["command"].split()[3:], "--out", str(tmp_path / "again.npz")])
    assert json.loads((tmp_path / "again.json").read_text()) == card


def test_the_range_of_the_gain_agrees_with_the_chances(histories):
    found = verdicts(histories)
    below = {-0.005: found["p_slipping"], "least": 1.0 - found["p_climbing"]}
    for mark, chance in below.items():
        at = found["smallest_gain"] if mark == "least" else mark
        for point, share in (("gain_low", 0.1), ("gain", 0.5), ("gain_high", 0.9)):
            lower = chance >= share
            assert (found[point] <= at)[lower].all()
            assert (found[point] >= at)[~lower].all()


# the club's own share -----------------------------------------------------------------------


def test_shares_of_a_club_are_found_by_em():
    # Two classes that figures tell apart for sure: EM returns the shares themselves.
    usual = np.array([0.5, 0.4, 0.1])
    sure = np.eye(3)[np.repeat([0, 1, 2], [800, 150, 50])]
    np.testing.assert_allclose(own_shares(sure, usual, prior=0.0), [0.8, 0.15, 0.05], atol=1e-6)
    # Chances that say nothing leave what was usual, and so does a strong opinion before.
    vague = np.tile(usual, (1000, 1))
    np.testing.assert_allclose(own_shares(vague, usual, prior=1.0), usual)
    shrunk = own_shares(sure, usual, prior=1000.0)
    np.testing.assert_allclose(shrunk, 0.5 * (usual + np.array([0.8, 0.15, 0.05])), atol=1e-6)


def test_another_share_moves_every_chance(histories):
    table = table_of(histories)
    spell = np.flatnonzero(table.length > 5)
    usual = read_verdict().shares
    plain = verdicts_at(table, spell, ends(table, spell))
    still = ClubVerdict(np.array([0.1, 0.8, 0.1]), 500, read_verdict().habits)
    moved = verdicts_at(table, spell, ends(table, spell), still)
    assert (moved.chances[:, 1] > plain.chances[:, 1] - 1e-3).all()
    odds = moved.chances[:, 1] / moved.chances[:, 0] / (plain.chances[:, 1] / plain.chances[:, 0])
    inner = (plain.chances > 0.01).all(axis=1) & (moved.chances > 0.01).all(axis=1)
    np.testing.assert_allclose(odds[inner], 8.0 / (usual[1] / usual[0]), rtol=1e-2)
    assert (moved.gains <= plain.gains).all()  # the middle follows the likelier side
    learnt = learn_shares(histories)
    assert learnt.shares.sum() == pytest.approx(1.0)
    assert 0 < learnt.looks <= len(histories.open_spells)


# flags, limits, dates -----------------------------------------------------------------------


def test_a_flag_stays_up_while_looks_agree():
    nan = np.nan
    seen = np.array(
        [
            [0.9, 0.6, 0.2, 0.9],  # newest first: high now
            [0.5, 0.9, 0.6, 0.1],  # went up a week ago, and is even now
            [0.4, 0.9, 0.9, 0.9],  # has come down
            [0.6, nan, 0.9, 0.1],  # a week without a session breaks nothing
            [0.7, 0.4, 0.9, 0.9],  # was high before it came down
            [0.7, 0.7, 0.7, 0.7],  # never ready
        ]
    )
    assert flags_of(seen, seen >= 0.8).tolist() == [True, True, False, True, False, False]


def test_a_stretch_reaches_back_as_far_as_the_looks_say():
    sure, even = np.full((1, 60), 1.0), np.full((1, 60), 0.5)
    assert weeks_back(sure).tolist() == [[59, 59, 59]]
    # six looks count as one: half of the chance is left after six even looks, a tenth after 19
    assert weeks_back(even).tolist() == [[18, 5, 0]]
    seen = np.r_[np.full(8, 0.97), np.full(52, 0.01)][None]
    assert weeks_back(seen)[0, 1] == 7


def test_stricter_settings_have_higher_limits():
    limits = np.array([limit_for(rate) for rate in (0.05, 0.2, 1.0)])
    assert (np.diff(limits) > 0).all()
    assert ((limits > 0.0) & (limits <= 1.0)).all()
    for wrong in (0, -1, 11, "x", None):
        with pytest.raises(ForecastError, match="false_alarms_per_year"):
            limit_for(wrong)
    with pytest.raises(ForecastError, match="smallest_gain = 2"):
        limit_for(0.2, 2)


def test_the_table_of_verdicts(histories):
    found = verdicts(histories)
    assert found["athlete"].tolist() == histories.open_spells["athlete"].tolist()
    chances = found[["p_climbing", "p_flat", "p_slipping"]]
    np.testing.assert_allclose(chances.sum(axis=1), 1.0)
    assert (found["gain_low"] <= found["gain"]).all()
    assert (found["gain"] <= found["gain_high"]).all()
    dated = found[found["flagged"]]
    assert (dated["since_low"] <= dated["since"]).all()
    assert (dated["since"] <= dated["since_high"]).all()
    assert found.loc[~found["flagged"], "since"].isna().all()
    harder = verdicts(histories, smallest_gain=0.05)
    assert (harder["p_climbing"] <= found["p_climbing"] + 0.01).all()
    np.testing.assert_allclose(harder["p_slipping"], found["p_slipping"], atol=0.01)
