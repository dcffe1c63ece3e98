"""Tables and queries of any database that SQLAlchemy knows."""

from __future__ import annotations

import re

import pandas as pd
import sqlalchemy as sa
from sqlalchemy.exc import SQLAlchemyError

from forecast.errors import LogError


def read_database(url: str, table: str | None = None) -> tuple[str, pd.DataFrame]:
    """Read a table, or the rows of a query, and return a name for messages with it.

    Parameters
    ----------
    url
        SQLAlchemy URL, such as ``sqlite:///club.db``.
    table
        Name of a table or view (``schema.name`` too), or a query that starts with SELECT or
        WITH. May be left out where there is a single table.

    Raises
    ------
    LogError
        If the URL, its driver, the connection, the table or the query does not work.
    """
    try:
        address = sa.make_url(url)
        label = address.render_as_string(hide_password=True)
    except SQLAlchemyError as error:
        raise LogError(f"That database URL can't be read: {error}.") from error
    try:
        engine = sa.create_engine(address)
    except (SQLAlchemyError, ImportError) as error:
        raise LogError(
            f"{label}: no driver for this kind of database ({error}); install the driver."
        ) from error
    try:
        with engine.connect() as connection:
            if table is not None and re.match(r"\s*(select|with)\b", table, re.I):
                name, result = "query", connection.exec_driver_sql(table)
            else:
                name = _table(connection, table, label)
                schema, _, bare = name.rpartition(".")
                found = sa.table(bare, schema=schema or None)
                result = connection.execute(sa.select(sa.text("*")).select_from(found))
            rows = [tuple(row) for row in result]
            frame = pd.DataFrame(rows, columns=list(result.keys()), dtype=object)
    except SQLAlchemyError as error:
        cause = str(getattr(error, "orig", None) or error).splitlines()[0]
        raise LogError(f"{label} could not be read: {cause}. Check address and query.") from error
    finally:
        engine.dispose()
    return f"{label} {name}", frame


def _table(connection: sa.Connection, table: str | None, label: str) -> str:
    """Return the table's name, having seen that it is there."""
    inspector = sa.inspect(connection)
    known = [*inspector.get_table_names(), *inspector.get_view_names()]
    if table is None and len(known) == 1:
        table = known[0]
    if table is None:
        raise LogError(
            f"{label} has the tables {', '.join(known) or '(none)'}; say which with table=, or "
            "give a SELECT query."
        )
    schema, _, name = table.rpartition(".")
    if not schema and name not in known:
        raise LogError(f"{label} has no table {table!r}; its tables are {', '.join(known)}.")
    return table
