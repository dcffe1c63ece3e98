"""Hazard models against printed values, R 4.2.2's survival package and exact identities.

The person-week models are fitted by ``survival.fit_ridge_logistic`` with next to no penalty, the
Cox regressions by ``cohort.clustered_cox``, whose handling of entries is on trial.
"From memory" marks a printed value whose page was not read again.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from forecast.cohort import clustered_cox
from forecast.survival import fit_ridge_logistic, kaplan_meier

TINY = 1e-7


def logistic(design, outcome):
    """Weights and log likelihood with next to no penalty."""
    design, outcome = np.asarray(design, dtype=float), np.asarray(outcome, dtype=float)
    n, k = design.shape
    weights = fit_ridge_logistic(design, outcome, np.zeros(n), np.full(k, TINY), np.ones(n))
    chance = expit(design @ weights)
    return weights, np.sum(np.log(np.where(outcome > 0, chance, 1 - chance)))


def person_weeks(time, event, parts=1):
    """One row for each part of a week lived through: spell, its end in weeks, ended in it."""
    steps = np.round(np.asarray(time) * parts).astype(int)
    spell = np.repeat(np.arange(len(steps)), steps)
    last = np.cumsum(steps)
    number = np.arange(len(spell)) - np.repeat(last - steps, steps) + 1
    ended = (number == steps[spell]) & np.asarray(event, dtype=bool)[spell]
    return spell, number / parts, ended


def spells(time, event, entry=None, cluster=None):
    """Spells as ``clustered_cox`` takes them, all on one rung."""
    n = len(time)
    return pd.DataFrame(
        {
            "entry": np.full(n, -1.0) if entry is None else np.asarray(entry, dtype=float),
            "exit": np.asarray(time, dtype=float),
            "cleared": np.asarray(event, dtype=bool),
            "rung_index": 0,
            "athlete_id": np.arange(n) if cluster is None else np.asarray(cluster),
        }
    )


# Method: Efron 1988, JASA 83:414; Singer & Willett 2003, ch. 10-11. Counts: R.
def test_saturated_person_weeks_are_kaplan_meier(leukaemia):
    arm = leukaemia[leukaemia["trt"] == 1]
    spell, week, ended = person_weeks(arm["time"], arm["event"])
    assert (len(spell), ended.sum()) == (359, 9)
    events = np.unique(week[ended])
    inside = np.isin(week, events)
    weights, _ = logistic(week[inside, None] == events, ended[inside])
    hazard = expit(weights)
    np.testing.assert_allclose(
        hazard, [1 / 7, 1 / 17, 1 / 15, 1 / 12, 1 / 11, 1 / 7, 1 / 6], atol=1e-6
    )
    survival = kaplan_meier(None, arm["time"], arm["event"]).at(events)
    np.testing.assert_allclose(np.cumprod(1 - hazard), survival, atol=1e-6)


# R: glm(ended ~ factor(week) + trt, binomial) on event weeks; Prentice & Gloeckler 1978.
def test_person_weeks_of_both_arms(leukaemia):
    spell, week, ended = person_weeks(leukaemia["time"], leukaemia["event"])
    assert (len(spell), ended.sum()) == (541, 30)
    events = np.unique(week[ended])
    inside = np.isin(week, events)
    trt = leukaemia["trt"].to_numpy()[spell][inside]
    design = np.column_stack([week[inside, None] == events, trt])
    weights, log_likelihood = logistic(design, ended[inside])
    assert design.shape[1] == 18
    assert weights[-1] == pytest.approx(-1.731268, abs=1e-4)
    assert log_likelihood == pytest.approx(-93.83569, abs=1e-4)
    chance = expit(design @ weights)
    information = (design * (chance * (1 - chance))[:, None]).T @ design
    assert np.sqrt(np.linalg.inv(information)[-1, -1]) == pytest.approx(0.449704, abs=1e-4)


# Algebra: ever finer steps tend to the Weibull proportional hazards; limit from R survreg.
def test_fine_steps_tend_to_weibull(leukaemia):
    gaps = []
    for parts in (5, 20):
        spell, end, ended = person_weeks(leukaemia["time"], leukaemia["event"], parts)
        trt = leukaemia["trt"].to_numpy()[spell]
        weights, _ = logistic(np.column_stack([np.ones(len(end)), np.log(end), trt]), ended)
        gaps.append([weights[2] + 1.730872, weights[1] - 0.365758])
    assert abs(gaps[1][0]) < 0.01
    assert abs(gaps[1][1]) < 0.01
    assert np.all(np.abs(gaps[1]) < np.abs(gaps[0]))


@pytest.fixture(scope="module")
def rossi(load):
    return load("carData", "Rossi")


def rossi_design(table):
    words = {"race": "black", "wexp": "yes", "mar": "married", "paro": "yes", "fin": "yes"}
    marks = {name: (table[name] == word).astype(float) for name, word in words.items()}
    return pd.DataFrame(
        {"fin": marks["fin"], "age": table["age"].astype(float), "race": marks["race"],
         "wexp": marks["wexp"], "mar": marks["mar"], "paro": marks["paro"],
         "prio": table["prio"].astype(float)}
    )  # fmt: skip


# Fox & Weisberg, web appendix on Cox regression, from memory: -.379, -.0574, .0915. R: digits.
def test_recidivism_by_cox(rossi):
    fit = clustered_cox(spells(rossi["week"], rossi["arrest"] == 1), rossi_design(rossi).to_numpy())
    np.testing.assert_allclose(fit.params[[0, 1, 6]], [-0.379422, -0.057438, 0.091497], atol=1e-5)
    np.testing.assert_allclose(fit.params[[0, 1, 6]], [-0.379, -0.0574, 0.0915], atol=6e-4)
    # Clustering spells each on its own is Lin & Wei's robust error: near the usual one.
    np.testing.assert_allclose(fit.bse[[0, 1, 6]], [0.191379, 0.021999, 0.028649], rtol=0.15)


# Weekly arrests are rare, so the logit of person-weeks comes close to Cox: within 0.1 standard
# errors (R's cloglog on the same 19,809 rows: within 0.02; its values are 0.380172 and so on).
def test_recidivism_by_person_weeks(rossi):
    spell, week, ended = person_weeks(rossi["week"], rossi["arrest"])
    assert (len(spell), ended.sum()) == (19809, 114)
    events = np.unique(week[ended])
    inside = np.isin(week, events)
    x = rossi_design(rossi).to_numpy()[spell][inside]
    weights, _ = logistic(np.column_stack([week[inside, None] == events, x]), ended[inside])
    cloglog = [-0.380172, -0.057547, 0.3143, -0.1496, -0.4341, -0.0851, 0.091769]
    error = [0.191379, 0.021999, 0.308, 0.212, 0.382, 0.196, 0.028649]
    assert np.all(np.abs(weights[-7:] - cloglog) < 0.1 * np.asarray(error))


# Fox & Weisberg, from memory: -1.328 (.251). R on (t-1, t] rows: -1.328321 (.250716).
def test_a_covariate_that_changes_week_by_week(rossi):
    spell, week, ended = person_weeks(rossi["week"], rossi["arrest"])
    work = rossi[[f"emp{i}" for i in range(1, 53)]].eq("yes").to_numpy()
    x = rossi_design(rossi).to_numpy()[spell]
    x = np.column_stack([x, work[spell, week.astype(int) - 1]]).astype(float)
    fit = clustered_cox(spells(week, ended, entry=week - 1, cluster=spell), x)
    assert fit.params[-1] == pytest.approx(-1.328321, abs=1e-5)


# Crowley & Hu 1977; Kalbfleisch & Prentice, from memory: -.146 .027 -.637 -.010. R, Efron. With
# entries taken as <= instead of <, transplant comes out as -.0554: that is what this guards.
def test_transplants_with_late_entry(load):
    heart = load("survival", "heart")
    x = heart[["year", "age", "surgery", "transplant"]].to_numpy(dtype=float)
    rows = spells(heart["stop"], heart["event"] == 1, entry=heart["start"], cluster=heart["id"])
    fit = clustered_cox(rows, x)
    np.testing.assert_allclose(fit.params, [-0.146346, 0.027167, -0.637210, -0.010251], atol=1e-5)


# R: coxph(Surv(ageentry, age, death) ~ factor(gender)); lifelines agrees.
def test_residents_who_entered_at_different_ages(channing):
    women = (channing["gender"] == 2).to_numpy(dtype=float)[:, None]
    fit = clustered_cox(spells(channing["age"], channing["death"], channing["ageentry"]), women)
    assert fit.params[0] == pytest.approx(-0.316258, abs=1e-5)
    assert fit.bse[0] == pytest.approx(0.173134, rel=0.1)


# Cox 1972 data, Efron ties, R: -1.572125.
def test_leukaemia_by_cox(leukaemia):
    trt = leukaemia["trt"].to_numpy(dtype=float)[:, None]
    fit = clustered_cox(spells(leukaemia["time"], leukaemia["event"]), trt)
    assert fit.params[0] == pytest.approx(-1.572125, abs=1e-5)
