"""Drawing without a network: the JavaScript that draws, and charts in a notebook."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import altair as alt

from forecast.errors import ForecastError, MissingExtraError
from forecast.log import write_whole
from forecast.words import captions, say

RENDERER = "rungwise"
OPTIONS = {
    "mode": "vega-lite", "renderer": "svg",
    "actions": {"export": True, "source": False, "compiled": False, "editor": False},
    "i18n": captions.MENU,
}  # fmt: skip
"""How a notebook draws: what is seen can be saved to a file from the menu at a chart's corner."""

FRAGMENT = """<style>#{slot}.vega-embed {{ display: flex; flex-direction: column; }}
#{slot} .vega-bindings {{ order: -1; margin-bottom: 0.5em; }}</style>
<div id="{slot}" style="width:100%"></div>
<script>
(function draw(tries) {{
  const slot = document.getElementById("{slot}");
  if (slot && window.vegaEmbed) window.vegaEmbed(slot, {spec}, {options});
  else if (tries > 0) setTimeout(draw, 100, tries - 1);
  else if (slot) slot.textContent = "{missing}";
}})(100);
</script>"""


KEPT = Path(__file__).parent / "__pycache__"
"""Where the drawing code is kept, beside the compiled code: putting it together takes seconds."""


def chart_script() -> str:
    """Return the JavaScript that draws the charts, of the version that altair writes for."""
    return zlib.decompress(packed_script()).decode("utf-8")


@cache
def packed_script() -> bytes:
    """Return the same, packed to a third as zlib does.

    Put together once for each version of the libraries, where the package's folder can be
    written to; else by every process anew.
    """
    if find_spec("vl_convert") is None:
        raise MissingExtraError("Drawing charts", "pages")
    schema = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
    kept = KEPT / f"drawing-{version('vl-convert-python')}-{schema}.zlib"
    try:
        packed = kept.read_bytes()
        zlib.decompress(packed)  # its own sum tells whether the file is whole
        return packed
    except (OSError, zlib.error):
        pass  # not kept yet, or spoilt: made anew below
    import vl_convert  # 80 MB that only the first drawing needs

    bundle: Callable[..., str] = vl_convert.javascript_bundle  # its stub wants a snippet too
    packed = zlib.compress(bundle(vl_version=schema).encode("utf-8"), 9)
    with suppress(OSError, ForecastError):
        KEPT.mkdir(exist_ok=True)
        write_whole(kept, packed)
    return packed


class ChartCode:
    """The JavaScript that draws charts, as the output of a notebook's cell."""

    def _repr_html_(self) -> str:
        return (
            # in a block of its own: a cell run again declares nothing twice
            f"<script>if (!window.vegaEmbed) {{ {chart_script()} }}</script>"
            f"<p>{say.text('drawing')}</p>"
        )


def in_notebook() -> ChartCode:
    """Make charts show in a notebook without a network, however many rows they hold.

    Leave it as the last line of a cell at the top: its output carries the code that draws.
    Without vl-convert it raises a ``MissingExtraError``.

    Returns
    -------
    ChartCode
        Shown by the notebook.
    """
    chart_script()  # what is missing is said here and not where the cell is shown
    alt.renderers.register(RENDERER, _fragment)
    alt.renderers.enable(RENDERER)
    alt.data_transformers.enable("default", max_rows=None)
    return ChartCode()


def _fragment(spec: dict[str, Any], **_: Any) -> dict[str, str]:
    return {"text/html": fragment(spec)}


def fragment(spec: dict[str, Any]) -> str:
    """Return a chart as HTML that waits for the drawing code on the page."""
    # An escaped "<" can't end the script, whatever an athlete is called.
    text = json.dumps(spec).replace("<", "\\u003c")
    slot = "chart-" + hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]
    return FRAGMENT.format(
        slot=slot, spec=text, options=json.dumps(OPTIONS), missing=say.text("not_drawing")
    )
