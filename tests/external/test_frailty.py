"""Shared gamma frailty against R's coxph and printed values."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.cohort import shared_frailty


# Klein & Moeschberger 2003, section 13.3, from memory: variance about .47, effect about .90.
# R: coxph(Surv(time, tumor) ~ trt + frailty(litter), ties = "breslow"): .471 and .904; without
# frailty .8975. Trap: the litter table is KMsurv/rats; survival/rats is another one.
def test_rat_litters(load):
    rats = load("KMsurv", "rats")
    assert len(rats) == 150
    time, tumour = rats["time"].to_numpy(dtype=float), rats["tumor"].to_numpy() == 1
    trt, litter = rats[["trt"]].to_numpy(dtype=float), rats["litter"].to_numpy()
    fit = shared_frailty(time, tumour, trt, litter)
    assert fit.variance == pytest.approx(0.471, abs=0.02)
    assert fit.coefficients[0] == pytest.approx(0.904, abs=0.005)
    # Frailties have mean 1 up to shrinkage, and litters without a tumour fall below it.
    assert fit.frailty["factor"].mean() == pytest.approx(1, abs=0.02)
    assert (fit.frailty.loc[fit.frailty["events"] == 0, "factor"] < 1).all()
    alone = shared_frailty(time, tumour, trt, np.arange(len(rats)) * 0)
    assert alone.coefficients[0] == pytest.approx(0.8975, abs=1e-4)


# Therneau & Grambsch 2000, ch. 9, from memory: with disease in the model the gamma variance is
# on the boundary (5e-07 in R). R: sex -1.48 (Efron; Breslow's ties move it by less than .02).
def test_kidney_catheters_have_no_frailty_left(load):
    kidney = load("survival", "kidney")
    kinds = [(kidney["disease"] == kind).astype(float) for kind in ("GN", "AN", "PKD")]
    x = np.column_stack([kidney["age"], kidney["sex"], *kinds]).astype(float)
    time, event = kidney["time"].to_numpy(dtype=float), kidney["status"].to_numpy() == 1
    fit = shared_frailty(time, event, x, kidney["id"].to_numpy())
    assert fit.variance == 0
    assert fit.p_value == 1
    assert fit.coefficients[1] == pytest.approx(-1.48, abs=0.02)
    assert "No sign" in fit.text


def test_planted_frailty_is_found():
    # 200 clusters of 5 exponential times with gamma factors of variance 0.5.
    rng = np.random.default_rng(8)
    cluster = np.repeat(np.arange(200), 5)
    factor = rng.gamma(2.0, 0.5, 200)[cluster]
    x = rng.standard_normal((1000, 1))
    time = rng.exponential(1.0, 1000) / (factor * np.exp(0.7 * x[:, 0]))
    event = time < 3
    fit = shared_frailty(np.minimum(time, 3), event, x, cluster)
    assert fit.variance == pytest.approx(0.5, abs=0.17)
    assert fit.coefficients[0] == pytest.approx(0.7, abs=0.15)
    assert fit.p_value < 1e-6
