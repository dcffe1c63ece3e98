"""Records of a few invented athletes, added to the small cohort: each is told what a coach sees."""

from __future__ import annotations

import pandas as pd

CUT = pd.Timestamp("2024-10-07")


def sessions(athlete: str, rung: str, values: list, *, ago: int = 3, **columns) -> list[dict]:
    """Sets of one athlete: a session each 3 or 4 days, the last ``ago`` days before the cut.

    A value is that of a session's three sets, or a list of its sets.
    """
    rows = []
    for place, value in enumerate(reversed(values)):
        day = CUT - pd.Timedelta(days=ago + round(3.5 * place))
        sets = value if isinstance(value, list) else [value] * 3
        rows += [
            {"athlete": athlete, "date": day, "rung": rung, "set": n + 1, "value": float(one)}
            | columns
            for n, one in enumerate(sets)
        ]
    return rows


RISING = [7 + 0.4 * n for n in range(24)]
LEVEL = [[9.0, 9.4, 9.2], [9.2, 9.0, 9.4]] * 12


def records() -> pd.DataFrame:
    """The sets, one row each, columns left out as blanks."""
    hurt = sessions("Hurt", "wall_line", RISING)
    hurt[-3]["pain"] = hurt[-2]["pain"] = 6.0  # of the first session: long ago
    for row in hurt[:3]:
        row["pain"] = 6.0
    rows = [
        *hurt,
        *sessions("Two", "wall_line", [8, 9]),
        *sessions("Misses", "pike_lifts", [0] * 10),
        *sessions("Unclean", "wall_line", [21] * 14, clean=False),
        *sessions("Helped", "wall_line", [22] * 14, assist="band"),
        *sessions("Level", "wall_line", LEVEL),
        *sessions("Rising", "wall_line", RISING),
        *sessions("Met", "free_start", [3, 4, 4, 5.5, 4, 5.5, 4.5, 6, 4.5, 5.5]),
        *sessions("Reps", "pike_lifts", [1, 2, 2, 1, 2, 2, 2, 3, 2, 2, 3, 2]),
        *sessions("Gone", "wall_line", [5, 7, 6, 9, 8, 7, 9, 8, 9, 7, 8, 9], ago=365),
        *sessions("Leaver", "wall_line", [10, 11, 11, 12, 12, 13, 12, 13], ago=30),
        *sessions("Leaver", "pike_lifts", [4, 5, 5, 6, 5, 6, 6, 7]),
    ]
    return pd.DataFrame(rows)
