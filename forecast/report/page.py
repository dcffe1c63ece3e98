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
from markupsafe import Markup

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


@dataclass(frozen=True, slots=True)
class Table:
    """Headings, rows of text, and a caption; ``numeric`` marks the columns set to the right."""

    caption: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]

    def _repr_html_(self) -> str:
        return str(_environment().get_template("parts.html.j2").module.table(self))  # type: ignore[attr-defined]


def shown(
    frame: pd.DataFrame, *columns: str, caption: str = "", level: float | None = None
) -> Table:
    """Return columns of a result's frame as a table, under headings that people read.

    ``columns``: names of those in ``words.pages.COLUMNS``, all that are there where none is given;
    ``caption``: name of the sentence above, after ``table_``; ``level`` of the intervals.
    """
    names = [name for name in columns or frame if name in pages.COLUMNS]
    kinds = {name: pages.COLUMNS[name] for name in names}
    return _table(frame, kinds, pages.text(f"table_{caption}") if caption else "", level)


def rates(table_at_rates: pd.DataFrame) -> Table:
    """Return by when half clear each rung ahead, in weeks, a column for each rate of training.

    ``table_at_rates`` is that of ``ahead.what_if``; the present rates, which differ by rung, share
    a column.
    """
    asked = table_at_rates["sessions_per_week"].map(pages.per_week)
    heading = asked.mask(table_at_rates["as_now"], pages.AS_NOW)
    wide = table_at_rates.assign(rate=heading).set_index(["rung_name", "rate"])["weeks_mid"]
    wide = wide.unstack(sort=False).reset_index()
    kinds = {"rung_name": pages.COLUMNS["rung_name"]}
    kinds |= {rate: (rate, "weeks") for rate in wide.columns[1:]}
    return _table(wide, kinds, pages.text("rates"))


def _table(
    frame: pd.DataFrame,
    kinds: Mapping[str, tuple[str, str]],
    caption: str,
    level: float | None = None,
) -> Table:
    """Return the columns of ``kinds``, heading and kind of value by name."""
    interval = "" if level is None else say.percent(level)
    cells = [[pages.cell(value, kinds[name][1]) for value in frame[name]] for name in kinds]
    return Table(
        caption=caption,
        headings=tuple(heading.format(interval=interval) for heading, _ in kinds.values()),
        rows=tuple(zip(*cells, strict=True)),
        numeric=tuple(pd.api.types.is_numeric_dtype(frame[name]) for name in kinds),
    )


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


DRAWING_FILE = "charts.js"
"""Name of the file with the code that draws, beside the pages."""
_LINK, _POLICY = f'<script src="{DRAWING_FILE}"></script>', " 'self' file:"
"""What a page holds of that file: a link, and leave to load what lies beside the page."""


def _packed_script() -> str:
    """Return the code that draws, packed to a third; empty, with a warning, where it is missing."""
    try:
        return base64.b64encode(packed_script()).decode("ascii")
    except MissingExtraError as missing:
        message = f"{pages.text('no_charts')} {missing}"
        warnings.warn(message, ForecastWarning, stacklevel=2)
        return ""


def drawing_file() -> str:
    """Return the content of the file with the code that draws."""
    return f'window.drawingCode = "{_packed_script()}";\n'


def is_linked(page: str) -> bool:
    """Whether a page takes the code that draws from the file beside it."""
    return _LINK in page


def in_one_file(page: str) -> str:
    """Return the page with the code that draws in it, to be mailed alone."""
    code = f'<script type="application/octet-stream" id="drawing-code">{_packed_script()}</script>'
    return page.replace(_LINK, code).replace(_POLICY, "", 1) if is_linked(page) else page


def render(template: str, *, title: str, figures: Iterable[Figure], **values: object) -> str:
    """Return the page as HTML, with the data of its charts; the code that draws is linked.

    ``template`` is a file in ``templates``; ``values`` are what it asks for.
    """
    figures = list(figures)
    link = Markup(_LINK) if figures and _packed_script() else Markup()
    page = _environment().get_template(template)
    policy = Markup(_POLICY) if link else Markup()
    return page.render(title=title, figures=figures, link=link, policy=policy, **values)
