"""Sets written down, and the same read backwards: both sides must agree."""

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest
from reference.likelihood import session_likelihood
from slow import day_and_night

from forecast.simulate.emission import MAX_SETS, Marks, draw_sets, round_value
from forecast.simulate.population import NOISE_CLASSES, draw_population

POPULATION = draw_population(np.random.default_rng(8), 3)
LABELS = ["failed", "target", "choice"]


def marks(n, target=10.0, whole=False, unit=1.0, load=0.0, stops=0.6, notes=True):
    return Marks(
        target=np.full(n, target),
        whole=np.full(n, whole),
        unit=np.full(n, unit),
        load=np.full(n, load),
        noise=np.ones(n),
        usual_sets=np.full(n, 3),
        stops=np.full(n, stops),
        notes_stopped=np.full(n, notes),
    )


def draw(level, n=2000, seed=0, form_df=np.inf, **habits):
    rng = np.random.default_rng(seed)
    return draw_sets(rng, POPULATION, np.full(n, level), marks(n, **habits), form_df)


def test_a_stopwatch_rounds_to_its_unit_and_repetitions_count_when_complete():
    value = np.array([9.4, 9.5, 12.4, 12.5, 0.49, 7.99])
    whole = np.zeros(6, dtype=bool)
    np.testing.assert_array_equal(round_value(value, np.float64(1), whole), [9, 10, 12, 13, 0, 8])
    np.testing.assert_array_equal(round_value(value, np.float64(5), whole), [10, 10, 10, 15, 0, 10])
    np.testing.assert_array_equal(round_value(value, np.float64(1), ~whole), [9, 9, 12, 12, 0, 7])


def test_values_are_multiples_of_the_unit_and_never_negative():
    for unit in (0.5, 1.0, 5.0):
        drawn = draw(-0.5, unit=unit)
        assert (drawn.value >= 0).all()
        np.testing.assert_allclose(np.mod(drawn.value / unit, 1), 0)


def test_sets_stopped_at_the_target_show_no_more_than_one_unit_above_it():
    drawn = draw(0.6, stops=0.9)
    at_target = drawn.done & (drawn.stopped == "target")
    assert at_target.mean() > 0.2
    assert set(np.unique(drawn.value[at_target])) <= {10.0, 11.0}
    assert not (draw(0.6, stops=0.0).stopped == "target").any()


def test_what_counts_is_clean_unassisted_loaded_and_at_the_target():
    drawn = draw(0.0, load=2.0, n=6000)
    rule = drawn.done & drawn.clean & ~drawn.band & (drawn.load >= 2.0) & (drawn.value >= 10)
    np.testing.assert_array_equal(drawn.counts, rule)
    assert 0.05 < drawn.counts.mean() < 0.95
    light = drawn.load < 2.0
    assert light[:, 0].any()
    assert not light[:, 1:].any()


def test_bands_are_for_those_far_off_and_unclean_sets_for_the_weak():
    far, near = draw(-1.5), draw(0.2)
    assert far.band.mean() > 0.3
    assert near.band.mean() < 0.01
    assert far.clean.mean() < near.clean.mean()
    plain = far.done & far.clean & ~far.band
    helped = far.done & far.clean & far.band
    assert far.value[helped].mean() > 1.2 * far.value[plain].mean()


def test_later_sets_are_weaker():
    drawn = draw(-0.3, n=20_000)
    shown = np.where(drawn.done & drawn.clean & ~drawn.band, drawn.value, np.nan)
    assert np.nanmean(shown[:, 0]) > np.nanmean(shown[:, 3]) * 1.05


def test_nothing_is_said_of_why_a_set_stopped_where_it_is_not_noted():
    assert set(np.unique(draw(0.0, notes=False).stopped)) == {"unknown"}


def table_of(rows, form_df=np.inf):
    sets = pd.DataFrame(rows)
    likelihood = session_likelihood(sets, np.arange(len(sets), dtype=np.intp), POPULATION, form_df)
    return sets, likelihood


def row(value, clean, assisted, stopped, **more):
    usual = {"set": 1, "light": False, "target": 10.0, "unit": 1.0, "whole": False, "stops": 0.6}
    return usual | {"value": value, "clean": clean, "assisted": assisted, "stopped": stopped} | more


@pytest.mark.parametrize("form_df", day_and_night([np.inf, 3.0], {3.0}))
@pytest.mark.parametrize(
    "habits",
    [{}, {"unit": 5.0}, {"whole": True, "target": 4.0}, {"unit": 0.5}, {"stops": 0.0, "set": 4}],
)
@pytest.mark.parametrize("labels", [LABELS, pytest.param(["unknown"], marks=pytest.mark.nightly)])
def test_chances_of_all_that_can_be_written_add_up_to_one(habits, labels, form_df):
    unit = habits.get("unit", 1.0)
    rows = [
        row(value, clean, band, stopped, **habits)
        for value in np.arange(0, 150 * unit**0, unit)
        for clean in (True, False)
        for band in (True, False)
        for stopped in labels
    ]
    _, likelihood = table_of(rows, form_df)
    total = np.exp(likelihood.table).sum(axis=0)
    level = likelihood.low + likelihood.step * np.arange(total.shape[1])
    # eleven nodes stand for the even spread of a set broken off by choice
    np.testing.assert_allclose(total[:, (level > -2.5) & (level < 1.2)], 1.0, atol=2e-3)


@pytest.mark.parametrize("level", [-1.0, -0.2, 0.15])
@pytest.mark.parametrize("form_df", [np.inf, 3.0])
def test_frequencies_of_first_sets_are_those_of_the_likelihood(level, form_df):
    n = 60_000
    drawn = draw(level, n=n, form_df=form_df)
    first = pd.DataFrame(
        {
            "value": drawn.value[:, 0],
            "clean": drawn.clean[:, 0],
            "assisted": drawn.band[:, 0],
            "stopped": drawn.stopped[:, 0],
        }
    )
    seen = first.value_counts()
    rows = [row(*key) for key in seen.index]
    _, likelihood = table_of(rows, form_df)
    usual = np.full(len(rows), np.flatnonzero(NOISE_CLASSES == 1.0)[0], dtype=np.intp)
    each = np.arange(len(rows), dtype=np.intp)
    expected = np.exp(likelihood.at(each, usual, np.full(len(rows), level)))
    error = np.sqrt(expected * (1 - expected) / n)
    # 4.5 standard errors, and one in a thousand for the quadrature
    assert (np.abs(seen.to_numpy() / n - expected) < 4.5 * error + 1e-3).all()


def test_sets_of_one_session_share_their_form():
    low = [row(6.0, True, False, "failed", set=k) for k in (1, 2, 3)]
    sets = pd.DataFrame(low)
    together = session_likelihood(sets, np.zeros(3, dtype=np.intp), POPULATION, np.inf)
    apart = session_likelihood(sets, np.arange(3, dtype=np.intp), POPULATION, np.inf)
    one = np.exp(together.table[0, 1] - together.table[0, 1].max())
    three = apart.table[:, 1].sum(axis=0)
    three = np.exp(three - three.max())

    def width(chance):
        level = np.arange(chance.size) * together.step
        mean = np.average(level, weights=chance)
        return np.sqrt(np.average((level - mean) ** 2, weights=chance))

    assert width(one) > 1.2 * width(three)


def test_population_constants_are_drawn_per_cohort():
    other = draw_population(np.random.default_rng(9), 3)
    same = [
        f.name
        for f in fields(POPULATION)
        if np.array_equal(getattr(POPULATION, f.name), getattr(other, f.name))
    ]
    assert not same
    assert MAX_SETS == 5
