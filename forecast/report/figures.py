"""A chart on a page: its words as HTML, its drawing as data."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any, TypeVar

import altair as alt


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart ready for a page.

    Attributes
    ----------
    slot
        Identifier on the page.
    title, subtitle
        Heading and how to read it, set by the page and not by the chart so that they wrap.
    alt
        Alternative text.
    spec
        Vega-Lite specification without title and without its drop-down list.
    label, choices
        The list that the page shows instead: its label and what can be picked.
    note
        A sentence under the chart, or empty.
    """

    slot: str
    title: str
    subtitle: str
    alt: str
    spec: dict[str, Any]
    label: str = ""
    choices: tuple[str, ...] = ()
    note: str = ""

    def of(self, column: str, values: Collection[str], **changed: Any) -> Figure:
        """Return the part of a club's chart that holds these rows and no others.

        Making a chart takes a hundred times as long as taking a part of one.

        Parameters
        ----------
        column
            By which to tell whose rows they are: ``who`` or ``athlete``.
        values
            What stays.
        changed
            Other members of the specification to set, such as ``height``.
        """
        datasets = {
            name: [row for row in rows if row[column] in values]
            for name, rows in self.spec["datasets"].items()
        }
        params = [
            {**param, "value": {who: param["value"][who] for who in values}}
            if param["name"] == "tops"
            else {**param, "value": next(iter(values))}
            for param in self.spec.get("params", [])
        ]
        return replace(
            self, choices=(), spec={**self.spec, "datasets": datasets, "params": params, **changed}
        )


@dataclass(frozen=True, slots=True)
class Picture:
    """A place on a page where a figure is drawn for one ``who``, with the words around it."""

    figure: str
    who: str
    title: str
    subtitle: str
    alt: str
    note: str = ""


Told = TypeVar("Told", Figure, Picture)


def told_once(drawn: Iterable[Told], told: set[str]) -> tuple[Told, ...]:
    """Return the drawings, how to read them left out where it was ``told`` before; added there."""
    short: list[Told] = []
    for one in drawn:
        short.append(replace(one, subtitle="") if one.subtitle in told else one)
        told.add(one.subtitle)
    return tuple(short)


_ONCE = "rungwise_once"
"""Name of the converter of tables below, in altair's list of them."""


def _once() -> Callable[[Any], Any]:
    """Return a converter that turns a table into rows once for all the layers that draw it."""
    done: list[tuple[Any, Any]] = []

    def rows_of(data: Any) -> Any:
        for table, rows in done:
            if data is table:
                return rows
        done.append((data, alt.to_values(data)))
        return done[-1][1]

    return rows_of


def figure(
    slot: str,
    chart: alt.TopLevelMixin,
    *,
    title: str = "",
    subtitle: str = "",
    note: str = "",
) -> Figure:
    """Return the chart for a page, with its title and its list left to the page.

    A list made by the page can be reached by keyboard, carries a label, and prints.

    Parameters
    ----------
    slot
        Identifier, unique on the page; letters, digits and hyphens.
    chart
        A chart of ``forecast.charts``.
    title, subtitle
        Heading and reading help instead of the chart's own.
    note
        A sentence under the chart.
    """
    # The charts' tests check them against the schema; here it would cost half the time.
    alt.data_transformers.register(_ONCE, _once())
    with alt.data_transformers.enable(_ONCE):
        spec = chart.to_dict(validate=False)
    words = spec.pop("title")
    spec.pop("$schema", None)
    spec["config"]["aria"] = False
    words_instead = spec.pop("description")
    label, choices = "", ()
    for parameter in spec.get("params", []):
        if parameter.get("name") == "pick":
            bind = parameter.pop("bind")
            label, choices = bind["name"].strip(), tuple(bind["options"])
    return Figure(
        slot,
        title or words["text"],
        subtitle or words["subtitle"],
        words_instead,
        spec,
        label,
        choices,
        note,
    )


def sheets(count: int, rows: int) -> list[slice]:
    """Return the parts a list of ``count`` is cut into, as even as can be, ``rows`` at most."""
    parts = max(-(-count // rows), 1)
    edges = [round(count * i / parts) for i in range(parts + 1)]
    return [slice(start, stop) for start, stop in pairwise(edges)]


def span(rows: slice, count: int) -> str:
    """Return which part of a list is shown, as the end of a heading; empty where it is all."""
    return "" if rows.stop - rows.start == count else f", {rows.start + 1} to {rows.stop}"
