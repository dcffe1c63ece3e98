"""One page: a template, its charts, and the code that draws them, with nothing left outside."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Iterable
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from forecast.charts import packed_script
from forecast.report.figures import Figure
from forecast.report.words import say_chance, say_day, say_range, say_value


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
    environment.filters.update(
        chance=say_chance, packed=pack, day=say_day, weeks_range=say_range, value=say_value
    )
    return environment


def pack(spec: dict[str, Any]) -> str:
    """Return a chart's specification as the page takes it: a twentieth of its length as text."""
    text = json.dumps(spec, ensure_ascii=False, separators=(",", ":"))
    return base64.b64encode(zlib.compress(text.encode("utf-8"))).decode("ascii")


@cache
def _packed_script() -> str:
    """Return the code that draws, packed to a third; the page unpacks it."""
    return base64.b64encode(packed_script()).decode("ascii")


def render(template: str, *, title: str, figures: Iterable[Figure], **values: object) -> str:
    """Return the page as one self-contained HTML text.

    Parameters
    ----------
    template
        File in ``templates``.
    title
        Title of the page.
    figures
        Charts on the page; their data are written into it, the drawing code once.
    values
        What the template asks for.
    """
    figures = list(figures)
    script = _packed_script() if figures else ""
    page = _environment().get_template(template)
    return page.render(title=title, figures=figures, chart_script=script, **values)
