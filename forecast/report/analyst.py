"""The analyst's page: how the cohort moves, and whether the forecasts can be trusted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from html import escape

import pandas as pd

from forecast import charts
from forecast.backtest import BacktestResult
from forecast.changes import LOOK_AHEAD, came, came_true, entries, in_words, looking_back
from forecast.cohort import (
    bottlenecks,
    covariate_effects,
    criterion_audit,
    expected_weeks,
    lapse_hazard,
    lapse_incidence,
    pace_and_difficulty,
    time_to_clear,
)
from forecast.errors import FitError, ForecastError, HistoryError
from forecast.report.data import ReportData
from forecast.report.page import Figure, Table, figure, render, sheets, shown
from forecast.report.tables import clear_curves, ends, growth_table, named_effects, waits
from forecast.words import pages

PACE_ROWS = 28
"""Rows of a chart that fit a printed page."""
RELIABILITY_WEEK = 12
"""Week whose chances are held against what came, or the nearest that was scored."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one question of the analyst, in words, charts and tables."""

    slot: str
    title: str
    words: tuple[str, ...]
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()

    def _repr_html_(self) -> str:
        text = "".join(f"<p>{escape(line)}</p>" for line in self.words if line)
        shown = [*(f._repr_html_() for f in self.figures), *(t._repr_html_() for t in self.tables)]
        return text + "".join(shown)


def question(data: ReportData, slot: str) -> Answer:
    """Return the answer to one of the analyst's questions, for a notebook to show.

    ``slot`` is one of ``clearing, bottlenecks, pace, growth, lapse, audit, roster``.
    """
    if slot not in QUESTIONS:
        raise ForecastError(f"There is no question {slot!r}; choose one of {', '.join(QUESTIONS)}.")
    title = pages.text(f"ask_{slot}")
    try:
        text, figures, tables = QUESTIONS[slot](data)
    except (FitError, HistoryError) as error:
        return Answer(slot, title, (pages.text("not_worked_out", why=error),))
    return Answer(slot, title, tuple(text.splitlines()), figures, tables)


def analyst_page(data: ReportData, trust: BacktestResult | None = None) -> str:
    """Return the analyst's page as HTML.

    ``trust`` is a backtest on the same log, if one was run.
    """
    told = _trust(data) if trust is None else _scored(trust)
    answers = [told, *(question(data, slot) for slot in QUESTIONS)]
    try:
        slowest = data.view.once(bottlenecks).slowest
    except (FitError, HistoryError) as error:
        slowest = pages.text("slowest_unknown", why=error)
    return render(
        "analyst.html.j2",
        title=pages.text("analyst", club=data.club),
        figures=[one for answer in answers for one in answer.figures],
        data=data,
        answer=(slowest, f"{trust.held}." if trust else told.words[0]),
        answers=answers,
        account=data.account,
    )


Content = tuple[str, tuple[Figure, ...], tuple[Table, ...]]


def _clearing(data: ReportData) -> Content:
    result = time_to_clear(data.histories)
    text = " ".join([result.text, *expected_weeks(data.histories)])
    groups = result.groups.assign(name=result.groups["group"].map(result.names))
    columns = ("name", "n_spells", "n_cleared", "n_lapsed", "median_weeks", "median_low",
               "median_high")  # fmt: skip
    tables = (shown(groups, *columns, caption="clearing", level=result.level),)
    if not result.curves:
        return pages.text("no_curve", text=text), (), tables
    figures = (figure("clearing", charts.time_to_clear(*clear_curves(result), result.level)),)
    spread = waits(result)
    if spread["quarter"].isna().all():
        return f"{text}\n{pages.text('no_quarter')}", figures, tables
    middle = figure("waits", charts.waits_by_rung(spread), title=pages.text("weeks_of_each"))
    return text, (*figures, middle), tables


def _bottlenecks(data: ReportData) -> Content:
    result = data.view.once(bottlenecks)
    columns = ("rung_name", "share_logged", "median_weeks", "flat_share", "lapse_share")
    # The slowest rung is what the page opens with.
    others = result.text.removeprefix(result.slowest).strip()
    return others or result.text, (), (shown(result.frame(), *columns, caption="bottlenecks"),)


def _pace(data: ReportData) -> Content:
    result = pace_and_difficulty(data.view)
    effects = named_effects(result, data.ladder)
    figures = [figure("rung", charts.pace_and_difficulty(effects, "rung", level=result.level))]
    count = int((effects["kind"] == "athlete").sum())
    if count < 2:
        return f"{result.text} {pages.text('one_athlete')}", tuple(figures), ()
    for sheet, rows in enumerate(sheets(count, PACE_ROWS)):
        chart = charts.pace_and_difficulty(effects, "athlete", rows=rows, level=result.level)
        whole = rows.stop - rows.start == count
        title = pages.text("pace" if whole else "pace_rows", first=rows.start + 1, last=rows.stop)
        figures.append(figure(f"athlete-{sheet}", chart, title=title))
    return result.text, tuple(figures), ()


def _growth(data: ReportData) -> Content:
    levels, targets = growth_table(data.view)
    if not levels.duplicated(["athlete", "rung_name"]).any():
        return pages.text("no_line"), (), ()
    figures = (figure("growth", charts.growth_fits(levels, targets)),)
    return pages.text("growth_how"), figures, ()


def _lapse(data: ReportData) -> Content:
    incidence = lapse_incidence(data.histories)
    hazard = lapse_hazard(data.view)
    figures = (figure("lapse", charts.lapse(ends(incidence))),) if incidence.curves else ()
    columns = ("contrast", "odds_ratio", "low", "high")
    tables = (shown(hazard.frame(), *columns, caption="lapse", level=hazard.level),)
    return f"{incidence.text}\n{hazard.text}", figures, tables if len(hazard.frame()) else ()


def _audit(data: ReportData) -> Content:
    return criterion_audit(data.view).text, (), ()


def _covariates(data: ReportData) -> Content:
    if data.histories.roster.empty:
        return pages.text("no_roster"), (), ()
    result = covariate_effects(data.histories)
    columns = ("column", "unit", "hazard_ratio", "low", "high", "p_holm")
    tables = (shown(result.frame(), *columns, caption="roster", level=result.level),)
    return result.text, (), tables if len(result.frame()) else ()


QUESTIONS: dict[str, Callable[[ReportData], Content]] = {
    "clearing": _clearing,
    "bottlenecks": _bottlenecks,
    "pace": _pace,
    "growth": _growth,
    "lapse": _lapse,
    "audit": _audit,
    "roster": _covariates,
}


def _trust(data: ReportData) -> Answer:
    """Hold forecasts against what came: those kept, or else those of hindsight."""
    due, kept, title = data.due, bool(data.diary), pages.text("ask_trust")
    if not kept:
        day = data.as_of - pd.Timedelta(weeks=LOOK_AHEAD)
        try:
            before = looking_back(data.view, day)
            due = came(entries(before.rows_of("pool"), day), data.histories)
        except (FitError, HistoryError) as error:
            return Answer("trust", title, (pages.text("not_worked_out", why=error),))
    if due.empty:
        return Answer("trust", title, (pages.text("none_due"), pages.text("how_to_try")))
    table = came_true(due)
    text = in_words(due, "came_true" if kept else "hindsight")
    columns = ("said", "expected_count", "came", "n")
    table["expected_count"] = (table["expected"] * table["n"]).round()
    listed = shown(table, *columns, caption="came_true")
    how = () if kept else (pages.text("in_hindsight"),)
    return Answer("trust", title, (text, *how, pages.text("how_to_try")), (), (listed,))


def _scored(result: BacktestResult) -> Answer:
    """A backtest's answer."""
    figures = [
        figure("scores", charts.scores(result.scores, level=result.level)),
        figure("pit", charts.calibration(result.calibration, "pit")),
    ]
    tried = result.calibration["check"].str.extract(r"^reliability_(\d+)$")[0].dropna().astype(int)
    if len(tried):
        week = min(set(tried), key=lambda week: abs(week - RELIABILITY_WEEK))
        figures.insert(0, figure("reliability", charts.reliability(result.calibration, week)))
    text = (result.verdict, *result.summary().split("\n\n")[0].splitlines())
    return Answer("trust", pages.text("ask_trust"), text, tuple(figures))
