"""Traces of invented spells, straight from a rule of motion."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.plateau import Traces


def make_traces(levels, *, gap_days=3, spread=0.1, athletes=None, first_gain=0.05, surprise=None):
    """Traces of spells with the given observed levels, longest first, evenly spaced."""
    length = np.array([len(x) for x in levels])
    start = np.concatenate([[0], np.cumsum(length)[:-1]])
    rest = np.full(length.sum(), gap_days / 7.0)
    rest[start] = 0.0
    level = np.concatenate(levels).astype(float)
    first = np.column_stack(
        [level[start], np.full(len(start), first_gain)]
        + [np.full(len(start), v) for v in (spread**2, 0.0, 0.03**2)]
    )
    return Traces(
        start=start,
        length=length,
        athlete=np.arange(len(start)) if athletes is None else np.asarray(athletes),
        day=gap_days * (np.arange(length.sum()) - np.repeat(start, length)),
        rest=rest,
        excess=np.zeros(length.sum()),
        level=level,
        var=np.full(length.sum(), spread**2),
        scatter=np.ones(length.sum()),
        surprise=(
            np.random.default_rng(5).standard_normal(length.sum()) if surprise is None else surprise
        ),
        first=first,
        detraining=0.02,
    )


@pytest.fixture(scope="session")
def traces_from():
    """Return the maker of traces."""
    return make_traces


@pytest.fixture(scope="session")
def moving_and_stalled():
    """100 spells of 60 sessions: half climb all along, half stop after 30 sessions."""
    rng = np.random.default_rng(11)
    weeks = 3 / 7 * np.arange(60)
    levels = []
    for i in range(100):
        gain = 0.05 * np.exp(0.3 * rng.standard_normal())
        climb = gain * (weeks if i % 2 else np.minimum(weeks, weeks[30]))
        levels.append(-1.2 + climb + 0.1 * rng.standard_normal(60))
    return make_traces(levels)
