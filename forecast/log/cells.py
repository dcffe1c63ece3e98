"""One cell of a foreign table: blank or not, read once each; words with a fixed meaning."""

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import pandas as pd

from forecast.log.problems import Problem, counted, problem, say
from forecast.log.sizes import MAX_NAME


@cache
def _lexicon() -> dict[str, Any]:
    text = resources.files("forecast.log").joinpath("lexicon.toml").read_text("utf-8")
    return tomllib.loads(text)


def languages(group: str) -> dict[str, dict[str, list[str]]]:
    """Words of a group (``columns``, ``words``, ``units``) by meaning, then by language."""
    return dict(_lexicon()[group])


@cache
def vocabulary(group: str, meaning: str) -> frozenset[str]:
    """Words of one meaning in all languages, in lower case; none where none are taught."""
    return frozenset(word for some in languages(group).get(meaning, {}).values() for word in some)


def units() -> dict[str, str]:
    """Every word for a unit, with the unit's short name."""
    return {word: unit for unit in languages("units") for word in vocabulary("units", unit)}


@cache
def months() -> dict[str, int]:
    """Months by name, and by their first three and four letters where all languages agree."""
    numbers: dict[str, set[int]] = {}
    full: dict[str, int] = {}
    for names in _lexicon()["months"].values():
        for number, name in enumerate(names, start=1):
            full[name] = number
            for short in (name[:3], name[:4]):
                numbers.setdefault(short, set()).add(number)
    return {s: next(iter(n)) for s, n in numbers.items() if len(n) == 1} | full


def any_of(words: frozenset[str]) -> str:
    """Return a pattern for any of these words, the longest first."""
    return "|".join(map(re.escape, sorted(words, key=lambda w: (-len(w), w))))


def weekdays() -> str:
    """Return a pattern for the name of a day of the week, long or short."""
    return any_of(frozenset(day for days in _lexicon()["weekdays"].values() for day in days))


_PLAIN = (str, int, float, Decimal, dt.date, dt.time, dt.timedelta, np.generic, type(None))
BLANKS = frozenset({"", "-", "--", "–", "—", "n/a", "na", "nan", "null", "none", "nil", "?"})
"""Texts that say "nothing was noted" in a column that is not a name."""


@dataclass(frozen=True, slots=True)
class Parsed:
    """A column after parsing: each cell has a value (n,) or a ``Problem`` (n,), else ``None``."""

    values: np.ndarray
    problems: np.ndarray


def show(cell: Any) -> str:
    """Return the cell as a person would read it, on one line."""
    if is_empty(cell):
        return ""
    if isinstance(cell, bool | np.bool_):
        return "true" if cell else "false"
    if isinstance(cell, float | np.floating) and abs(float(cell)) < 1e15 and cell.is_integer():
        return str(int(cell))
    if isinstance(cell, dt.datetime):
        # pd.Timestamp too; midnight is how spreadsheets store a plain date
        text = cell.isoformat(sep=" ")  # ``date()`` has no years above 9999
        return text if cell.time() != dt.time() else text.partition(" ")[0]
    return visible(tidy(_as_text(cell)))


def _as_text(cell: Any) -> str:
    """Return a cell of any type as text; lists may be nested too deeply for that."""
    try:
        return str(cell)
    except RecursionError:
        return say("too_deep", kind=type(cell).__name__)


_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Control characters, marks that turn the direction of text round, and halves of characters."""


def visible(text: str) -> str:
    """Return a text with control characters written out, so that none reaches a terminal."""
    return _UNSEEN.sub(lambda found: ascii(found[0])[1:-1], text)


def tidy(text: str) -> str:
    """Compose accents, drop the outer space and make any inner run of space a single one."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def is_empty(cell: Any) -> bool:
    """Say whether the cell holds nothing at all (empty text, ``None``, ``NaN``, ``NaT``)."""
    if isinstance(cell, str):
        return not cell.strip()
    if cell is None or cell is pd.NaT or cell is pd.NA:
        return True
    if isinstance(cell, Decimal):
        return cell.is_nan()  # a signalling NaN would raise in math.isnan
    if isinstance(cell, np.datetime64 | np.timedelta64):
        return bool(np.isnat(cell))
    return isinstance(cell, float | np.floating) and math.isnan(cell)


def is_blank(cell: Any) -> bool:
    """Say whether the cell is empty or one of the ``BLANKS``."""
    return is_empty(cell) or (isinstance(cell, str) and tidy(cell).casefold() in BLANKS)


def in_percent(share: float, form: str = ".0f") -> str:
    """Return ``80 %`` for 0.8: the one way in which screens and pages write a percentage."""
    return f"{100 * share:{form}} %"


def as_number(cell: Any) -> float | None:
    """Return the number a typed cell holds, ``None`` for text, truth values and the rest."""
    if isinstance(cell, bool | np.bool_ | np.timedelta64):  # numpy counts spans among whole numbers
        return None
    if isinstance(cell, int | float | np.integer | np.floating | Decimal):
        if is_empty(cell):
            return math.nan
        try:
            return float(cell)
        except OverflowError:  # whole numbers have no bound in Python
            return math.inf if cell > 0 else -math.inf
    return None


def distinct(column: pd.Series) -> tuple[np.ndarray, list[Any]]:
    """Return codes (n,) into the list of different cells, of which ``1`` and ``True`` are two."""
    if isinstance(column.dtype, pd.StringDtype):
        codes, unique = pd.factorize(column, use_na_sentinel=False)
        return codes, list(unique)
    places: dict[Hashable, int] = {}
    cells: list[Any] = []
    codes = np.empty(len(column), dtype=np.intp)
    for n, cell in enumerate(column.array):
        kind, cell = type(cell), None if is_empty(cell) else cell
        # numpy hashes no span without a unit
        unitless = isinstance(cell, np.timedelta64) and np.datetime_data(cell)[0] == "generic"
        cell = cell if isinstance(cell, _PLAIN) and not unitless else _as_text(cell)
        key = (kind if cell is not None else None, cell)
        place = places.setdefault(key, len(cells))
        if place == len(cells):
            cells.append(cell)
        codes[n] = place
    return codes, cells


def parse(column: pd.Series, reader: Callable[[Any], Any]) -> Parsed:
    """Apply ``reader`` to each different cell; it returns a value or a ``Problem``."""
    codes, cells = distinct(column)
    values = np.empty(len(cells) + 1, dtype=object)  # one spare: an empty column has no cells
    problems = np.empty(len(cells) + 1, dtype=object)
    for n, cell in enumerate(cells):
        outcome = reader(cell)
        if isinstance(outcome, Problem):
            problems[n] = outcome
        else:
            values[n] = outcome
    return Parsed(values=values[codes], problems=problems[codes])


TICKS = frozenset("x✓✔☑v")
"""Marks that tick a box; nothing in them says what a blank box means."""
_YES = vocabulary("words", "clean") | TICKS
_NO = vocabulary("words", "unclean") | frozenset("✗✘☒☐")
_ALONE = vocabulary("words", "alone") | vocabulary("words", "unclean") | {"☐"}
_HELPED = vocabulary("words", "helped") | vocabulary("words", "clean") | TICKS
_HELP = vocabulary("words", "help") | vocabulary("words", "prop")
MOST = 0.5
"""Share of rows above which words never seen before are asked about, not taken for help."""
_STOPPED = {
    name: vocabulary("words", name) | {name[0]} for name in ("failed", "target", "choice")
} | {"unknown": frozenset(("unknown", "u"))}
_STOPPED["failed"] |= {"m", "miss"}
_STOP_WORDS = {word: name for name, words in _STOPPED.items() for word in words}


def _word(cell: Any) -> str:
    number = as_number(cell)
    return show(number if number is not None else cell).casefold().rstrip(".!")


def clean_word(cell: Any) -> bool | Problem:
    """Read whether form was held; a blank means yes."""
    word = _word(cell)
    if word in _YES or (is_blank(cell) and word not in {"none", "?"}):
        return True
    return False if word in _NO else problem("word", "clean", show(cell))


def assist_word(cell: Any) -> str:
    """Read the kind of help, ``"none"`` for none; a plain yes is ``"assisted"``."""
    word = _word(cell)
    if is_blank(cell) or word in _ALONE:
        return "none"
    return "assisted" if word in _HELPED else word


def names_help(word: str) -> bool:
    """Say whether a word of ``assist`` is known to mean help, or none."""
    return word in {"none", "assisted"} or not _HELP.isdisjoint(re.split(r"[^\w]+", word))


def strange_assist(found: np.ndarray, answered: set[str]) -> np.ndarray:
    """Ask about words never seen before nor ``answered``, where most rows hold one: problems (n,).

    ``normal``, or a coach's initials, in every row would make every set one with help.
    """
    problems = np.full(len(found), None, dtype=object)
    counts = Counter(found.tolist())
    strange = {word for word in counts if word not in answered and not names_help(word)}
    if sum(counts[word] for word in strange) <= MOST * len(found):
        return problems
    for word in strange:
        problems[found == word] = problem(
            "word", "help", word, count=counts[word], rows=counted(len(found), "row")
        )
    return problems


def stopped_word(cell: Any) -> str | Problem:
    """Read why the set ended: ``failed``, ``target``, ``choice``, or ``unknown`` for a blank."""
    if is_blank(cell):
        return "unknown"
    return _STOP_WORDS.get(_word(cell)) or problem("word", "stopped", show(cell))


def athlete_name(cell: Any) -> str | Problem:
    """Read a name; only the space round it is dropped."""
    if is_empty(cell):
        return Problem("missing", "no_athlete", table="read", key="athlete")
    name = show(cell)
    if len(name) > MAX_NAME:
        return problem("name", "long_name", length=len(name), limit=MAX_NAME)
    return name


def alike(names: Iterable[str]) -> list[list[str]]:
    """Group names that differ in case, accents or space only: perhaps one person each."""
    groups: dict[str, list[str]] = {}
    for name in sorted(names):
        groups.setdefault("".join(bare(name).split()), []).append(name)
    return [group for group in groups.values() if len(group) > 1]


def bare(name: str) -> str:
    """Return a name without accents and capitals, as people type one in a hurry."""
    parts = unicodedata.normalize("NFKD", name.casefold())
    return "".join(char for char in parts if not unicodedata.combining(char))


NEGATED = frozenset(word.split()[0] for word in vocabulary("words", "alone")) | {
    "not", "never", "nicht", "pas", "non", "nie", "nej", "nee", "niet", "inte", "ikke", "não",
}  # fmt: skip
"""Words that deny what follows them."""


def mentions(note: str, word: str) -> bool:
    """Whether a note holds a word, and no word before or behind that denies it."""
    tokens = re.findall(r"[^\W_]+", note.casefold())
    size = len(word.split())
    return any(
        tokens[n : n + size] == word.split()
        and NEGATED.isdisjoint(tokens[max(n - 3, 0) : n])
        and tokens[n + size : n + size + 1] != ["free"]
        for n in range(len(tokens))
    )


def note_text(cell: Any) -> str:
    """Read a note as it is, ``""`` for none."""
    return "" if is_empty(cell) else show(cell)
