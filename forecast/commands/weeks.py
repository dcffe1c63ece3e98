"""``weeks``: how many weeks until each open rung is cleared, and why."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast import words
from forecast.commands.common import (
    Athletes,
    Engine,
    EngineOption,
    Horizon,
    ModelFile,
    OutFile,
    Read,
    Records,
    Seed,
    fitted_model,
    model_path,
    print_report,
    progress,
    reading,
    say,
)
from forecast.commands.kept_answer import Answer, keep_answer, read_answer
from forecast.commands.people import named, nothing_open
from forecast.errors import ForecastError
from forecast.log import counted, csv_bytes, write_whole
from forecast.result import ReadinessForecast
from forecast.row import MARKS, Row, most_urgent_first

COLUMNS = (
    ("Athlete", 16), ("Rung", 29), ("Usual day", 13), ("Weeks", 16), ("Half by", 18), ("State", 19),
)  # fmt: skip
WHY_COLUMNS = (
    ("Athlete", 12), ("Rung", 24), ("Usual day", 13), ("4 wk", 4), ("8 wk", 4), ("12 wk", 5),
    ("26 wk", 5), ("Weeks", 14), ("Half by", 18), ("Record", 6),
)  # fmt: skip
"""Headings and widths in characters."""


class Format(StrEnum):
    """How the forecast is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


@reading()
def weeks(
    read: Read,
    horizon: Horizon = None,
    engine: EngineOption = Engine.pool,
    seed: Seed = None,
    athlete: Athletes = None,
    why: Annotated[
        bool, typer.Option("--why", help="Chances by 4 to 26 weeks, reasons and the next step too.")
    ] = False,
    away: Annotated[
        bool, typer.Option("--away", help="List those away for long too, in full.")
    ] = False,
    form: Annotated[
        Format | None,
        typer.Option("--format", help="Left out: by the ending of --out, else table."),
    ] = None,
    out: OutFile = None,
    model: ModelFile = None,
    save_model: Annotated[
        Path | None, typer.Option("--save-model", help="Save the fitted model (a .zip).")
    ] = None,
) -> None:
    """Weeks until each athlete clears the next rung: a line each, most urgent first."""
    form = _format(form, out)
    records = read()
    names = named(athlete or [], records.log)
    answer = _kept(records, engine, horizon, seed) if model is save_model is None else None
    if answer is None:
        answer = _worked_out(records, engine, model, horizon, seed, save_model)
    result = answer.forecast.only(names) if names else answer.forecast
    others = [text for name, text in answer.nothing_open.items() if name in names or not names]
    if form is Format.table:
        print_report(
            lambda console: show(
                console, records, result, why=why, away=away or bool(names), others=others
            ),
            out,
        )
    else:
        content = WRITERS[form](result)
        if out is None:
            typer.echo(content, nl=False)
        else:
            write_whole(out, content)
    if out is not None:
        say(f"Forecast of {counted(len(result.rows), 'open rung')} written to {out}.")
    if form is not Format.table:
        say("\n".join([*others, words.CAUTION]))


def _kept(records: Records, engine: Engine, horizon: int | None, seed: int | None) -> Answer | None:
    """Return what this was answered with when last asked, if it is kept and may be used."""
    path = None if records.fresh else model_path(records, horizon, seed)
    return None if path is None else read_answer(path, engine.value)


def _worked_out(
    records: Records,
    engine: Engine,
    saved: Path | None,
    horizon: int | None,
    seed: int | None,
    save_model: Path | None,
) -> Answer:
    """Return the answer of a saved, kept or new model; keep it where the model is kept."""
    with progress("Forecast") as step:
        fitted = fitted_model(records, step, saved=saved, horizon=horizon, seed=seed)
        if save_model is not None:
            say(f"Model written to {fitted.save(save_model)}.")
        view = fitted.view(records.log, records.as_of, progress=step)
        forecast = view.forecast(engine.value)
        answer = Answer(forecast, nothing_open(records.log, view.histories, forecast.summary))
    path = None if saved is not None else model_path(records, horizon, seed)
    if path is not None:
        keep_answer(path, answer)
    return answer


def _format(form: Format | None, out: Path | None) -> Format:
    if form is None:
        endings = {".csv": Format.csv, ".json": Format.json, ".parquet": Format.parquet}
        form = endings.get(out.suffix.casefold() if out else "", Format.table)
    if form is Format.parquet and out is None:
        raise ForecastError("A Parquet file can't go to the screen; name it with --out FILE.")
    return form


def show(
    console: Console,
    records: Records,
    result: ReadinessForecast,
    *,
    why: bool = False,
    away: bool = False,
    others: Sequence[str] = (),
) -> None:
    """Print a line an open rung, most urgent first, and the caution.

    With ``why``: chances too, and below each line why and what next. Whoever is away for long is
    one line, unless ``away`` asks for all. ``others`` are lines on those without an open rung.
    """
    rows = most_urgent_first(result.rows)
    people = len({row.athlete for row in rows})
    log, what = records.log, counted(len(rows), "open rung")
    console.print(
        words.screens.club_heading(records.name, what, people, result.as_of), style="bold"
    )
    used = counted(int((log.sets["date"] < result.as_of).sum()), "set")
    console.print(
        f"From {used} ({len(log.rejected)} of {log.rows_in} rows set aside: see 'check').\n"
    )
    shown = [row for row in rows if away or not row.is_away]
    if why:
        for place, row in enumerate(shown):
            named_before = place > 0 and shown[place - 1].athlete == row.athlete
            _print_why(console, row, first=place == 0, named_before=named_before)
    elif shown:
        console.print(_grid(COLUMNS, [_cells(row) for row in shown], heading=True))
    note = "" if away else words.screens.away_note(rows)
    for line in [note, *others] if note else others:
        console.print(line)
    legend = (
        words.screens.WHY_LEGEND.format(horizon=result.horizon_weeks)
        if why
        else words.screens.WEEKS_LEGEND
    )
    console.print(f"\n{legend}\n{words.CAUTION}")


def _grid(
    columns: Sequence[tuple[str, int]], lines: Sequence[Sequence[Text | str]], *, heading: bool
) -> Table:
    """Return lines in columns of fixed widths; what does not fit is cut."""
    table = Table.grid(padding=(0, 1, 0, 0))
    for title, width in columns:
        table.add_column(
            width=width, no_wrap=True, overflow="ellipsis",
            justify="right" if title.endswith("wk") else "left",
        )  # fmt: skip
    if heading:
        table.add_row(*(Text(title, "bold") for title, _ in columns))
    for line in lines:
        table.add_row(*line)
    return table


def _cells(row: Row) -> list[Text | str]:
    urgent = "bold yellow" if row.hold or row.verdict.since is not None else ""
    said = words.for_coach(row)
    return [
        Text(row.athlete, "bold"), row.rung.name, said.stands, said.weeks, said.half_by,
        Text(said.state, urgent),
    ]  # fmt: skip


def _print_why(console: Console, row: Row, *, first: bool, named_before: bool) -> None:
    said = words.for_coach(row)
    chances = [_number(row.wait.chances[week]) if row.wait else "-" for week in MARKS]
    cells: list[Text | str] = [
        Text("" if named_before else row.athlete, "bold"), row.rung.name, said.stands, *chances,
        said.weeks, said.half_by, said.record,
    ]  # fmt: skip
    console.print(_grid(WHY_COLUMNS, [cells], heading=first))
    text = Text(f"{words.say.sentence(said.state)} ", "bold").append(
        " ".join([said.why, *said.reasons, f"Next: {said.next_step}"]), "not bold"
    )
    console.print(Padding(text, (0, 0, 1, 13)))


def _number(chance: float) -> str:
    """Return a chance in whole per cent without the sign."""
    return words.say.percent(chance).removesuffix(" %")


def summary_with_words(result: ReadinessForecast) -> pd.DataFrame:
    """Return the summary with two more columns: ``why`` in words, and ``next_step``."""
    said = [words.for_coach(row) for row in result.rows]
    return result.summary.assign(
        why=pd.Series([one.why for one in said], dtype="str"),
        next_step=pd.Series([one.next_step for one in said], dtype="str"),
    )


def to_csv(result: ReadinessForecast) -> bytes:
    """Return the summary in words and figures as CSV: dates 2026-05-01, missing cells empty."""
    return csv_bytes(summary_with_words(result))


def to_json(result: ReadinessForecast) -> bytes:
    """Return one object: the cut, the caution, and each forecast with its curve and reasons."""
    curve = result.curve.groupby(["athlete", "rung"])["p_cleared"].agg(list)
    reasons = {
        key: lines[["what", "value", "unit", "text"]].to_dict("records")
        for key, lines in result.reasons.groupby(["athlete", "rung"])
    }
    table = summary_with_words(result)
    rows = json.loads(table.to_json(orient="records", date_format="iso", date_unit="s"))
    for row in rows:
        key = (row["athlete"], row["rung"])
        row |= {n: row[n][:10] for n in ("date_low", "date_mid", "date_high") if row[n]}
        row["p_cleared_by_week"] = curve.get(key)
        row["reasons"] = reasons.get(key, [])
    whole = {
        "as_of": str(result.as_of.date()),
        "horizon_weeks": result.horizon_weeks,
        "engine": result.engine,
        "caution": words.CAUTION,
        "forecasts": rows,
    }
    return (json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def to_parquet(result: ReadinessForecast) -> bytes:
    """Return the summary in words and figures as Parquet."""
    buffer = io.BytesIO()
    summary_with_words(result).to_parquet(buffer, index=False)
    return buffer.getvalue()


WRITERS: dict[Format, Callable[[ReadinessForecast], bytes]] = {
    Format.csv: to_csv,
    Format.json: to_json,
    Format.parquet: to_parquet,
}
