"""``weeks``: how many weeks until each open rung is cleared, and why; asked again, it is read back.

The last forecast stays in the file of the model it came from, whose name stands for records, cut
date, settings and code: what is read back is what would be worked out anew.
"""

from __future__ import annotations

import io
import json
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer
from pydantic import TypeAdapter, ValidationError
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast import words
from forecast.commands import common
from forecast.errors import ForecastError
from forecast.histories import CLEARED, Histories
from forecast.log import TrainingLog, counted, csv_bytes, write_whole
from forecast.result import ReadinessForecast, forecast_of
from forecast.row import MARKS, Row, most_urgent_first

COLUMNS = (
    ("Athlete", 16), ("Rung", 29), ("Usual day", 13), ("Weeks", 16), ("Half by", 18), ("State", 19),
)  # fmt: skip
WHY_COLUMNS = (
    ("Athlete", 12), ("Rung", 24), ("Usual day", 13), ("4 wk", 4), ("8 wk", 4), ("12 wk", 5),
    ("26 wk", 5), ("Weeks", 14), ("Half by", 18), ("Record", 6),
)  # fmt: skip
"""Headings and widths in characters."""
_ROWS = TypeAdapter(tuple[Row, ...])
MOST_BYTES = 200_000_000


class Format(StrEnum):
    """How the forecast is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


@dataclass(frozen=True, slots=True)
class Answer:
    """What ``weeks`` shows: a forecast, why others have nothing open, and what was borrowed."""

    forecast: ReadinessForecast
    nothing_open: dict[str, str]
    borrowed: str = ""


@common.reading()
def weeks(
    read: common.Read,
    horizon: common.Horizon = None,
    engine: common.EngineOption = common.Engine.pool,
    seed: common.Seed = None,
    athlete: common.Athletes = None,
    why: Annotated[
        bool, typer.Option("--why", help="Chances by 4 to 26 weeks, reasons and the next step too.")
    ] = False,
    away: common.Away = False,
    every: Annotated[
        bool, typer.Option("--all", help="Every open rung, not the most urgent of each athlete.")
    ] = False,
    form: Annotated[
        Format | None,
        typer.Option("--format", help="Left out: by the ending of --out, else table."),
    ] = None,
    out: common.OutFile = None,
    model: common.ModelFile = None,
    save_model: Annotated[
        Path | None, typer.Option("--save-model", help="Save the fitted model (a .zip).")
    ] = None,
) -> None:
    """Weeks until each athlete clears the next rung: a line each, most urgent first."""
    if form is None:
        ending = out.suffix.casefold().removeprefix(".") if out else ""
        form = Format(ending) if ending in set(WRITERS) else Format.table
    if form is Format.parquet and out is None:
        raise ForecastError("A Parquet file can't go to the screen; name it with --out FILE.")
    records = read()
    names = common.named(athlete, records.log)
    path = None if model is not None else common.model_path(records, horizon, seed)
    answer = None
    if path is not None and save_model is None and not records.fresh:
        answer = read_answer(path, engine.value)
    if answer is None:
        with common.progress("Forecast") as step:
            fitted = common.fitted_model(records, step, saved=model, horizon=horizon, seed=seed)
            if save_model is not None:
                common.say(f"Model written to {fitted.save(save_model)}.")
            view = fitted.view(records.log, records.as_of, progress=step)
            forecast = view.forecast(engine.value)
            rest = nothing_open(records.log, view.histories, forecast.summary)
            answer = Answer(forecast, rest, str(fitted.borrowed_ or ""))
        if path is not None:
            keep_answer(path, answer)
            if engine is common.Engine.pool:
                common.keep_diary(records, forecast.rows, forecast.as_of, model)
    result = answer.forecast.only(names) if names else answer.forecast
    others = [text for name, text in answer.nothing_open.items() if name in names or not names]
    others += [answer.borrowed] if answer.borrowed else []
    if form is Format.table:
        common.print_report(
            lambda console: show(
                console,
                records,
                result,
                why=why,
                away=away or bool(names),
                every=every or bool(names),
                others=others,
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
        common.say(f"Forecast of {counted(len(result.rows), 'open rung')} written to {out}.")
    if form is not Format.table:
        common.say("\n".join([*others, words.CAUTION]))


def nothing_open(log: TrainingLog, histories: Histories, summary: pd.DataFrame) -> dict[str, str]:
    """Say of everybody who has no row in the summary of open rungs why there is none, by name."""
    spells = histories.spells
    cleared = spells[spells["outcome"] == CLEARED].sort_values("cleared_on")
    last = cleared.drop_duplicates("athlete", keep="last").set_index("athlete")
    rungs = {rung.key: rung.name for rung in histories.ladder.rungs}
    lines = {}
    for name in sorted(set(common.people_of(log)) - set(summary["athlete"])):
        if name in last.index:
            rung, day = rungs[last.at[name, "rung"]], last.at[name, "cleared_on"]
            lines[name] = words.say.text("last_cleared", name=name, rung=rung, day=day)
        elif name in set(spells["athlete"]):
            lines[name] = words.say.text("nothing_left", name=name)
        else:
            lines[name] = words.say.text("no_set_yet", name=name, day=histories.as_of)
    return lines


def read_answer(model: Path, engine: str) -> Answer | None:
    """Return the answer kept with a model; ``None`` where there is none that holds together."""
    try:
        with zipfile.ZipFile(model) as archive:
            if model.is_symlink() or archive.getinfo(_name(engine)).file_size > MOST_BYTES:
                return None
            kept = json.loads(archive.read(_name(engine)))
        rows = _ROWS.validate_python(kept["rows"])
        curve = pd.DataFrame(kept["curve"]).astype({"athlete": "str", "rung": "str"})
        chances = curve.groupby(["athlete", "rung"], sort=False)["p_cleared"]
        rising = curve["p_cleared"].between(0, 1).all() and (chances.diff().dropna() >= 0).all()
        waits = [row.wait for row in rows if row.wait is not None]
        orders = [[wait.low, wait.mid, wait.high] for wait in waits]
        orders += [list(wait.chances.values()) for wait in waits]
        if not rising or not all(
            pd.Series(order, dtype=float).dropna().is_monotonic_increasing for order in orders
        ):
            return None
        forecast = forecast_of(
            rows, curve, pd.Timestamp(kept["as_of"]), int(kept["horizon_weeks"]), engine
        )
        return Answer(forecast, {str(k): str(v) for k, v in kept["nothing_open"].items()})
    except (OSError, LookupError, TypeError, ValueError, ValidationError, zipfile.BadZipFile):
        return None  # whoever asks has to look at the model itself, and says what is wrong with it


def keep_answer(model: Path, answer: Answer) -> None:
    """Keep an answer in its model's file; where none is kept, it is worked out again."""
    forecast = answer.forecast
    kept = {
        "as_of": forecast.as_of.isoformat(),
        "horizon_weeks": forecast.horizon_weeks,
        "rows": [asdict(row) for row in forecast.rows],
        "curve": forecast.curve.to_dict("list"),
        "nothing_open": answer.nothing_open,
    }
    try:
        packed = io.BytesIO(model.read_bytes())
        with zipfile.ZipFile(packed, "a", zipfile.ZIP_DEFLATED) as archive:
            if _name(forecast.engine) in archive.namelist():
                return
            entry = zipfile.ZipInfo(_name(forecast.engine))  # no time of day: same bytes each run
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, json.dumps(kept, default=str))
        write_whole(model, packed.getvalue())
    except (ForecastError, OSError, zipfile.BadZipFile):
        return  # as the model itself, which was not kept either, and a note said so


def _name(engine: str) -> str:
    return f"answer-{engine}.json"


def show(
    console: Console,
    records: common.Records,
    result: ReadinessForecast,
    *,
    why: bool = False,
    away: bool = False,
    every: bool = False,
    others: Sequence[str] = (),
) -> None:
    """Print a line an athlete, most urgent first, and the caution; ``every`` open rung if asked.

    With ``why``: chances too, and below each line why and what next. Whoever is away for long is
    one line, unless ``away`` asks for all. ``others`` are lines on those without an open rung.
    """
    rows = most_urgent_first(result.rows)
    people = len({row.athlete for row in rows})
    log, what = records.log, counted(len(rows), "open rung")
    heading = words.screens.club_heading(records.name, what, people, result.as_of)
    console.print(heading, style="bold")
    used = counted(int((log.sets["date"] < result.as_of).sum()), "set")
    console.print(
        f"From {used} ({len(log.rejected):,} of {log.rows_in:,} rows set aside: see 'check').\n"
    )
    here = [row for row in rows if away or not row.is_away]
    shown = [(row, 0) for row in here] if every else words.pages.one_each(here)
    if why:
        for place, (row, more) in enumerate(shown):
            again = place > 0 and shown[place - 1][0].athlete == row.athlete
            line = _cells(row, "" if again else row.athlete, more, WHY_COLUMNS)
            console.print(_grid(WHY_COLUMNS, [line], heading=place == 0))
            told = words.for_coach(row)
            console.print(Padding(Text(f"{words.say.sentence(told.state)} ", "bold").append(
                " ".join([told.why, *told.reasons, f"Next: {told.next_step}"]), "not bold"
            ), (0, 0, 1, 13)))  # fmt: skip
    elif shown:
        console.print(
            _grid(
                COLUMNS,
                [_cells(row, row.athlete, more, COLUMNS) for row, more in shown],
                heading=True,
            )
        )
    note = "" if away else words.screens.away_note(rows)
    for line_on in [note, *others] if note else others:
        console.print(line_on)
    legend = words.say.text("why_legend" if why else "weeks_legend", horizon=result.horizon_weeks)
    one = "" if every or not any(more for _, more in shown) else words.say.text("one_rung")
    console.print(f"\n{one}{legend}\n{words.CAUTION}")


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


def _cells(row: Row, name: str, more: int, columns: Sequence[tuple[str, int]]) -> list[Text | str]:
    """Return a row's cells, under ``COLUMNS`` or ``WHY_COLUMNS``; ``more`` rungs are not shown."""
    told = words.for_coach(row)
    rung, room = row.rung.name, columns[1][1] - len(words.pages.and_more("", more))
    if len(rung) > room:
        rung = f"{rung[: room - 1]}\u2026"
    start: list[Text | str] = [
        Text(name, "bold"), words.pages.and_more(rung, more), told.stands
    ]  # fmt: skip
    if columns is COLUMNS:
        urgent = "bold yellow" if row.hold or row.verdict.since is not None else ""
        return [*start, told.weeks, told.half_by, Text(told.state, urgent)]
    chances = (words.say.percent(row.wait.chances[week]) if row.wait else "-" for week in MARKS)
    signless = [chance.removesuffix(" %") for chance in chances]
    return [*start, *signless, told.weeks, told.half_by, told.record]


def summary_with_words(result: ReadinessForecast) -> pd.DataFrame:
    """Return the summary with two more columns: ``why`` in words, and ``next_step``."""
    told = [words.for_coach(row) for row in result.rows]
    return result.summary.assign(
        why=pd.Series([one.why for one in told], dtype="str"),
        next_step=pd.Series([one.next_step for one in told], dtype="str"),
    )


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


WRITERS: dict[Format, Callable[[ReadinessForecast], bytes]] = {
    Format.csv: lambda result: csv_bytes(summary_with_words(result)),
    Format.json: to_json,
    Format.parquet: lambda result: summary_with_words(result).to_parquet(index=False),
}
"""The summary in words and figures, as each format has it."""
