"""Laws of progress keep the properties their names promise."""

from dataclasses import fields

import numpy as np
import pytest

from forecast.errors import SimulationError
from forecast.simulate import GRACE_DAYS, LAWS, MAX_LOST, Cells, law_class

N = 4000


def cells(n=N, gap=0.7, pace=0.06):
    return Cells(
        gap=np.full(n, gap),
        pace=np.full(n, pace),
        trait=np.zeros(n),
        rate=np.full(n, 2.5),
        day=np.full(n, 19800.0),
    )


def train(law, weeks, seed=0, n=N, every=3, **start):
    """Levels after each session, shape (sessions, spells)."""
    rng = np.random.default_rng(seed)
    state = law.initial(rng, cells(n, **start))
    levels = [law.level(state)]
    for _ in range(int(weeks * 7 / every)):
        state = law.advance(state, float(every), True, rng)
        levels.append(law.level(state))
    return np.array(levels), state


@pytest.fixture(params=LAWS)
def law(request):
    return law_class(request.param).draw(np.random.default_rng(5))


def test_constants_lie_in_their_ranges_and_differ_by_seed(law):
    again = type(law).draw(np.random.default_rng(6))
    assert again != law
    for constant in fields(law):
        low, high = constant.metadata["range"]
        assert low <= getattr(law, constant.name) <= high


def test_every_law_starts_at_its_gap_and_climbs_on_average(law):
    levels, _ = train(law, 26)
    np.testing.assert_allclose(levels[0], -0.7)
    assert levels[-1].mean() > -0.55


def test_advance_leaves_the_state_it_was_given_alone(law):
    rng = np.random.default_rng(1)
    state = law.initial(rng, cells(50))
    before = {name: values.copy() for name, values in state.items()}
    law.advance(state, 3.0, True, rng)
    for name, values in before.items():
        np.testing.assert_array_equal(state[name], values)


def test_no_time_and_no_session_change_nothing(law):
    rng = np.random.default_rng(1)
    state = law.initial(rng, cells(50))
    still = law.advance(state, 0.0, False, rng)
    np.testing.assert_array_equal(law.level(still), law.level(state))


def test_gain_foretells_the_mean_change_of_the_next_week(law):
    rng = np.random.default_rng(2)
    _, state = train(law, 6, seed=2, n=40_000)
    expected = law.gain(state).mean()
    level = law.level(state)
    for _ in range(5):  # 2.5 sessions a week for two weeks
        state = law.advance(state, 14 / 5, True, rng)
    change = (law.level(state) - level) / 2
    error = 4 * change.std() / np.sqrt(change.size)
    # gains move within two weeks, so a fifth of the gain is allowed on top of sampling error
    assert abs(change.mean() - expected) < 0.2 * abs(expected) + error


def test_time_off_costs_level_and_training_brings_it_back(law):
    rng = np.random.default_rng(3)
    _, state = train(law, 4, seed=3)
    for _ in range(6):
        away = law.advance(state, 7.0, False, rng)
        state = away
    lost = away["lost"]
    weeks_off = (42 - GRACE_DAYS) / 7
    np.testing.assert_allclose(lost, min(weeks_off * law.detrain, MAX_LOST))
    for _ in range(20):
        state = law.advance(state, 2.5, True, rng)
    assert (state["lost"] < 0.15 * lost).all()


def test_steps_of_days_and_of_half_weeks_give_the_same_distribution(law):
    rng = np.random.default_rng(4)
    fine = coarse = law.initial(rng, cells(20_000))
    coarse = law.initial(rng, cells(20_000))
    for _ in range(14):
        for day in range(6):
            fine = law.advance(fine, 1.0, day % 3 == 2, rng)
        for _ in range(2):
            coarse = law.advance(coarse, 3.0, True, rng)
    a, b = law.level(fine), law.level(coarse)
    error = np.sqrt(a.var() / a.size + b.var() / b.size)
    assert abs(a.mean() - b.mean()) < 4.5 * error
    assert a.std() == pytest.approx(b.std(), rel=0.06)


def test_steady_mean_and_variance_are_those_of_drifted_brownian_motion():
    law = law_class("steady")(detrain=0.02, regain_days=10.0, wiggle=0.03)
    levels, _ = train(law, 30, n=20_000)
    weeks = 70 * 3 / 7
    assert levels[-1].mean() == pytest.approx(-0.7 + 0.06 * weeks, abs=0.005)
    assert levels[-1].std() == pytest.approx(0.03 * np.sqrt(weeks), rel=0.03)


def test_ceilings_hold_and_some_lie_below_the_target():
    law = law_class("ceiling").draw(np.random.default_rng(5))
    levels, state = train(law, 300)
    assert np.abs(levels[-1] - state["top"]).max() < 0.25
    never = (state["top"] < 0).mean()
    assert 0.02 < never < 0.5
    halves = np.diff(levels[[0, 50, 100]].mean(axis=1))
    assert halves[1] < halves[0]


def test_jumps_are_few_and_heavy_tailed():
    law = law_class("jumps")(detrain=0.02, regain_days=10.0, per_week=0.2, spread=1.0, wiggle=1e-9)
    levels, _ = train(law, 20)
    steps = np.diff(levels, axis=0)
    jumped = steps > 1e-6
    assert jumped.mean() == pytest.approx(1 - np.exp(-0.2 * 3 / 7), abs=0.003)
    sizes = steps[jumped]
    assert sizes.mean() == pytest.approx(0.06 / 0.2, rel=0.05)
    assert np.quantile(sizes, 0.95) > 3 * np.median(sizes)
    assert (steps > -1e-6).all()


def test_stalls_last_weeks_and_end():
    law = law_class("stalls").draw(np.random.default_rng(5))
    law = type(law)(**{**vars(law), "wiggle": 0.0})
    levels, _ = train(law, 150, n=500)
    flat = np.diff(levels, axis=0) == 0
    assert 0.3 < flat.mean() < 0.9
    # lengths of the stalls that began and ended within the time, in steps of three days
    lengths = []
    for spell in flat.T:
        edges = np.flatnonzero(np.diff(np.r_[0, spell.astype(int), 0]))
        starts, ends = edges[::2], edges[1::2]
        inner = (starts > 0) & (ends < spell.size)
        lengths += list((ends - starts)[inner] * 3 / 7)
    assert len(lengths) > 500
    assert np.quantile(lengths, 0.02) > 5.0
    assert max(lengths) <= 31.0


def test_learning_depends_on_sessions_not_on_time():
    law = law_class("learning")(detrain=0.02, regain_days=10.0, earlier=6.0, wiggle=0.0)
    often, _ = train(law, 12, every=1)
    seldom, _ = train(law, 48, every=4)
    np.testing.assert_allclose(often[-1], seldom[-1])
    gained = often - often[0]
    sessions = np.arange(gained.shape[0])
    slope = gained[-1, 0] / np.log1p(sessions[-1] / 6)
    np.testing.assert_allclose(gained[:, 0], slope * np.log1p(sessions / 6), atol=1e-12)


def test_wandering_has_the_variance_of_an_integrated_ornstein_uhlenbeck():
    law = law_class("wandering")(detrain=0.02, regain_days=10.0, memory_weeks=5.0, swing=0.05)
    levels, _ = train(law, 21, n=40_000)
    t, a = 49 * 3 / 7, 1 / 5.0
    # Taylor, Cumberland & Sy 1994, stationary gain: 2 s^2 / a^2 (a t + exp(-a t) - 1)
    expected = 2 * 0.05**2 / a**2 * (a * t + np.exp(-a * t) - 1)
    assert levels[-1].var() == pytest.approx(expected, rel=0.04)


def test_threshold_is_slow_then_fast_then_slow():
    law = law_class("threshold").draw(np.random.default_rng(5))
    levels, _ = train(law, 60)
    mean = levels.mean(axis=1)
    first, middle, last = mean[14] - mean[0], mean[35] - mean[21], mean[-1] - mean[-15]
    assert middle > 2 * first
    assert middle > 2 * last
    assert np.median(levels[-1]) == pytest.approx(law.margin, abs=0.1)


def test_seasonal_gain_differs_by_season_and_evens_out_over_a_year():
    law = law_class("seasonal")(detrain=0.02, regain_days=10.0, depth=0.8, peak=0.0, wiggle=0.001)
    levels, _ = train(law, 365.2425 / 7, n=200)
    quarter = np.diff(levels.mean(axis=1)[[0, 30, 61, 91, 121]])
    assert quarter.max() > 3 * quarter.min()
    assert levels[-1].mean() + 0.7 == pytest.approx(0.06 * 363 / 7, rel=0.02)


def test_an_unknown_law_is_named_with_the_known_ones():
    with pytest.raises(SimulationError, match=r"'straight'.*steady"):
        law_class("straight")
