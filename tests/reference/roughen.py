"""Clean sets made rough: written the ways people write, with the slips people make."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from reference import demo_words as words

COLUMNS = tuple(words.ANNEX_COLUMNS)
"""Columns of a rough log in our own words, in order."""

SLIPS: dict[str, float] = {
    "typo": 0.004,
    "no_value": 0.002,
    "not_a_number": 0.001,
    "wrong_unit": 0.001,
    "bad_date": 0.001,
    "repeated": 0.003,
    "contradiction": 0.001,
    "bad_pain": 0.0005,
}
"""Share of rows each slip happens to."""


def log_order(sets: pd.DataFrame) -> pd.DataFrame:
    """Sort sets as a club's book has them: by day, then athlete, rung and set."""
    return sets.sort_values(["date", "athlete", "rung", "set"], kind="stable", ignore_index=True)


def floor_rows(sets: pd.DataFrame, ladder: Ladder, rng: np.random.Generator) -> pd.DataFrame:
    """Write sets as the first coach does: mixed notations, gaps, names or keys of rungs."""
    n = len(sets)
    names = {rung.key: rung.name for rung in ladder.rungs}
    seconds = _in_seconds(sets, ladder)
    by_name = rng.random(n) < 0.85
    load = np.where(
        rng.random(n) < 0.3, sets["load_kg"].map("{:g} kg".format), _plain(sets["load_kg"])
    )
    return pd.DataFrame(
        {
            "athlete": sets["athlete"],
            "date": _floor_dates(sets["date"], rng),
            "rung": np.where(by_name, sets["rung"].map(names), sets["rung"]),
            "set": sets["set"].astype(str),
            "value": _floor_values(sets["value"], seconds, rng),
            # a blank means yes, so only clean sets may be left blank
            "clean": np.where(
                sets["clean"],
                _pick(rng, n, ["yes", "y", ""], [0.6, 0.15, 0.25]),
                _pick(rng, n, ["no", "n"], [0.8, 0.2]),
            ),
            "assist": np.where(
                sets["assisted"], sets["assist"], _pick(rng, n, ["", "none"], [0.7, 0.3])
            ),
            "load_kg": np.where(sets["load_kg"].isna(), "", load),
            "stopped": sets["stopped"].replace("unknown", ""),
            "effort": _gaps(_plain(sets["effort"]), 0.1, rng),
            "pain": _gaps(_plain(sets["pain"]), 0.02, rng),
            "note": _notes(sets, words.NOTES, words.FORM_NOTES, words.PAIN_NOTES, rng),
        },
        columns=list(COLUMNS),
    ).astype("str")


def annex_rows(sets: pd.DataFrame, ladder: Ladder, rng: np.random.Generator) -> pd.DataFrame:
    """Write sets as the second coach does: another language, decimal commas, day.month.year."""
    theirs = {
        name: {ours: word for word, ours in table.items()}
        for name, table in words.ANNEX_WORDS.items()
    }
    seconds = _in_seconds(sets, ladder)
    value = sets["value"].map("{:.1f}".format).str.replace(".", ",", regex=False)
    return pd.DataFrame(
        {
            "athlete": sets["athlete"],
            "date": sets["date"].dt.strftime("%d.%m.%Y"),
            "rung": sets["rung"].map(words.ANNEX_RUNGS),
            "set": sets["set"].astype(str),
            "value": np.where(seconds, value, _plain(sets["value"])),
            "clean": sets["clean"].map({True: "ja", False: "nein"}),
            "assist": sets["assist"].map(theirs["assist"]),
            "load_kg": _plain(sets["load_kg"]).str.replace(".", ",", regex=False),
            "stopped": sets["stopped"].map(theirs["stopped"]).fillna(""),
            "effort": _gaps(_plain(sets["effort"]), 0.05, rng),
            "pain": _gaps(_plain(sets["pain"]), 0.02, rng),
            "note": _notes(
                sets, words.ANNEX_NOTES, words.ANNEX_FORM_NOTES, words.ANNEX_PAIN_NOTES, rng
            ),
        },
        columns=list(COLUMNS),
    ).astype("str")


def with_slips(
    rows: pd.DataFrame, sets: pd.DataFrame, ladder: Ladder, rng: np.random.Generator
) -> pd.DataFrame:
    """Make the slips of ``SLIPS``, at most one a row, and leave a few lines blank.

    Parameters
    ----------
    rows
        Rough rows, one for each row of ``sets``.
    sets
        The clean sets.
    ladder
        Their ladder.
    rng
        Source of chance.

    Returns
    -------
    DataFrame
        Rows as a person would have typed them; a little longer than ``rows``.
    """
    rough = rows.copy()
    seconds = _in_seconds(sets, ladder)
    slip = _pick(rng, len(rows), ["", *SLIPS], [1 - sum(SLIPS.values()), *SLIPS.values()])

    def change(kind: str, column: str, make: Callable[[int], str]) -> None:
        at = np.flatnonzero(slip == kind)
        cells = rough[column].to_list()
        for i in at:
            cells[i] = make(int(i))
        rough[column] = cells

    change("typo", "rung", lambda i: str(rng.choice(words.TYPOS[sets["rung"].iloc[i]])))
    change("no_value", "value", lambda i: "")
    change("not_a_number", "value", lambda i: str(rng.choice(["?", "ok", "see video"])))
    change("wrong_unit", "value", lambda i: f"{i % 9 + 3} {'reps' if seconds[i] else 'sec'}")
    change("bad_date", "date", lambda i: str(rng.choice(["", "31.02.2026", "last week"])))
    change("bad_pain", "pain", lambda i: "12")
    order = np.arange(len(rough), dtype=float)
    again = rough[(slip == "repeated") | (slip == "contradiction")].copy()
    twice = np.flatnonzero((slip == "repeated") | (slip == "contradiction"))
    differs = slip[twice] == "contradiction"
    again["value"] = np.where(differs, _one_more(sets["value"].iloc[twice]), again["value"])
    blank = rough.iloc[:4].copy()
    blank.loc[:] = ""
    gaps = np.sort(rng.integers(0, len(rough), 4)) + 0.7
    joined = pd.concat([rough, again, blank], ignore_index=True)
    places = np.concatenate([order, order[twice] + 0.5, gaps])
    return joined.iloc[np.argsort(places, kind="stable")].reset_index(drop=True)


def _one_more(value: pd.Series) -> list[str]:
    return [f"{int(v) + 2}" for v in value]


def _in_seconds(sets: pd.DataFrame, ladder: Ladder) -> np.ndarray:
    held = {rung.key: rung.criterion.measure == "seconds" for rung in ladder.rungs}
    return sets["rung"].map(held).to_numpy(dtype=bool)


def _pick(
    rng: np.random.Generator, n: int, options: Sequence[str], shares: Sequence[float]
) -> np.ndarray:
    return rng.choice(np.array(options, dtype=object), n, p=np.array(shares))


def _plain(numbers: pd.Series) -> pd.Series:
    return numbers.map("{:g}".format).replace("nan", "")


def _gaps(text: pd.Series, share: float, rng: np.random.Generator) -> pd.Series:
    return text.where(rng.random(len(text)) >= share, "")


def _floor_dates(dates: pd.Series, rng: np.random.Generator) -> np.ndarray:
    """ISO on most days; on some days the whole day is written with the month's name."""
    days = np.sort(dates.unique())
    spelled = set(days[rng.random(days.size) < 0.05])
    iso = dates.dt.strftime("%Y-%m-%d")
    month = dates.dt.month.map(lambda m: words.MONTHS[m - 1])
    named = dates.dt.day.astype(str) + " " + month + " " + dates.dt.year.astype(str)
    return np.where(dates.isin(spelled), named, iso)


def _floor_values(values: pd.Series, seconds: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    n, bare = len(values), _plain(values)
    clock = "0:" + bare.str.zfill(2)
    hold = _pick(rng, n, ["", "s", " s", " sec", "clock"], [0.6, 0.2, 0.08, 0.05, 0.07])
    # a minute or more, or part of a second, is not written on the clock
    whole = (values < 60) & (values == np.floor(values))
    held = np.where((hold == "clock") & whole, clock, bare + np.where(hold == "clock", "", hold))
    count = _pick(rng, n, ["bare", "reps", "times"], [0.8, 0.12, 0.08])
    counted = np.select([count == "reps", count == "times"], [bare + " reps", "x" + bare], bare)
    return np.where(seconds, held, counted)


def _notes(
    sets: pd.DataFrame,
    usual: Sequence[str],
    form: Sequence[str],
    pain: Sequence[str],
    rng: np.random.Generator,
) -> np.ndarray:
    n = len(sets)
    first = (sets["set"] == 1).to_numpy()
    chance = rng.random(n)
    sore = (sets["pain"] >= 3).to_numpy() & first & (chance < 0.7)
    bent = ~sets["clean"].to_numpy() & (chance < 0.15)
    some = first & (chance < 0.06)
    even = [rng.choice(np.array(options, dtype=object), n) for options in (pain, form, usual)]
    return np.select([sore, bent, some], even, "")
