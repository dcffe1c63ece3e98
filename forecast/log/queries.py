"""A query given by hand: one SELECT, or it is refused before any database sees it."""

from __future__ import annotations

import logging
import re

from forecast.errors import LogError
from forecast.log.limits import MAX_QUERY

_DIALECTS = {
    "postgresql": "postgres",
    "cockroachdb": "postgres",
    "mariadb": "mysql",
    "mssql": "tsql",
    "awsathena": "athena",
}
"""Dialects that the parser knows by another name than SQLAlchemy does."""

_RUN_IN_COMMENT = re.compile(r"/\*M?!")
"""MySQL and MariaDB run what stands in a comment that begins so."""


def is_query(text: str) -> bool:
    """Say whether the text is meant as a query: table names begin otherwise."""
    return re.match(r"\s*(\(|--|/\*|(select|with|values|from)\b)", text, re.I) is not None


def check_query(text: str, dialect: str) -> str:
    """Return a query that does nothing but read, without a semicolon or comment at its end.

    Parameters
    ----------
    text
        One SELECT, WITH and UNION included; a semicolon at its end is no fault.
    dialect
        Name of SQLAlchemy's dialect, such as ``sqlite``.

    Raises
    ------
    LogError
        If it is no SQL, more than one statement, or holds anything that writes, locks or
        changes a setting, in however deep a part of it.
    """
    if len(text) > MAX_QUERY:
        raise LogError(
            f"The query has {len(text)} characters; {MAX_QUERY} are read at most. Make it a view "
            "and name that."
        )
    if "\x00" in text or _RUN_IN_COMMENT.search(text):
        raise LogError(
            "The query holds a NUL character or a comment that some databases run; take it out."
        )
    statements = _parsed(text, dialect)
    if len(statements) != 1:
        raise LogError(
            f"The query holds {len(statements)} statements; give one SELECT and nothing else."
        )
    writing = _writing(statements[0])
    if writing:
        raise LogError(
            f"The query holds {writing}, and a database is only ever read here; give one SELECT "
            "and nothing else."
        )
    return _bare(text, dialect)


def _parser(dialect: str) -> str | None:
    from sqlglot.dialects import Dialect

    name = _DIALECTS.get(dialect, dialect)
    return name if name in Dialect.classes else None


def _bare(text: str, dialect: str) -> str:
    """Cut the text behind its last word, so that it can stand within another query."""
    import sqlglot

    words = sqlglot.tokenize(text, read=_parser(dialect))
    while words[-1].token_type.name == "SEMICOLON":
        words.pop()
    return text[: words[-1].end + 1]


def _parsed(text: str, dialect: str) -> list:
    # the parser takes a while to load; only a query needs it
    import sqlglot
    from sqlglot.errors import SqlglotError
    from sqlglot.expressions import Semicolon  # a comment behind the last one

    logger = logging.getLogger("sqlglot")
    level = logger.level
    try:
        logger.setLevel(logging.ERROR)  # what it does not know is refused below, in our words
        found = sqlglot.parse(text, dialect=_parser(dialect))
    except (SqlglotError, RecursionError) as error:
        raise LogError(
            "The query is not understood as SQL, or is nested too deeply; give one SELECT, or "
            "make it a view and name that."
        ) from error
    finally:
        logger.setLevel(level)
    return [one for one in found if one is not None and not isinstance(one, Semicolon)]


def _writing(statement: object) -> str:
    """Name the first part that is not mere reading, empty if all of it is."""
    from sqlglot import exp

    if not isinstance(statement, exp.Query | exp.Values):
        return _name(statement)
    for part in statement.walk():
        if isinstance(part, exp.DML | exp.DDL | exp.Command | exp.Into | exp.Lock):
            return _name(part)
        if isinstance(part, exp.CTE) and not isinstance(part.this, exp.Query | exp.Values):
            return _name(part.this)
    return ""


def _name(part: object) -> str:
    name = type(part).__name__.upper()
    return {"COMMAND": "a command", "LOCK": "a lock (FOR UPDATE)"}.get(name, name)
