"""The three kinds of array that pass between rooms, and the days of a week and a year."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

WEEK, YEAR = 7.0, 365.2425
"""Days of a week, and of a mean Gregorian year."""
