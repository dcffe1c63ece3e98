"""Constants of a large club from a share of its athletes: all spells of each, by no name."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from forecast.growth import fitting
from forecast.growth.fitting import fit_growth, share_of_athletes
from forecast.growth.panel import build_panel
from forecast.histories import build_histories


@pytest.fixture(scope="module")
def panel(small_log, small_cut):
    return build_panel(build_histories(small_log, small_cut))


def test_a_club_of_the_usual_size_is_taken_whole(panel):
    assert share_of_athletes(panel, int(panel.n_sets.sum())) is panel


@pytest.mark.parametrize("share", [2, 3])
def test_every_kth_athlete_is_taken_with_all_spells(panel, share):
    told = share_of_athletes(panel, -(-int(panel.n_sets.sum()) // share))
    names = np.unique(panel.athlete)
    kept = np.unique(told.athlete)
    assert len(kept) == -(-len(names) // share)
    assert set(told.spell_row) == set(panel.spell_row[np.isin(panel.athlete, kept)])
    total = int(panel.n_sets.sum())
    assert 0.5 * total / share < told.n_sets.sum() < 1.7 * total / share


def test_the_share_does_not_go_by_names(panel):
    most = int(panel.n_sets.sum()) // 2
    renamed = dataclasses.replace(panel, athlete=panel.athlete.max() - panel.athlete)
    told, other = share_of_athletes(panel, most), share_of_athletes(renamed, most)
    np.testing.assert_array_equal(told.spell_row, other.spell_row)


@pytest.mark.slow
def test_a_share_gives_nearly_the_constants_of_all_and_effects_for_everybody(panel, monkeypatch):
    n_rungs = int(panel.rung.max()) + 1
    whole = fit_growth(panel, n_rungs)
    monkeypatch.setattr(fitting, "MOST_SETS", -(-int(panel.n_sets.sum()) // 2))
    half = fit_growth(panel, n_rungs)
    assert half.constants.values != whole.constants.values
    assert half.pooled.athlete_log_evidence.shape == whole.pooled.athlete_log_evidence.shape
    apart = half.pooled.usual(np.arange(n_rungs)) - whole.pooled.usual(np.arange(n_rungs))
    assert np.abs(apart[:, 2]).max() < 0.02  # pace a week, on the latent scale
    one, two = (
        dict(zip(fit.names, np.sqrt(np.diag(fit.chol @ fit.chol.T)), strict=True))
        for fit in (whole, half)
    )
    wider = [two[name] / one[name] for name in one.keys() & two.keys()]
    assert np.median(wider) > 1.0  # half the athletes tell less
