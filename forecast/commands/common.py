"""What every command shares: options, reading the records, progress, writing results."""

from __future__ import annotations

import contextlib
import inspect
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Protocol, cast

import pandas as pd
import typer
from rich.console import Console

import forecast
from forecast import words
from forecast.errors import ForecastError
from forecast.kept import fit_or_kept, kept_path
from forecast.ladder_file import read_ladder
from forecast.log import DateOrder as LogDateOrder
from forecast.log import (
    TrainingLog,
    csv_bytes,
    read_club,
    read_log,
    visible,
    write_whole,
)

if TYPE_CHECKING:
    from forecast.model import View

HORIZON_WEEKS, SEED = 52, 0
"""What the options stand at where they are left out."""

WIDTH = 116
"""Columns of text output where nothing tells the width of the reader's window."""


class DateOrder(StrEnum):
    """Order of day, month and year in dates such as 03/04/2026."""

    dmy = "dmy"
    mdy = "mdy"
    ymd = "ymd"


class Engine(StrEnum):
    """Which engine answers."""

    pool = "pool"
    growth = "growth"
    survival = "survival"


Paths = Annotated[
    list[str],
    typer.Argument(
        metavar="PATH...",
        help="A folder holding club.toml, a club file, or log files (CSV, TSV, XLSX, Parquet) "
        "together with --ladder.",
    ),
]
LadderFile = Annotated[str | None, typer.Option("--ladder", help="The ladder, a TOML file.")]
MappingFile = Annotated[
    str | None, typer.Option("--mapping", help="TOML: your column names and words to ours.")
]
RosterFile = Annotated[
    str | None, typer.Option("--roster", help="One row an athlete: age, body_mass_kg, ...")
]
OrderOption = Annotated[
    DateOrder | None, typer.Option("--date-order", help="For dates such as 03/04/2026.")
]
SheetOption = Annotated[str | None, typer.Option("--sheet", help="Sheet of a workbook.")]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of",
        help="Cut date, 2026-05-01: nothing dated on or after it is used. Left out: the club "
        "file's, else the day after the last set.",
    ),
]
Horizon = Annotated[
    int | None, typer.Option("--horizon", min=1, max=520, help="Weeks to look ahead; 52.")
]
Seed = Annotated[
    int | None, typer.Option("--seed", min=0, help="Same log and seed, same bytes; 0.")
]
EngineOption = Annotated[
    Engine, typer.Option("--engine", help="Both engines pooled, or one of them alone.")
]
ModelFile = Annotated[
    Path | None, typer.Option("--model", help="Use a saved model instead of fitting one.")
]
Athletes = Annotated[
    list[str] | None,
    typer.Option("--athlete", help="Only this athlete, half the name will do; may be repeated."),
]
Fresh = Annotated[
    bool, typer.Option("--fresh", help="Fit anew, whatever model is kept beside the club file.")
]
OutFile = Annotated[Path | None, typer.Option("--out", help="Write here instead of to the screen.")]


@dataclass(frozen=True, slots=True)
class Records:
    """What a command works on.

    ``name`` for headings, the log, and the cut date if one was given; ``home``, the folder of the
    club file, if there is one, where a run keeps what the next one may use; and whether a model
    kept there is to be left alone and fitted ``fresh``.
    """

    name: str
    log: TrainingLog
    as_of: pd.Timestamp | None
    home: Path | None = None
    fresh: bool = False


class Read(Protocol):
    """Reads the records that a command was given; ``keywords`` are its options as given."""

    keywords: dict[str, Any]

    def __call__(self, *, tell: bool = True, mapping: str | None = ...) -> Records:
        """Read them, by another mapping than the one given if need be."""


def read_records(
    paths: Paths,
    ladder: LadderFile = None,
    mapping: MappingFile = None,
    roster: RosterFile = None,
    date_order: OrderOption = None,
    sheet: SheetOption = None,
    as_of: AsOf = None,
    fresh: Fresh = False,
    *,
    tell: bool = True,
) -> Records:
    """Read a club, or log files with their ladder; ``tell`` of dates that can't be right.

    Raises
    ------
    ForecastError
        A file can't be read, or the arguments do not fit together.
    """
    cut = cut_date(as_of)
    order = cast(LogDateOrder | None, date_order.value if date_order else None)
    if ladder is None:
        records = _club(paths, order, cut, mapping or roster or sheet, keep=not fresh)
    else:
        log = read_log(
            paths if len(paths) > 1 else paths[0],
            read_ladder(ladder),
            mapping=mapping,
            roster=roster,
            date_order=order,
            sheet=sheet,
        )
        records = Records(log.ladder.name, log, cut)
    for said in records.log.dates_set_aside if tell else []:
        say(f"note: {said}")
    return replace(records, fresh=fresh)


def reading(*without: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options of ``read_records``, less those named.

    The command's first parameter is a function that reads the records, so that it can look at
    its other options before.
    """
    options = [
        option
        for name, option in inspect.signature(read_records, eval_str=True).parameters.items()
        if name not in ("tell", *without)
    ]

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        def run(**given: Any) -> None:
            asked = {option.name: given.pop(option.name) for option in options}
            command(partial(read_records, **asked), **given)

        own = list(inspect.signature(command, eval_str=True).parameters.values())[1:]
        run.__name__, run.__doc__ = command.__name__.replace("_", "-"), command.__doc__
        every = [option.replace(kind=option.KEYWORD_ONLY) for option in (*options, *own)]
        run.__signature__ = inspect.Signature(every)  # type: ignore[attr-defined]
        run.__annotations__ = {option.name: option.annotation for option in every}
        return run

    return decorate


def _club(
    paths: list[str],
    order: LogDateOrder | None,
    cut: pd.Timestamp | None,
    spare: str | None,
    *,
    keep: bool,
) -> Records:
    path = Path(paths[0])
    if len(paths) > 1 or not (path.is_dir() or path.suffix.casefold() == ".toml"):
        if not path.exists():
            raise ForecastError(f"There is no {paths[0]}; check the name.")
        raise ForecastError(
            f"{paths[0]} is a log file; say which ladder it belongs to with --ladder "
            "FILE, or give a folder with a club.toml that names both."
        )
    if spare is not None:
        raise ForecastError(
            "--mapping, --roster and --sheet go with log files and --ladder; a club "
            "names its own in club.toml."
        )
    club = read_club(path, date_order=order, keep=keep)
    home = path if path.is_dir() else path.parent
    return Records(club.name, club.log, cut if cut is not None else club.as_of, home)


def cut_date(text: str | None) -> pd.Timestamp | None:
    """Return the day an ISO date names; ``ForecastError`` where the text is no such date."""
    if text is None:
        return None
    try:
        return pd.to_datetime(text, format="%Y-%m-%d")
    except ValueError as error:
        raise ForecastError(f"{text!r} is not a date; write it as 2026-05-01.") from error


def new_model(horizon: int | None, seed: int | None) -> forecast.ReadinessForecaster:
    """Return a forecaster with these settings, or those that stand where one is left out."""
    return forecast.ReadinessForecaster(
        horizon_weeks=HORIZON_WEEKS if horizon is None else horizon,
        random_state=SEED if seed is None else seed,
    )


def model_path(records: Records, horizon: int | None, seed: int | None) -> Path | None:
    """Return where a model of these records is kept; nowhere where they are no club's."""
    if records.home is None:
        return None
    settings = {
        "horizon": HORIZON_WEEKS if horizon is None else horizon,
        "seed": SEED if seed is None else seed,
    }
    return kept_path(records.home, settings, records.log, records.as_of)


def fitted_model(
    records: Records,
    step: Callable[[str], None],
    *,
    saved: Path | None = None,
    horizon: int | None = None,
    seed: int | None = None,
) -> forecast.ReadinessForecaster:
    """Return the saved forecaster, or one fitted on the records, now or when last asked.

    Raises ``ForecastError`` if a saved one is given together with settings of its own or can't be
    read, or the records can't be fitted.
    """
    if saved is None:
        model = new_model(horizon, seed)
        if records.home is None:
            return model.fit(records.log, records.as_of, progress=step)
        return fit_or_kept(
            model, records.log, records.as_of, records.home,
            fresh=records.fresh, progress=step, say=say,
        )  # fmt: skip
    if horizon is not None or seed is not None:
        raise ForecastError("--model brings its own --horizon and --seed; leave them out.")
    return forecast.load_model(saved)


@contextlib.contextmanager
def viewing(
    records: Records,
    what: str,
    *,
    saved: Path | None = None,
    horizon: int | None = None,
    seed: int | None = None,
) -> Iterator[View]:
    """Give the records as ``fitted_model`` sees them; show what is being done while it is asked."""
    with progress(what) as step:
        fitted = fitted_model(records, step, saved=saved, horizon=horizon, seed=seed)
        yield fitted.view(records.log, records.as_of, progress=step)


@contextlib.contextmanager
def progress(what: str) -> Iterator[Callable[[str], None]]:
    """Show on a terminal's error stream what is being done; say nothing elsewhere."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda _: None
        return
    with console.status(what) as status:
        yield lambda step: status.update(f"{what}: {step}")


def print_report(write: Callable[[Console], None], out: Path | None = None) -> None:
    """Let ``write`` print to the terminal; or, elsewhere, to plain text without trailing space."""
    if out is None and sys.stdout.isatty():
        write(Console(highlight=False, markup=False, emoji=False))
        return
    # names are shown as they are: brackets in them are no order, and colons no picture
    console = Console(width=WIDTH, highlight=False, markup=False, emoji=False, color_system=None)
    with console.capture() as captured:
        write(console)
    text = "\n".join(line.rstrip() for line in captured.get().split("\n"))
    if out is None:
        typer.echo(text, nl=False)
    else:
        write_whole(out, text.encode("utf-8"))


def print_table(
    table: pd.DataFrame, write: Callable[[Console], None], out: Path | None, told: str
) -> None:
    """Write the table as CSV where ``out`` ends so, else let ``write`` print; say what was done."""
    if out is not None and out.suffix.casefold() == ".csv":
        write_whole(out, csv_bytes(table))
        say(words.CAUTION)
    else:
        print_report(write, out)
    if out is not None:
        say(f"{told} written to {out}.")


def say(text: str) -> None:
    """Print a note to the error stream, where it can't get into redirected results."""
    typer.echo(visible(text), err=True)
