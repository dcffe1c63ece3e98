"""One page: a template, its charts and tables, and the code that draws them."""

from __future__ import annotations

import base64
import json
import warnings
import zlib
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from html import escape
from itertools import pairwise
from typing import Any

import altair as alt
import pandas as pd
from jinja2 import Environment, PackageLoader, StrictUndefined

from forecast.charts import fragment, packed_script
from forecast.errors import ForecastWarning, MissingExtraError
from forecast.words import pages, say


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart ready for a page: its words as HTML, its drawing as data.

    ``slot`` identifies it on the page; ``title, subtitle`` are set by the page and not by the chart
    so that they wrap; ``alt`` is for whoever can't see it; ``spec`` is the Vega-Lite specification
    without title and without its drop-down list, for which the page has one of its own: ``label``
    and ``choices``.
    """

    slot: str
    title: str
    subtitle: str
    alt: str
    spec: dict[str, Any]
    label: str = ""
    choices: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        bind = {"input": "select", "options": list(self.choices), "name": f"{self.label} "}
        params = [
            {**param, "bind": bind} if param["name"] == "pick" else param
            for param in self.spec.get("params", [])
        ]
        head = f"<p><b>{escape(self.title)}</b><br>{escape(self.subtitle)}</p>"
        return head + fragment({**self.spec, "params": params})

    def of(self, column: str, values: Collection[str], **changed: Any) -> Figure:
        """Return the part of a club's chart that holds the rows of these and no others.

        Making a chart takes a hundred times as long as taking a part of one. ``column`` tells whose
        rows they are; ``changed`` are other members of the specification, such as ``height``.
        """
        datasets = {
            name: [row for row in rows if row[column] in values]
            for name, rows in self.spec["datasets"].items()
        }
        params = [
            {**param, "value": {who: param["value"][who] for who in values}}
            if param["name"] == "ends"
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


def figure(slot: str, chart: alt.TopLevelMixin, *, title: str = "", subtitle: str = "") -> Figure:
    """Return the chart for a page, with its title and its list left to the page.

    A list made by the page can be reached by keyboard, carries a label, and prints. ``title`` and
    ``subtitle`` stand instead of the chart's own.
    """
    # The charts' tests check them against the schema; here it would cost half the time.
    alt.data_transformers.register(_ONCE, _once())
    with alt.data_transformers.enable(_ONCE):
        spec = chart.to_dict(validate=False)
    own = spec.pop("title")
    spec.pop("$schema", None)
    spec["config"]["aria"] = False
    label, choices = "", ()
    for parameter in spec.get("params", []):
        if parameter.get("name") == "pick":
            bind = parameter.pop("bind")
            label, choices = bind["name"].strip(), tuple(bind["options"])
    return Figure(
        slot, title or own["text"], subtitle or own["subtitle"], spec.pop("description"), spec,
        label, choices,
    )  # fmt: skip


def sheets(count: int, rows: int) -> list[slice]:
    """Return the parts a list of ``count`` is cut into, as even as can be, ``rows`` at most."""
    parts = max(-(-count // rows), 1)
    edges = [round(count * i / parts) for i in range(parts + 1)]
    return [slice(start, stop) for start, stop in pairwise(edges)]


def span(rows: slice, count: int) -> str:
    """Return which part of a list is shown, as the end of a heading; empty where it is all."""
    return "" if rows.stop - rows.start == count else f", {rows.start + 1} to {rows.stop}"


Say = Callable[[Any], str]


@dataclass(frozen=True, slots=True)
class Table:
    """Headings, rows of text, and a caption; ``numeric`` marks the columns set to the right."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]

    def _repr_html_(self) -> str:
        return str(_environment().get_template("parts.html.j2").module.table(self))  # type: ignore[attr-defined]


def table(frame: pd.DataFrame, columns: Mapping[str, tuple[str, Say]], caption: str) -> Table:
    """Return the columns of a frame as a table of text.

    ``columns``: name to heading and the function that says a value.
    """
    cells = [[say(value) for value in frame[name]] for name, (_, say) in columns.items()]
    return Table(
        caption=caption,
        headings=tuple(heading for heading, _ in columns.values()),
        rows=tuple(zip(*cells, strict=True)),
        numeric=tuple(pd.api.types.is_numeric_dtype(frame[name]) for name in columns),
    )


def shown(frame: pd.DataFrame, *columns: str, caption: str = "") -> Table:
    """Return columns of a result's frame for a notebook, under headings that people read.

    Parameters
    ----------
    frame
        The rows.
    columns
        Names, of those in ``pages.COLUMNS``; all that are there where none is given.
    caption
        What the table holds.
    """
    names = columns or [name for name in frame if name in pages.COLUMNS]
    kinds: dict[str, Say] = {
        "share": share,
        "chance": say.percent,
        "weeks": weeks,
        "number": number,
        "text": text,
        "day": _day,
    }
    return table(
        frame,
        {name: (pages.COLUMNS[name][0], kinds[pages.COLUMNS[name][1]]) for name in names},
        caption,
    )


def rates(table_at_rates: pd.DataFrame) -> Table:
    """Return by when half clear each rung ahead, in weeks, a column for each rate of training.

    ``table_at_rates`` is that of ``ahead.what_if``.
    """
    wide = table_at_rates.set_index(["rung_name", "sessions_per_week"])["weeks_mid"]
    wide = wide.unstack(sort=False).reset_index()
    columns = {"rung_name": (pages.COLUMNS["rung_name"][0], text)}
    columns |= {rate: (pages.per_week(rate), weeks) for rate in wide.columns[1:]}
    return table(wide, columns, pages.text("rates"))


def _day(value: Any) -> str:
    return "-" if pd.isna(value) else f"{value.day} {value:%b %Y}"


def share(value: Any) -> str:
    """Return ``12 %``, or a dash where missing."""
    return "-" if pd.isna(value) else f"{100 * value:.0f}{say.NBSP}%"


def weeks(value: Any) -> str:
    """Return whole weeks; a dash where missing, ``not reached`` where endless."""
    if pd.isna(value):
        return "-"
    return "not reached" if value == float("inf") else f"{value:.0f}"


def number(value: Any) -> str:
    """Return a number with three figures, or a dash where missing."""
    return "-" if pd.isna(value) else f"{value:.3g}"


def text(value: Any) -> str:
    """Return the value as it is, or a dash where missing."""
    return "-" if pd.isna(value) else str(value)


@dataclass(frozen=True, slots=True)
class Paragraphs:
    """Text shown by a notebook as one paragraph a line, wrapped as its own text is."""

    text: str

    def _repr_html_(self) -> str:
        return "".join(f"<p>{escape(line)}</p>" for line in self.text.splitlines() if line)

    def __repr__(self) -> str:
        return self.text


def paragraphs(*texts: str) -> Paragraphs:
    """Return the texts for a notebook to show, one paragraph a line."""
    return Paragraphs("\n".join(texts))


@cache
def _environment() -> Environment:
    """Escape every value, and refuse a template that names something it was not given."""
    environment = Environment(
        loader=PackageLoader("forecast.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["packed"] = pack
    environment.globals["say"] = pages.text
    return environment


def pack(spec: dict[str, Any]) -> str:
    """Return a chart's specification as the page takes it: a twentieth of its length as text."""
    packed = json.dumps(spec, ensure_ascii=False, separators=(",", ":")).encode("utf-8")
    return base64.b64encode(zlib.compress(packed)).decode("ascii")


def _packed_script() -> str:
    """Return the code that draws, packed to a third; empty, with a warning, where it is missing."""
    try:
        return base64.b64encode(packed_script()).decode("ascii")
    except MissingExtraError as missing:
        message = f"{pages.text('no_charts')} {missing}"
        warnings.warn(message, ForecastWarning, stacklevel=2)
        return ""


def render(template: str, *, title: str, figures: Iterable[Figure], **values: object) -> str:
    """Return the page as one self-contained HTML text.

    ``template`` is a file in ``templates``; data of the charts are written into the page, the
    drawing code once; ``values`` are what the template asks for.
    """
    figures = list(figures)
    script = _packed_script() if figures else ""
    page = _environment().get_template(template)
    return page.render(title=title, figures=figures, chart_script=script, **values)
