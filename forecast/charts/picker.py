"""Any athlete on any rung: one list that picks for the sets, the chances and the words at once."""

from __future__ import annotations

import textwrap
from typing import Protocol

import altair as alt
import pandas as pd

from forecast.charts.chance import chance_layers
from forecast.charts.look import INK, LOOK, one_or_pick, picked
from forecast.charts.progress import progress_layers

WIDTH = 700
LETTERS = 105
"""Letters of a line of words that fit the width."""
LINE = 17
"""Pixels a line of words is high."""


class Drawn(Protocol):
    """The tables that ``progress`` and ``chance_by_week`` draw."""

    sets: pd.DataFrame
    level: pd.DataFrame
    fan: pd.DataFrame
    marks: pd.DataFrame
    curve: pd.DataFrame
    points: pd.DataFrame


def pick_a_rung(
    tables: Drawn, words: pd.DataFrame | None = None, *, as_of: pd.Timestamp
) -> alt.VConcatChart:
    """Draw one athlete on one rung at a time, picked in one list, with what there is to say.

    Parameters
    ----------
    tables
        As ``progress`` and ``chance_by_week`` want them.
    words
        ``who, text``: sentences on each, in the order in which they are to stand; none where left
        out.
    as_of
        Cut date.
    """
    pick = one_or_pick(tables.marks["who"], "Athlete and rung")
    layers, tops = progress_layers(tables.sets, tables.level, tables.fan, tables.marks, pick)
    parts = [alt.layer(*layers).properties(width=WIDTH, height=280)]
    if len(tables.curve):
        chances = chance_layers(tables.curve, tables.points, pick, as_of=as_of, slider=True)
        parts.append(alt.layer(*chances).properties(width=WIDTH, height=220))
    if words is not None:
        parts.append(_words(words, pick))
    if pick is not None:
        parts[0] = parts[0].add_params(pick, tops)
    chart = alt.vconcat(*parts).resolve_scale(x="independent", y="independent")
    return chart.properties(
        title=alt.TitleParams(
            text="Any athlete, any rung",
            subtitle="Points: sets. Line: a usual day; dotted, where it is heading. Bar: 8 in 10 "
            "clear it in here. Below: the chance by week.",
        ),
        description=f"Sets and chances for {len(tables.marks)} athletes and rungs, one "
        "shown at a time by the list.",
    ).configure(**LOOK)


def _words(words: pd.DataFrame, pick: alt.Parameter | None) -> alt.Chart:
    said = _lines(words)
    most = int(said["line"].max()) + 1 if len(said) else 1
    scale = alt.Scale(domain=[0, most], range=[0, LINE * most], nice=False)
    return (
        picked(alt.Chart(said), pick)
        .mark_text(align="left", baseline="top", color=INK)
        .encode(x=alt.value(0), y=alt.Y("line:Q", axis=None, scale=scale), text="text:N")
        .properties(width=WIDTH, height=LINE * most)
    )


def _lines(words: pd.DataFrame) -> pd.DataFrame:
    """Break the sentences into lines, numbered for each ``who``; a chart wraps nothing itself."""
    broken = words.assign(text=[textwrap.wrap(str(text), LETTERS) for text in words["text"]])
    lines = broken.explode("text", ignore_index=True).dropna(subset="text")
    return lines.assign(line=lines.groupby("who").cumcount())[["who", "line", "text"]]
