"""The reference table for tasks G1 to G5: what simple and mixed-model forecasts score.

Re-computed from the open tables named in ``open_data``, twice (statsmodels 0.15 ``MixedLM`` and an
own REML optimiser, which agree within .002 on IBS but for G3 MM2, .0657 and .0667). No book or
paper prints these figures. line: least squares on the unit's own k points. climatology: crossing
times of the other folds. MM1, MM2: random intercept and slope (and square), random effects drawn
from their conditional normal. MAE and bias are in weeks (G1, G2), days (G3), standardised age (G4)
and thousands of load cycles (G5).
"""

from __future__ import annotations

from math import nan

_COLUMNS = ("MAE", "MedAE", "bias", "IBS", "BrierH", "cov80")
_ROWS: dict[str, dict[str, tuple[float, ...]]] = {
    "G1": {
        "line": (1.055, 0.582, 1.005, 0.1158, 0.0417, nan),
        "climatology": (0.736, 0.516, -0.140, 0.0704, 0.0000, 0.76),
        "MM1 early": (0.896, 0.566, 0.856, 0.0852, 0.0212, 0.32),
        "MM1 cohort": (0.322, 0.198, -0.060, 0.0305, 0.0000, 0.90),
        "MM2 cohort": (0.352, 0.261, 0.105, 0.0322, 0.0000, 0.78),
    },
    "G2": {
        "line": (1.930, 1.550, 1.876, 0.1594, 0.2639, nan),
        "climatology": (0.730, 0.606, -0.050, 0.0735, 0.0287, 0.78),
        "MM1 early": (1.782, 1.524, 1.748, 0.1380, 0.1946, 0.15),
        "MM1 cohort": (0.510, 0.425, 0.305, 0.0457, 0.0314, 0.79),
        "MM2 cohort": (0.447, 0.412, 0.205, 0.0426, 0.0266, 0.76),
    },
    "G3": {
        "line": (2.972, 1.966, 2.869, 0.1813, 0.1429, nan),
        "climatology": (2.148, 2.120, 0.475, 0.1737, 0.1268, 0.88),
        "MM1 early": (2.971, 1.948, 2.884, 0.1552, 0.1237, 0.26),
        "MM1 cohort": (2.275, 1.727, 2.072, 0.1052, 0.0787, 0.88),
        "MM2 cohort": (1.115, 0.839, 0.481, 0.0657, 0.0678, 0.83),
    },
    "G4": {
        "line": (0.135, 0.082, 0.046, 0.1242, 0.1538, nan),
        "climatology": (0.191, 0.156, 0.066, 0.1807, 0.1579, 0.73),
        "MM1 early": (0.116, 0.072, 0.038, 0.0864, 0.0833, 0.62),
        "MM1 cohort": (0.112, 0.087, 0.015, 0.0838, 0.0798, 0.85),
        "MM2 cohort": (0.106, 0.070, -0.041, 0.0857, 0.0787, 0.85),
    },
    "G5": {
        "line": (59.3, 58.7, 59.3, 0.1112, 0.5714, nan),
        "climatology": (10.6, 11.1, 10.4, 0.0710, 0.2498, 0.86),
        "MM1 cohort": (35.2, 33.8, 35.2, 0.0946, 0.4258, 0.43),
        "MM2 cohort": (1.84, 1.35, -0.4, 0.0109, 0.0436, 1.00),
    },
}
PUBLISHED = {
    task: {name: dict(zip(_COLUMNS, figures, strict=True)) for name, figures in rows.items()}
    for task, rows in _ROWS.items()
}
"""Figures by task, method and score."""

BEST = ("MM1 cohort", "MM2 cohort")
"""Methods whose lower IBS is the mark to come near."""

BEST_WITHIN = {"G1": 0.10, "G2": 0.10, "G3": 0.15, "G4": 0.10, "G5": 0.15}
"""How near; wider where only a curved growth model fits."""

TIME_SCALE = {"G1": 1.0, "G2": 1.0, "G3": 1.0, "G4": 1.0, "G5": 1000.0}
"""The table's unit of time in the task's own: cracks are timed in millions of cycles."""
