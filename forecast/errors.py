"""Errors and warnings of the package, one tree each; and the checks of numbers given by hand.

Every message names what was wrong and what to do about it, so that the command line can print
it as it is, without a traceback.
"""

from __future__ import annotations

from collections.abc import Sequence
from numbers import Integral, Real
from typing import TypeGuard

LONGEST_QUOTE = 80
"""Characters of a cell or a name that a message quotes at most."""

LONGEST_LINE = 1_000
"""Characters of one line of a message at most: lists of names may be of any length."""

LONGEST_LIST = 20
"""Lines of a message at most; whoever corrects these sees the rest at the next reading."""


def quote(text: str) -> str:
    """Return a text in quotes, cut where it is long: ``'xx...' (900 characters)``."""
    if len(text) <= LONGEST_QUOTE:
        return repr(text)
    return f"{text[:LONGEST_QUOTE] + '...'!r} ({len(text)} characters)"


def shortened(message: str) -> str:
    """Return a message with long lines and long lists of lines cut."""
    lines = message.split("\n")
    if len(lines) > LONGEST_LIST:
        more = len(lines) - LONGEST_LIST
        message = "\n".join([*lines[:LONGEST_LIST], f"and {more} more lines like these."])
    return "\n".join(
        f"{line[:LONGEST_LINE]}... ({len(line)} characters)" if len(line) > LONGEST_LINE else line
        for line in message.split("\n")
    )


class ForecastError(Exception):
    """Base of every error this package raises on purpose; catch it to catch them all."""

    def __init__(self, message: str = "") -> None:
        super().__init__(shortened(message))


class LadderError(ForecastError):
    """A ladder file breaks the rules of a ladder; correct the place the message names."""


class LogError(ForecastError):
    """A log can't be read at all (single bad rows are kept in ``log.rejected`` instead)."""


class MappingError(LogError):
    """A column or value mapping does not fit the file; correct the mapping, not the file.

    ``columns`` are ours that are missing, or that several headers could be.
    """

    def __init__(self, message: str = "", columns: Sequence[str] = ()) -> None:
        super().__init__(message)
        self.columns = tuple(columns)


class AmbiguousDateError(LogError):
    """Day and month can't be told apart in this file; say which comes first."""


class HistoryError(ForecastError):
    """Sessions or spells can't be made from the sets; the message says for whom."""


class FitError(ForecastError):
    """A model could not be fitted; nothing was silently put in its place."""


class NotFittedError(ForecastError):
    """A forecast was asked of a model that has not been fitted; call ``fit`` first."""


class ModelFileError(ForecastError):
    """A saved model can't be loaded; the file is not ours, damaged, or of another version."""


class BacktestError(ForecastError):
    """A backtest can't be run as asked, for lack of athletes, cuts or followed-up time."""


class SimulationError(ForecastError):
    """An invented cohort can't be made as asked."""


class MissingExtraError(ForecastError):
    """What was asked for needs an optional package; the message names the extra that has it."""

    def __init__(self, what: str, extra: str) -> None:
        super().__init__(f"{what} needs an optional package: pip install 'rungwise[{extra}]'")


class ForecastWarning(UserWarning):
    """Base of every warning this package gives."""


class FitWarning(ForecastWarning):
    """A fit needed help (few data, a bound reached); its forecasts are wider for it."""


def is_number(value: object) -> TypeGuard[float]:
    """Whether it is an ordinary number: text, yes and no, and complex numbers are none."""
    return isinstance(value, Real) and not isinstance(value, bool)


def is_whole(value: object) -> TypeGuard[int]:
    """Whether it is a whole number; yes and no are none."""
    return isinstance(value, Integral) and not isinstance(value, bool)


def check_level(name: str, value: object) -> float:
    """Return the level of an interval or a test, strictly between 0 and 1, or ``FitError``."""
    if is_number(value) and 0 < value < 1:
        return float(value)
    raise FitError(f"{name} = {value!r}; give a share strictly between 0 and 1.")


def check_seed(value: object) -> int:
    """Return a seed: a whole number of 0 or more, or ``FitError``."""
    if is_whole(value) and value >= 0:
        return int(value)
    raise FitError(f"seed = {value!r}; give a whole number, 0 or more.")
