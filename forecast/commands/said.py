"""Messages of the package in the words of the command line: options for arguments."""

from __future__ import annotations

import re

OPTIONS = {
    "as_of": "--as-of",
    "date_order": "--date-order",
    "false_alarms_per_year": "--false-alarms",
    "horizon_weeks": "--horizon",
    "random_state": "--seed",
    "sessions_per_week": "--sessions-per-week",
    "since": "--since",
    "target_date": "--by",
}
"""Arguments of functions, and the options that set them; of ``WITH_EQUALS`` only as ``name=``."""
WITH_EQUALS = {
    name: f"--{name}" for name in ("ladder", "mapping", "roster", "seed", "sheet", "table")
}
_IN_A_MAPPING = r"(?! (?:= \"\w+\" )?under \[)"
_ARGUMENT = re.compile(
    rf"(?<![\w.-])(?:({'|'.join(OPTIONS)})\b{_IN_A_MAPPING}(?: ?=)?"
    rf"|({'|'.join(WITH_EQUALS)}) ?=)(?: ?(?=['\"\w-]))?"
)


def in_options(message: str) -> str:
    """Return a message with the options of the command line for the arguments of functions.

    Examples
    --------
    >>> in_options('pass date_order="dmy" (day first), or put date_order = "dmy" under [read]')
    'pass --date-order "dmy" (day first), or put date_order = "dmy" under [read]'
    >>> in_options("say which with table=, or name a sheet")
    'say which with --table, or name a sheet'
    """
    return _ARGUMENT.sub(_option, message)


def _option(found: re.Match[str]) -> str:
    option = OPTIONS.get(found[1]) or WITH_EQUALS[found[2]]
    following = found.string[found.end() : found.end() + 1]
    parted = found[0][-1] == " " or (found[0][-1] == "=" and re.match(r"['\"\w-]", following))
    return option + (" " if parted else "")
