"""Average run lengths of control charts against the quality-control handbooks; Nile's shift."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from reference.control_charts import (
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
    siegmund_run_length,
)

from forecast.errors import ForecastError

SHIFTS = [0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0]

# Montgomery, Introduction to Statistical Quality Control, 6th ed., Table 9.3 (from memory), and
# the same to more digits by Page's integral equation in a separate program.
TABLE_9_3 = {
    5.0: (
        [465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01],
        [465.444, 139.494, 37.996, 17.048, 10.376, 5.747, 4.009, 3.114, 2.573, 2.013],
    ),
    4.0: (
        [168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71],
        [167.684, 74.224, 26.630, 13.285, 8.383, 4.747, 3.343, 2.620, 2.194, 1.708],
    ),
}


@pytest.mark.parametrize("limit", sorted(TABLE_9_3))
def test_two_sided_cusum(limit):
    printed, exact = TABLE_9_3[limit]
    own = [cusum_run_length(shift, 0.5, limit) for shift in SHIFTS]
    np.testing.assert_allclose(own, exact, rtol=1e-3)
    np.testing.assert_allclose(own, printed, rtol=4e-3)  # printed to three figures


def test_one_sided_cusum_is_twice_the_two_sided():
    assert cusum_run_length(0.0, 0.5, 5.0, two_sided=False) == pytest.approx(930.887, rel=1e-3)
    assert cusum_run_length(0.0, 0.5, 4.0, two_sided=False) == pytest.approx(335.368, rel=1e-3)


def test_siegmund_approximation():
    # Montgomery, sec. 9.1 (from memory): 938.2, 469.1 and 10.34.
    assert siegmund_run_length(0.0, 0.5, 5.0) == pytest.approx(938.222, rel=1e-3)
    both = 1 / (2 / siegmund_run_length(0.0, 0.5, 5.0))
    assert both == pytest.approx(469.111, rel=1e-3)
    out = 1 / (1 / siegmund_run_length(1.0, 0.5, 5.0) + 1 / siegmund_run_length(-1.0, 0.5, 5.0))
    assert out == pytest.approx(10.336, rel=1e-3)


@pytest.mark.parametrize(
    ("allowance", "limit", "length"),
    # Hawkins 1993; Montgomery, Table 9.4 (from memory): pairs for a run length of about 370.
    [
        (0.25, 8.01, 370.3),
        (0.5, 4.77, 368.6),
        (0.75, 3.34, 370.6),
        (1.0, 2.52, 372.8),
        (1.25, 1.99, 373.5),
        (1.5, 1.61, 376.3),
    ],
)
def test_pairs_of_allowance_and_limit(allowance, limit, length):
    own = cusum_run_length(0.0, allowance, limit)
    assert own == pytest.approx(370, rel=0.02)
    assert own == pytest.approx(length, rel=1e-3)


@pytest.mark.parametrize(
    ("weight", "width", "in_control", "at_one"),
    # Lucas & Saccucci 1990; Montgomery, Table 9.11 (from memory): 500, and 14.3 11.1 10.5 10.3 11.4
    [
        (0.4, 3.054, 499.95, 14.26),
        (0.25, 2.998, 499.84, 11.14),
        (0.2, 2.962, 499.74, 10.54),
        (0.1, 2.814, 499.58, 10.33),
        (0.05, 2.615, 499.93, 11.38),
    ],
)
def test_ewma(weight, width, in_control, at_one):
    assert ewma_run_length(0.0, weight, width) == pytest.approx(in_control, rel=1e-3)
    assert ewma_run_length(1.0, weight, width) == pytest.approx(at_one, rel=1e-3)


def test_shewhart_is_an_ewma_of_weight_one():
    # Any handbook: 370.4 in control and 43.9 at one standard deviation.
    assert ewma_run_length(0.0, 1.0, 3.0) == pytest.approx(370.398, rel=1e-3)
    assert ewma_run_length(1.0, 1.0, 3.0) == pytest.approx(43.895, rel=1e-3)


@pytest.mark.parametrize(("chart", "shift"), [("cusum", 1.0), ("cusum", 0.5), ("ewma", 1.0)])
def test_running_the_chart_gives_the_run_length(chart, shift):
    rng = np.random.default_rng(5)
    x = shift + rng.standard_normal((4000, 400))
    if chart == "cusum":
        over = (cusum(x, 0.5) > 5.0) | (cusum(-x, 0.5) > 5.0)
        expected = cusum_run_length(shift, 0.5, 5.0)
    else:
        bound = 2.814 * np.sqrt(0.1 / 1.9)
        over = np.abs(ewma(x, 0.1)) > bound
        expected = ewma_run_length(shift, 0.1, 2.814)
    assert over.any(axis=1).all()
    length = over.argmax(axis=1) + 1.0
    error = length.std(ddof=1) / np.sqrt(len(length))
    assert abs(length.mean() - expected) < 3 * error


def test_missing_values_leave_the_charts_where_they_are():
    x = np.array([1.0, np.nan, 2.0])
    np.testing.assert_allclose(cusum(x, 0.5), [0.5, 0.5, 2.0])
    np.testing.assert_allclose(ewma(x, 0.5), [0.5, 0.5, 1.25])


@pytest.mark.parametrize(
    "call", [lambda: cusum_run_length(0, -1), lambda: ewma_run_length(0, 0, 3)]
)
def test_settings_that_mean_nothing_are_refused(call):
    with pytest.raises(ForecastError, match="give"):
        call()


def test_nile_has_its_shift_in_1898(load):
    # Cobb 1978; Zeileis et al., strucchange (from memory): 1898; means and RSS re-computed in R.
    flow = load("datasets", "Nile")["value"].to_numpy(dtype=float)
    cut = ruptures.Dynp(model="l2", min_size=5, jump=1).fit(flow).predict(n_bkps=1)[0]
    assert 1871 + cut - 1 == 1898
    first, second = flow[:cut], flow[cut:]
    assert first.mean() == pytest.approx(1097.750, abs=1e-3)
    assert second.mean() == pytest.approx(849.972, abs=1e-3)
    rss = ((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum()
    assert rss == pytest.approx(1597457.2, rel=1e-6)
    # A CUSUM against the first 20 years raises its alarm soon after the dam.
    start = flow[:20]
    over = cusum((start.mean() - flow[20:]) / start.std(ddof=1), 0.5) > 5.0
    assert 1898 < 1871 + 20 + over.argmax() <= 1906
