"""The cells of values of a table, read once each, and the sets they hold spread over rows."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast.ladder import Ladder
from forecast.log.cells import Problem, counted, distinct, parse, show
from forecast.log.columns import COLUMNS
from forecast.log.mapping import Mapping, value_words
from forecast.log.notation import attempts
from forecast.log.questions import Attempt, Style
from forecast.log.shapes import Shaped

_LISTED = re.compile(r"\s*\d+(?:\s*,\s*\d+){2,}\s*")
_OVER = ("clean", "stopped", "effort", "load_kg", "assist")
"""What a cell of values may tell of its sets, where the row's own column tells nothing."""


@dataclass(frozen=True, slots=True)
class Values:
    """What the cells of values say.

    ``found`` are the different readings (each the sets of a cell, or none), ``codes`` (n,) the
    reading of each row, ``problems`` those (n,) of each column of values.
    """

    found: list[tuple[Attempt, ...]]
    codes: np.ndarray
    problems: list[np.ndarray]

    @property
    def _sizes(self) -> np.ndarray:
        return np.array([max(len(one), 1) for one in self.found], dtype=np.int64)[self.codes]

    def _counts(self, told: np.ndarray) -> np.ndarray:
        """Sets (n,) of each row: those in its cell, or as many alike as its column says."""
        sizes = self._sizes
        alike = np.array([n or 1 for n in told], dtype=np.int64) if _any(told) else 1
        return np.where(sizes == 1, alike, sizes)

    def cells_in(self, good: np.ndarray, told: np.ndarray) -> int:
        """Count the rows in: a row that is good as often as it has sets, any other once."""
        return int(self._counts(told)[good].sum() + (~good).sum())

    def count_problems(self, told: np.ndarray) -> np.ndarray:
        """Problems (n,) of rows whose number of sets is not that of the sets in the cell."""
        problems = np.full(len(told), None, dtype=object)
        sizes = self._sizes
        for n in np.flatnonzero(sizes > 1) if _any(told) else ():
            if told[n] is not None and told[n] != sizes[n]:
                problems[n] = Problem(
                    "contradiction", f"{told[n]} sets, but the cell holds {sizes[n]}; mend one."
                )
        return problems

    def load_problems(self, told: np.ndarray) -> np.ndarray:
        """Problems (n,) of rows whose load is not the one beside the value."""
        problems = np.full(len(told), None, dtype=object)
        loads = [{a.load_kg for a in one} - {None} for one in self.found]
        if not any(loads):
            return problems
        for n, code in enumerate(self.codes):
            other = loads[code] - {told[n]}
            if told[n] is not None and other:
                problems[n] = Problem(
                    "contradiction", f"{told[n]:g} kg here, {min(other):g} kg beside the value."
                )
        return problems

    def spread(
        self, table: dict[str, np.ndarray], good: np.ndarray, told: np.ndarray
    ) -> pd.DataFrame:
        """Return the good rows, one for each set, with what the cells tell of the sets."""
        counts, codes = self._counts(told)[good], self.codes[good]
        at = np.repeat(np.arange(len(counts)), counts)
        turn = np.arange(len(at)) - np.repeat(np.cumsum(counts) - counts, counts)
        starts = np.cumsum([0, *(max(len(one), 1) for one in self.found)])
        flat = [attempt for one in self.found for attempt in (one or (Attempt(np.nan),))]
        sizes = np.array([max(len(one), 1) for one in self.found], dtype=np.int64)[codes]
        place = starts[codes[at]] + np.where(sizes[at] > 1, turn, 0)
        sets = pd.DataFrame({name: cells[at] for name, cells in table.items()})
        sets["value"] = np.array([one.value for one in flat])[place]
        for name in _OVER:
            said = np.array([getattr(one, name) for one in flat], dtype=object)
            if _any(said):
                fills = np.array([cell is not None for cell in said])[place]
                blank = COLUMNS[name].blank
                own = sets[name].isna() if blank is None else sets[name] == blank
                sets[name] = sets[name].astype(object).mask(fills & own, pd.Series(said[place]))
        notes = np.array([one.note for one in flat], dtype=object)
        if (notes != "").any():
            both = sets["note"] + "; " + notes[place]
            sets["note"] = both.map(lambda text: text.strip("; "))
        if (counts > 1).any():
            _number(sets, np.repeat(counts, counts), turn)
        return sets

    def understood(self, file: str) -> list[str]:
        """Sentences on sides noted apart and on cells with several sets."""
        sided = np.array([any(a.sided for a in one) for one in self.found])[self.codes].sum()
        many = int((np.array([len(one) for one in self.found])[self.codes] > 1).sum())
        said = []
        if sided:
            said.append(
                f"{file}: each side noted apart in {counted(int(sided), 'set')}: the weaker counts."
            )
        if many:
            said.append(f"{file}: several sets in {counted(many, 'cell')}, each taken as a set.")
        return said


def _any(cells: np.ndarray) -> bool:
    return cells.tolist().count(None) < len(cells)


def _number(sets: pd.DataFrame, counts: np.ndarray, turn: np.ndarray) -> None:
    """Number the sets of a cell where it holds all of its session; elsewhere no order is known."""
    session = sets.groupby(["athlete", "date", "rung"], sort=False)["row"]
    alone = (session.transform("nunique") == 1) & (session.transform("size") == counts)
    several = counts > 1
    sets["set"] = (
        sets["set"].mask(several & alone, pd.Series(turn + 1)).mask(several & ~alone, None)
    )


def read_values(shape: Shaped, mapping: Mapping, rung: np.ndarray, ladder: Ladder) -> Values:
    """Read each column of values in the measure of each row's rung, each different cell once.

    Where several columns hold values by their units, the one that fits the rung counts.
    """
    measures = {r.key: r.criterion.measure for r in ladder.rungs}
    known = [None, *dict.fromkeys(measures.values())]
    number = {key: known.index(measure) for key, measure in measures.items()}
    measure, keys = pd.factorize(pd.Series(rung, dtype=object))
    measure = np.array([*(number[key] for key in keys), 0], dtype=np.int64)[measure]
    replace = value_words(mapping, "value")
    words = {word.casefold(): meaning for word, meaning in mapping.words.items()}
    found: list[tuple[Attempt, ...]] = [()]
    parts = []
    for header, unit in shape.columns.values:
        column = shape.raw.cells[header]
        if replace:
            column = pd.Series(
                parse(column, lambda c: replace.get(show(c).casefold(), c)).values, dtype=object
            )
        codes, cells = distinct(column)
        units = shape.units if header in shape.heads and shape.units is not None else None
        unit_codes, unit_names = (
            (np.zeros(len(codes), dtype=np.int64), [unit]) if units is None else pd.factorize(units)
        )
        commas = any(isinstance(cell, str) and _LISTED.fullmatch(cell) for cell in cells)
        style = Style(mapping.read.decimal, mapping.cells, words, commas)
        mixed = (codes * len(known) + measure) * len(unit_names) + unit_codes
        pairs, back = np.unique(mixed, return_inverse=True)
        place = np.zeros(len(pairs), dtype=np.int64)
        problems = np.full(len(pairs), None, dtype=object)
        for n, pair in enumerate(pairs):
            rest, unit_code = divmod(int(pair), len(unit_names))
            code, measure_code = divmod(rest, len(known))
            outcome = attempts(cells[code], known[measure_code], unit_names[unit_code], style)
            if isinstance(outcome, Problem):
                problems[n] = outcome
            elif measure_code:
                place[n] = len(found)
                found.append(outcome)
        parts.append((place[back], problems[back]))
    return Values(found, *_one_each(parts, [header for header, _ in shape.columns.values]))


def _one_each(
    parts: list[tuple[np.ndarray, np.ndarray]], headers: Sequence[str]
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Leave each row one reading, from the one column whose unit fits its rung.

    A column that is blank or of another unit does not matter in a row where another column has
    the value.
    """
    if len(parts) == 1:
        return parts[0][0], [parts[0][1]]
    codes, problems = np.array([c for c, _ in parts]), [p.copy() for _, p in parts]
    for n in range(codes.shape[1]):
        good = np.flatnonzero(codes[:, n])
        if len(good):
            for part in problems:
                part[n] = None
        if len(good) > 1:
            both = " and ".join(repr(headers[k]) for k in good.tolist())
            problems[good[0]][n] = Problem(
                "contradiction", f"{both} both hold a value for this rung; keep one."
            )
        wrong = [k for k, part in enumerate(problems) if part[n] is not None]
        telling = [k for k in wrong if problems[k][n].kind != "missing"] or wrong[:1]
        for k in set(wrong) - set(telling):
            problems[k][n] = None
    return codes.max(axis=0), problems
