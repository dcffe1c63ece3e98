"""One hand-made club and how an unfitted engine sees it; do not change them."""

from __future__ import annotations

import pytest
from unfitted_club import ROWS, at_the_priors, histories_of

from forecast.growth import track


@pytest.fixture(scope="session")
def club():
    """Three spells: Al's five sessions with a layoff of four weeks, Bo's three, Al's two."""
    return histories_of(ROWS)


@pytest.fixture(scope="session")
def unfitted(club):
    """The engine at its priors."""
    return at_the_priors(club)


@pytest.fixture(scope="session")
def seen(unfitted, club):
    """The club as the unfitted engine sees it."""
    return track(unfitted, club)
