"""The analyst's page: how the cohort moves, and whether the forecasts can be trusted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from html import escape

from forecast import charts
from forecast.backtest import BacktestResult
from forecast.cohort import (
    bottlenecks,
    covariate_effects,
    criterion_audit,
    lapse_hazard,
    lapse_incidence,
    pace_and_difficulty,
    time_to_clear,
)
from forecast.errors import FitError, ForecastError, HistoryError
from forecast.report.cohort_tables import (
    clear_curves,
    ends,
    growth_table,
    named_effects,
    rung_names,
    waits,
)
from forecast.report.data import ReportData
from forecast.report.page import (
    Figure,
    Table,
    figure,
    number,
    render,
    share,
    sheets,
    span,
    table,
    text,
    weeks,
)
from forecast.words import pages

PACE_ROWS = 28
"""Rows of a chart that fit a printed page."""
NO_QUARTER = "A quarter has not cleared on any rung yet, so there is no middle half to draw."
ONE_ATHLETE = "The pace of one athlete alone has nobody's to stand beside."
NO_LINE = (
    "Nobody has sessions on one rung in two different weeks yet, so there is no line to draw from "
    "one to the other."
)
NO_ROSTER = (
    "No roster was given, so there is nothing to compare athletes by; a table with a column "
    "'athlete' and others such as age or training years would be one."
)

RELIABILITY_WEEK = 12
"""Week whose chances are held against what came, or the nearest that was scored."""
NOT_TRIED = "No backtest says yet whether the forecasts hold on this log."
HOW_TO_TRY = (
    "No backtest was run with this page. Before leaning on any range, run one on this log "
    "('backtest --keep FILE') and give it to the page ('report --backtest FILE')."
)


@dataclass(frozen=True, slots=True)
class Part:
    """One question of the analyst: what was found, in words, charts and tables."""

    slot: str
    title: str
    words: tuple[str, ...]
    figures: tuple[Figure, ...] = ()
    tables: tuple[Table, ...] = ()

    def _repr_html_(self) -> str:
        told = "".join(f"<p>{escape(line)}</p>" for line in self.words if line)
        return told + "".join(
            [*(f._repr_html_() for f in self.figures), *(t._repr_html_() for t in self.tables)]
        )


def question(data: ReportData, slot: str) -> Part:
    """Return the answer to one of the analyst's questions, for a notebook to show.

    ``slot`` is one of ``clearing, bottlenecks, pace, growth, lapse, audit, roster``.
    """
    titles = {name: (title, make) for name, title, make in QUESTIONS}
    if slot not in titles:
        raise ForecastError(f"There is no question {slot!r}; choose one of {', '.join(titles)}.")
    title, make = titles[slot]
    return _tried(slot, title, partial(make, data))


def analyst_page(data: ReportData, trust: BacktestResult | None = None) -> str:
    """Return the analyst's page as HTML.

    Parameters
    ----------
    data
        The club's tables.
    trust
        A backtest on the same log, if one was run.
    """
    parts = [_tried(slot, title, partial(make, data)) for slot, title, make in QUESTIONS]
    parts.append(_trust(trust))
    figures = [f for part in parts for f in part.figures]
    trusted = f"{trust.held}." if trust else NOT_TRIED
    return render(
        "analyst.html.j2",
        title=pages.text("analyst", club=data.club),
        figures=figures,
        data=data,
        answer=(_slowest(data), trusted),
        answers=parts,
        account=data.account,
    )


def _slowest(data: ReportData) -> str:
    """The slowest rung in a sentence, or why it can't be told."""
    try:
        return data.view.once(bottlenecks).slowest
    except (FitError, HistoryError) as error:
        return f"Which rung is slowest can't be told: {error}"


Found = tuple[str, tuple[Figure, ...], tuple[Table, ...]]


def _tried(slot: str, title: str, make: Callable[[], Found]) -> Part:
    """Make a part, or say on the page why it could not be made."""
    try:
        texts, figures, tables = make()
    except (FitError, HistoryError) as error:
        return Part(slot, title, (f"Not worked out: {error}",))
    return Part(slot, title, tuple(texts.splitlines()), figures, tables)


def _clearing(data: ReportData) -> Found:
    result = time_to_clear(data.histories)
    shown = result.groups.assign(name=result.groups["group"].map(result.names))
    columns = {
        "name": ("Rung", text),
        "n_spells": ("Spells", text),
        "n_cleared": ("Cleared", text),
        "n_lapsed": ("Lapsed", text),
        "median_weeks": ("Half by week", weeks),
        "median_low": ("from", weeks),
        "median_high": ("to", weeks),
    }
    tables = (table(shown, columns, "Weeks by which half had cleared, with its range."),)
    if not result.curves:
        return f"No rung has a curve yet. {result.text}", (), tables
    figures = (figure("clearing", charts.time_to_clear(*clear_curves(result))),)
    spread = waits(result)
    if spread["quarter"].isna().all():
        return f"{result.text}\n{NO_QUARTER}", figures, tables
    middle = figure("waits", charts.waits_by_rung(spread), title="The weeks of each rung")
    return result.text, (*figures, middle), tables


def _bottlenecks(data: ReportData) -> Found:
    result = data.view.once(bottlenecks)
    columns = {
        "rung_name": ("Rung", text),
        "share_logged": ("Share of all weeks", share),
        "median_weeks": ("Half by week", weeks),
        "flat_share": ("Flat", share),
        "lapse_share": ("Ended in lapse", share),
    }
    # The slowest rung is what the page opens with.
    rest = result.text.removeprefix(result.slowest).strip()
    return rest or result.text, (), (table(result.frame(), columns, "Where the weeks go."),)


def _pace(data: ReportData) -> Found:
    result = pace_and_difficulty(data.view)
    effects = named_effects(result, rung_names(data.ladder))
    figures = [figure("rung", charts.pace_and_difficulty(effects, "rung"))]
    count = int((effects["kind"] == "athlete").sum())
    if count < 2:
        return f"{result.text} {ONE_ATHLETE}", tuple(figures), ()
    for sheet, rows in enumerate(sheets(count, PACE_ROWS)):
        chart = charts.pace_and_difficulty(effects, "athlete", rows=rows)
        figures.append(
            figure(f"athlete-{sheet}", chart, title="Pace of athletes" + span(rows, count))
        )
    return result.text, tuple(figures), ()


def _growth(data: ReportData) -> Found:
    levels, targets = growth_table(data.view)
    if not levels.duplicated(["athlete", "rung_name"]).any():
        return NO_LINE, (), ()
    how = "The level is what a usual day would show; it is filtered: each point knows only what "
    figures = (figure("growth", charts.growth_fits(levels, targets)),)
    return how + "had been logged by then.", figures, ()


def _lapse(data: ReportData) -> Found:
    incidence = lapse_incidence(data.histories)
    hazard = lapse_hazard(data.view)
    figures = (figure("lapse", charts.lapse(ends(incidence))),) if incidence.curves else ()
    columns = {
        "contrast": ("Compared", text),
        "odds_ratio": ("Odds of stopping, times", number),
        "low": ("from", number),
        "high": ("to", number),
    }
    tables = (table(hazard.frame(), columns, "Odds that a training day was the last."),)
    shown = tables if len(hazard.frame()) else ()
    return f"{incidence.text}\n{hazard.text}", figures, shown


def _audit(data: ReportData) -> Found:
    return criterion_audit(data.view).text, (), ()


def _covariates(data: ReportData) -> Found:
    if data.histories.roster.empty:
        return NO_ROSTER, (), ()
    result = covariate_effects(data.histories)
    columns = {
        "column": ("Roster column", text),
        "unit": ("Compared", text),
        "hazard_ratio": ("Clears, times as often", number),
        "low": ("from", number),
        "high": ("to", number),
        "p_holm": ("p (Holm)", number),
    }
    frame = result.frame()
    tables = (table(frame, columns, "Roster against clearing, within rungs."),)
    return result.text, (), tables if len(frame) else ()


QUESTIONS: tuple[tuple[str, str, Callable[..., Found]], ...] = (
    ("clearing", "How long does a rung take?", _clearing),
    ("bottlenecks", "Which rung holds people up?", _bottlenecks),
    ("pace", "Who is quick, which rung is hard?", _pace),
    ("growth", "How do levels grow?", _growth),
    ("lapse", "Who stops?", _lapse),
    ("audit", "Are the pass marks right?", _audit),
    ("roster", "Does anything in the roster go with it?", _covariates),
)


def _trust(result: BacktestResult | None) -> Part:
    title = "Can the forecasts be trusted?"
    if result is None:
        return Part("trust", title, (HOW_TO_TRY,))
    shown = [
        figure("scores", charts.scores(result.scores)),
        figure("pit", charts.calibration(result.calibration, "pit")),
    ]
    tried = result.calibration["check"].str.extract(r"^reliability_(\d+)$")[0].dropna().astype(int)
    if len(tried):
        week = min(set(tried), key=lambda week: abs(week - RELIABILITY_WEEK))
        shown.insert(0, figure("reliability", charts.reliability(result.calibration, week)))
    return Part(
        "trust",
        title,
        (result.verdict, *result.summary().split("\n\n")[0].splitlines()),
        tuple(shown),
    )
