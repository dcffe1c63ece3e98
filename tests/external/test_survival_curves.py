"""Survival curves against printed tables, and against R 4.2.2's survival package.

"From memory" marks a printed value quoted without re-reading its page; the R value beside it was
computed, and the two agree within the tolerance of the printed one.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from forecast.errors import FitError, FitWarning
from forecast.survival import cumulative_incidence, kaplan_meier

SIX_MP_TIMES = [6, 7, 10, 13, 16, 22, 23]


@pytest.fixture
def six_mp(leukaemia):
    arm = leukaemia[leukaemia["trt"] == 1]
    return kaplan_meier(None, arm["time"], arm["event"])


# R: summary(survfit(Surv(t2, relapse) ~ 1, drug6mp))
def test_six_mp_survival_and_greenwood_error_match_r(six_mp):
    assert six_mp.time.tolist() == SIX_MP_TIMES
    survival = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    error = [0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134591]
    np.testing.assert_allclose(six_mp.at(SIX_MP_TIMES), survival, atol=1e-6)
    np.testing.assert_allclose(six_mp.std_error, error, atol=1e-6)


# Klein & Moeschberger, Survival Analysis, 2nd ed. 2003, Table 4.1A, from memory.
def test_six_mp_survival_matches_the_printed_table(six_mp):
    survival = [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    error = [0.076, 0.087, 0.096, 0.107, 0.114, 0.128, 0.135]
    np.testing.assert_allclose(six_mp.survival, survival, atol=5e-4 + 1e-9)
    np.testing.assert_allclose(six_mp.std_error, error, atol=5e-4 + 1e-9)


# Median: Klein & Moeschberger ch. 4, from memory. Limits: R survfit, conf.type "log-log".
def test_six_mp_median_and_its_limits(six_mp):
    assert six_mp.quantile(0.5) == 23
    assert six_mp.quantile_band(0.5) == (13, math.inf)


# R: survfit(..., conf.type = "log-log")
def test_six_mp_log_log_band(six_mp):
    band = six_mp.band().set_index("time")
    np.testing.assert_allclose(band.loc[10, ["low", "high"]], [0.503, 0.889], atol=1e-3)
    np.testing.assert_allclose(band.loc[23, ["low", "high"]], [0.188, 0.680], atol=1e-3)


# Data: Cox & Oakes 1984, Table 1.1; .381 (.106) is printed in university lecture notes. R agrees.
def test_placebo_survival_and_median(leukaemia):
    arm = leukaemia[leukaemia["trt"] == 0]
    curve = kaplan_meier(None, arm["time"], arm["event"])
    np.testing.assert_allclose(curve.at([8, 10]), [0.381, 0.381], atol=1e-3)
    at_8 = curve.std_error[np.flatnonzero(curve.time == 8)].item()
    assert at_8 == pytest.approx(0.106, abs=1e-3)
    assert curve.quantile(0.5) == 8


# R: survfit(Surv(pmax(ageentry, 816), age, death) ~ 1, subset = age > 816); lifelines agrees.
# Klein & Moeschberger Example 4.3 plots these curves.
@pytest.mark.parametrize(
    ("gender", "n_spells", "survival", "median"),
    [
        (1, 94, [0.8045, 0.6378, 0.4544, 0.2227], 1009),
        (2, 358, [0.8649, 0.7408, 0.5004, 0.2940], 1021),
    ],
)
def test_late_entry_conditional_on_age_68(channing, gender, n_spells, survival, median):
    some = channing[channing["gender"] == gender]
    curve = kaplan_meier(some["ageentry"], some["age"], some["death"], since=816)
    assert (some["age"] > 816).sum() == n_spells
    np.testing.assert_allclose(curve.at([900, 960, 1020, 1080]), survival, atol=1e-4)
    assert curve.quantile(0.5) == median


# The product-limit curve of the men is 0 from month 781 on, when one man was watched: the warning
# example of Klein & Moeschberger Example 4.3 (from memory); the month is R's.
def test_an_early_risk_set_that_dies_out_is_warned_of(channing):
    men = channing[channing["gender"] == 1]
    with pytest.warns(FitWarning, match="falls to 0 at 781.*since="):
        curve = kaplan_meier(men["ageentry"], men["age"], men["death"])
    assert curve.at(781) == 0


def test_impossible_entries_are_refused_with_their_number(load):
    table = load("KMsurv", "channing")
    with pytest.raises(FitError, match="4 spells end no later than they come under observation"):
        kaplan_meier(table["ageentry"], table["age"], table["death"])


@pytest.fixture
def marrow(load):
    table = load("KMsurv", "bmt")
    dead = np.where(table["d1"] == 1, "death", "open")
    return table["t2"], np.where(table["d2"] == 1, "relapse", dead)


# Data of Klein & Moeschberger section 4.7. R: survfit(Surv(t2, factor(kind)) ~ 1); standard
# errors: statsmodels CumIncidenceRight.
def test_competing_relapse_and_death(marrow):
    time, kind = marrow
    curves = cumulative_incidence(None, time, kind)
    ours = curves.at([100, 365, 730, 2000])
    relapse = [0.08029, 0.21217, 0.30120, 0.30870]
    death = [0.09489, 0.20479, 0.27894, 0.29649]
    np.testing.assert_allclose(ours["relapse"], relapse, atol=1e-5)
    np.testing.assert_allclose(ours["death"], death, atol=1e-5)
    row = int(np.searchsorted(curves.time, 365, side="right")) - 1
    assert curves.kinds == ("death", "relapse")
    np.testing.assert_allclose(curves.std_error[row], [0.03452, 0.03498], atol=1e-5)


# R: 1 - survfit(Surv(t2, d2) ~ 1): too large, because it takes the dead as still able to relapse.
def test_one_minus_kaplan_meier_overstates_a_competing_event(marrow):
    time, kind = marrow
    naive = 1 - kaplan_meier(None, time, kind == "relapse").at([365, 730])
    np.testing.assert_allclose(naive, [0.2412, 0.3638], atol=1e-4)
    proper = cumulative_incidence(None, time, kind).at([365, 730])["relapse"]
    assert (naive > proper + 0.02).all()


# Printed: Therneau, "Multi-state models and competing risks", vignette of R's survival package:
# men 8.7 years at entry, 1.1 with PCM, 10.3 dead. R: survfit(...), print(rmean = 240) over 12.
@pytest.mark.parametrize(
    ("sex", "printed", "computed"),
    [
        ("M", (8.7, 1.1, 10.3), (8.675, 1.0647, 10.260)),
        ("F", None, (9.854, 1.323, 8.823)),
    ],
)
def test_mean_years_in_each_state_over_twenty(gammopathy, sex, printed, computed):
    some = gammopathy[gammopathy["sex"] == sex]
    curves = cumulative_incidence(None, some["time"], some["kind"])
    edges = np.concatenate([curves.time[curves.time < 240], [240.0]])
    ended = np.diff(edges) @ curves.incidence[: len(edges) - 1]
    years = dict(zip(curves.kinds, ended / 12, strict=True))
    entry = np.diff([0.0, *edges]) @ [1.0, *curves.survival[: len(edges) - 1]]
    ours = (entry / 12, years["pcm"], years["death"])
    np.testing.assert_allclose(ours, computed, atol=1e-2)
    if printed is not None:
        np.testing.assert_allclose(ours, printed, atol=0.05)


# R survfit and scikit-survival; the standard error is R's std.err at 240 months.
def test_progression_and_death_of_all(gammopathy):
    curves = cumulative_incidence(None, gammopathy["time"], gammopathy["kind"])
    ours = curves.at([60, 120, 240])
    np.testing.assert_allclose(ours["pcm"], [0.034104, 0.063722, 0.099814], atol=1e-6)
    np.testing.assert_allclose(ours["death"], [0.320367, 0.531818, 0.724028], atol=1e-6)
    row = int(np.searchsorted(curves.time, 240, side="right")) - 1
    assert curves.std_error[row, curves.kinds.index("pcm")] == pytest.approx(0.009785, abs=1e-6)
    naive = kaplan_meier(None, gammopathy["time"], gammopathy["kind"] == "pcm")
    assert 1 - naive.at(240) == pytest.approx(0.209562, abs=1e-6)
