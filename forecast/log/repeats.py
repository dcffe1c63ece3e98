"""The same set written twice: duplicates, contradictions, and the numbers of the sets."""

from __future__ import annotations

import pandas as pd

from forecast.log.columns import NOTED, rejected_rows

SESSION = ["athlete", "date", "rung"]
_SAME = [*SESSION, "clock", "set"]
_CONTENT_ORDER = ["value", *NOTED]
_CONTENT = [name for name in _CONTENT_ORDER if name != "note"]
_DIRECTION = [name not in {"value", "clean", "load_kg"} for name in _CONTENT_ORDER]
"""Highest value and load first, clean before unclean; the rest only settles ties."""


def set_aside_repeats(sets: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Separate honest sets from rows (rejected) that say the same set again.

    With set numbers, a row equal to an earlier one (notes apart) is a duplicate, and rows with
    one number but different content contradict each other: all of them go. Without a number (0),
    equal rows of one file are repeated sets, as in 10 s, 10 s, and stay; equal rows of
    *another* file are duplicates as far as the first file has as many, so that overlapping
    exports do not count twice.
    """
    if sets.empty:
        return sets, _rejected(sets, "duplicate", pd.Series(dtype=object))
    sets = sets.reset_index(drop=True)
    content = sets.groupby([*_SAME, *_CONTENT], dropna=False, sort=False).ngroup()
    turn = sets.groupby([content, sets["file"]], sort=False).cumcount()
    turn = turn.where(sets["set"] == 0, 0)
    twin = sets.groupby([content, turn], sort=False).cumcount() > 0
    first = sets.index.to_series().groupby([content, turn], sort=False).transform("first")[twin]
    said = (
        "the same set as in " + _places(sets.loc[first]).set_axis(first.index) + "; counted once."
    )
    duplicates = _rejected(sets[twin], "duplicate", said)
    rest = sets[~twin]
    numbered = rest[rest["set"] > 0]
    clash = numbered[numbered.duplicated(_SAME, keep=False)]
    contradictions = _rejected(clash, "contradiction", _clashes(clash))
    kept = rest.drop(index=clash.index)
    return kept, pd.concat([duplicates, contradictions], ignore_index=True)


def _places(sets: pd.DataFrame) -> pd.Series:
    return sets["file"].astype(str) + " row " + sets["row"].astype(str)


def _clashes(clash: pd.DataFrame) -> pd.Series:
    if clash.empty:
        return pd.Series(index=clash.index, dtype="str")
    places = _places(clash)
    together = places.groupby([clash[c] for c in _SAME], sort=False).transform(", ".join)
    return (
        "set "
        + clash["set"].astype(str)
        + " of this session is given with different content in "
        + together
        + "; keep the right one."
    )


def _rejected(sets: pd.DataFrame, kind: str, reason: pd.Series) -> pd.DataFrame:
    number = sets["set"].astype(str).where(sets["set"] > 0, "")
    return rejected_rows(sets, "set", number, kind, reason)


def number_sets(sets: pd.DataFrame) -> pd.Series:
    """Return set numbers: those noted, and for the others the free ones, highest value first.

    Without a number the order within a session is not known: rows get sorted, pasted together
    and exported anew. Numbering by content keeps a shuffled file the same log.

    Where a day holds the same number twice at different clock times (morning and evening), the
    day is counted through in the order of the clock.
    """
    number = sets["set"].copy()
    session = sets.groupby(SESSION, sort=False).ngroup()
    noted = number > 0
    again = sets.duplicated([*SESSION, "set"], keep=False) & noted
    recount = ~noted.groupby(session).transform("any") | again.groupby(session).transform("any")
    ordered = (
        sets[recount]
        .assign(session=session[recount])
        .sort_values(
            ["session", "clock", "set", *_CONTENT_ORDER], ascending=[True, True, True, *_DIRECTION]
        )
    )
    number[ordered.index] = ordered.groupby("session").cumcount() + 1
    gaps = ~recount & (~noted).groupby(session).transform("any")
    listed = sets[gaps].sort_values(_CONTENT_ORDER, ascending=_DIRECTION)
    for rows in listed.groupby(session[listed.index], sort=False).groups.values():
        free = iter(sorted(set(range(1, 2 * len(rows) + 1)) - set(number[rows])))
        for row in rows[number[rows] == 0]:
            number[row] = next(free)
    return number
