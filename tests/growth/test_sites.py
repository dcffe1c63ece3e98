"""Sessions as normal observations stay within reach of what was expected."""

from __future__ import annotations

import numpy as np

from forecast.growth.fitting import filter_population, fit_growth
from forecast.growth.kernels import OUTLIER
from forecast.growth.panel import build_panel
from forecast.histories import build_histories


def test_the_fit_finds_no_absurd_evidence(small_log, small_cut):
    # A fit once ended at a log evidence of -52,000 where others found some hundreds: one day far
    # off had become an observation at an absurd distance.
    panel = build_panel(build_histories(small_log, small_cut))
    n_rungs = len(small_log.ladder.rungs)
    assert abs(fit_growth(panel, n_rungs).log_evidence) < 1000.0


def test_a_site_is_never_farther_than_its_own_reach(small_log, small_cut, small_model):
    panel = build_panel(build_histories(small_log, small_cut))
    fit = small_model.engines_.growth.fit
    seen = filter_population(panel, fit.constants, fit.pooled, fit.n_rungs)
    heard = np.isfinite(seen.site_var)
    gap = np.abs(seen.site_mean - seen.before_mean)[heard]
    spread = np.sqrt(seen.site_var)[heard]
    assert heard.mean() > 0.9
    assert (gap <= OUTLIER * spread * (1 + 1e-9)).all()
    assert gap.max() > 0
