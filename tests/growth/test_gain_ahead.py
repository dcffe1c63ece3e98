"""Chances expected of sessions against simulation; the gain ahead by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from unfitted_club import at_the_priors

from forecast.growth import to_log, track
from forecast.histories import build_histories


def test_chances_expected_are_those_of_simulated_sessions(small_model, small_log, small_cut):
    growth = small_model.engines_.growth
    tracked = track(growth, build_histories(small_log, small_cut))
    panel, filtered, noise = tracked.panel, tracked.filtered, growth.fit.constants.noise
    at = np.argsort(-filtered.before_mean)[:40:8]
    chance = tracked.chance_met(at)
    rng = np.random.default_rng(2)
    for one, said in zip(at, chance, strict=True):
        spell = panel.spell[one]
        day_sd = noise.day_sd[panel.measure[spell]] * tracked.filtered.scatter[spell]
        set_sd = noise.set_sd[panel.measure[spell]] * tracked.filtered.scatter[spell]
        better, worse = (
            rng.exponential(noise.day_up, 40_000),
            rng.exponential(noise.day_down, 40_000),
        )
        form = rng.standard_normal(40_000) + better - noise.day_up - (worse - noise.day_down)
        form *= day_sd
        level = filtered.before_mean[one] + np.sqrt(filtered.before_var[one]) * rng.standard_normal(
            40_000
        )
        ability = level + form - panel.threshold[spell]
        missed = np.ones(40_000)
        for k in range(int(panel.eligible[one])):
            missed *= 1 - (1 - noise.slip) * ndtr((ability + min(k, 4) * noise.fatigue) / set_sd)
        assert said == pytest.approx((1 - missed).mean(), abs=0.012)


def test_the_gain_ahead_is_the_motions_mean_over_six_weeks(club):
    plain = at_the_priors(club, practice=-40.0, log_fade=-40.0, log_alpha=np.log(0.3))
    mean, none = np.array([[-0.5, 0.04, 0.02]]), np.zeros(1)
    swung = 0.04 * (1.0 - np.exp(-1.8)) / 0.3
    expected = (0.02 * 6.0 + swung) / 6.0
    assert plain.gain_ahead(mean, none, none, none)[0] == pytest.approx(expected)
    # On the scale half way to the ratio the same position is another log.
    bent = replace(plain, linear=0.5)
    there = to_log(np.array([-0.5, -0.5 + 6.0 * expected]), 0.5)
    found = bent.gain_ahead(mean, none, none, none)[0]
    assert found == pytest.approx((there[1] - there[0]) / 6.0)
