"""Numbers given by hand: nonsense is one sentence that names it, in every room that takes one."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.cohort import (
    covariate_effects,
    criterion_audit,
    lapse_incidence,
    time_to_clear,
)
from forecast.errors import FitError, check_level, check_seed, is_number, is_whole


def test_yes_and_text_are_no_numbers():
    assert is_number(np.float32(1.5))
    assert is_whole(np.int64(3))
    for wrong in (True, "3", None, 1j):
        assert not is_number(wrong)
        assert not is_whole(wrong)
    assert not is_whole(3.0)


@pytest.mark.parametrize("wrong", [0, 1, "0.9", None, True, float("nan")])
def test_a_level_lies_strictly_between(wrong):
    with pytest.raises(FitError, match=r"alpha = .*strictly between 0 and 1"):
        check_level("alpha", wrong)


@pytest.mark.parametrize("wrong", [-1, 1.5, "one", None, True])
def test_a_seed_is_a_whole_number(wrong):
    with pytest.raises(FitError, match=r"seed = .*whole number, 0 or more"):
        check_seed(wrong)


def test_the_cohort_refuses_a_nonsense_level_in_one_sentence(small_log, small_model):
    for ask in (
        lambda: time_to_clear(small_log, level="high"),
        lambda: time_to_clear(small_log, seed="one"),
        lambda: lapse_incidence(small_log, level=None),
        lambda: criterion_audit(small_model, small_log, level="5 %"),
        lambda: criterion_audit(small_model, small_log, seed=-3),
        lambda: criterion_audit(small_model, small_log, change=0),
        lambda: covariate_effects(small_log, level=95),
    ):
        with pytest.raises(FitError, match=r"(level|change|seed) = "):
            ask()
