"""What every command shares: options, records and names, the fitted model, progress, printing."""

from __future__ import annotations

import contextlib
import difflib
import inspect
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Protocol

import pandas as pd
import typer
from rich.console import Console

import forecast
from forecast import words
from forecast.changes import DIARY, keep_entries, read_diary
from forecast.errors import ForecastError
from forecast.kept import fit_or_kept, kept_path
from forecast.ladder_file import read_ladder
from forecast.log import (
    TrainingLog,
    bare,
    csv_bytes,
    read_club,
    read_log,
    sanity,
    visible,
    write_whole,
)  # fmt: skip
from forecast.row import Row

if TYPE_CHECKING:
    from forecast.model import View

HORIZON_WEEKS, SEED, HORIZON_AHEAD = 52, 0, 260
"""What the options stand at where they are left out; the last is for the whole ladder."""
WIDTH = 116
"""Columns of text output where nothing tells the width of the reader's window."""
MOST_NAMED = 20
"""Athletes named in a message."""


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
LikeFile = Annotated[
    Path | None,
    typer.Option("--like", help="Fit with another club's saved model as prior (see --save-model)."),
]
Athletes = Annotated[
    list[str] | None,
    typer.Option("--athlete", help="Only this athlete, half the name will do; may be repeated."),
]
Fresh = Annotated[
    bool, typer.Option("--fresh", help="Fit anew, whatever model is kept beside the club file.")
]


def _text_or_data(path: Path | None) -> Path | None:
    """Refuse a file that programs would open as a document, which no command writes."""
    if path is not None and path.suffix.casefold() in {".doc", ".docx", ".odt", ".pdf", ".rtf"}:
        raise ForecastError(f"{path}: a document is not written here; name it .txt, .csv or .json.")
    return path


OutFile = Annotated[
    Path | None,
    typer.Option("--out", help="Write here instead of to the screen.", callback=_text_or_data),
]
Away = Annotated[bool, typer.Option("--away", help="List those away for long too, in full.")]
Ahead = Annotated[int, typer.Option("--horizon", min=1, max=1040, help="Weeks to look ahead.")]


@dataclass(frozen=True, slots=True)
class Records:
    """What a command works on: ``home`` is the folder of the club file, where runs keep things.

    A model kept there is left alone if it is to be fitted ``fresh``; none is kept of one fitted
    with another, ``like``, as prior.
    """

    name: str
    log: TrainingLog
    as_of: pd.Timestamp | None
    home: Path | None = None
    fresh: bool = False
    like: Path | None = None


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
    like: LikeFile = None,
    *,
    tell: bool = True,
) -> Records:
    """Read a club, or log files with their ladder; ``tell`` of dates that can't be right.

    Raises ``ForecastError`` if a file can't be read, or the arguments do not fit together.
    """
    cut = cut_date(as_of)
    order: Any = date_order.value if date_order else None
    if ladder is not None:
        log = read_log(
            paths if len(paths) > 1 else paths[0], read_ladder(ladder), mapping=mapping,
            roster=roster, date_order=order, sheet=sheet,
        )  # fmt: skip
        records = Records(log.ladder.name, log, cut, fresh=fresh, like=like)
    else:
        path = Path(paths[0])
        if not is_club(paths):
            if not path.exists():
                raise ForecastError(f"There is no {paths[0]}; check the name.")
            raise ForecastError(
                f"{paths[0]} is a log file; say which ladder it belongs to with --ladder FILE, or "
                "give a folder with a club.toml that names both."
            )
        if mapping or roster or sheet:
            raise ForecastError(
                "--mapping, --roster and --sheet go with log files and --ladder; a club names its "
                "own in club.toml."
            )
        club = read_club(path, date_order=order, keep=not fresh)
        home = path if path.is_dir() else path.parent
        cut = club.as_of if cut is None else cut
        records = Records(club.name, club.log, cut, home if like is None else None, fresh, like)
    if tell:
        for sentence in records.log.dates_set_aside:
            say(f"note: {sentence}")
        refuse_nonsense(records.log)
    return records


def refuse_nonsense(log: TrainingLog) -> None:
    """Name single sets to look at first; end with exit code 1 if a log was surely read wrong."""
    page = sanity.look_through(log)
    for flags, what in ((page.wrong, words.setup.ALMOST_SURELY_WRONG),
                        (page.first, words.setup.RIGHT_AFTER_ALL)):  # fmt: skip
        for flag in flags:
            say(f"note: {flag.reason}")
        if flags:
            say(what.format(keys=sanity.keys_of(flags)))
    if page.wrong:
        raise typer.Exit(1)


def is_club(paths: Sequence[str]) -> bool:
    """Whether it is one path, of a folder or of a TOML file."""
    path = Path(paths[0])
    return len(paths) == 1 and (path.is_dir() or path.suffix.casefold() == ".toml")


def reading(*without: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options of ``read_records``, less those named.

    Its first parameter reads the records, so that it can look at its other options before.
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


def cut_date(text: str | None) -> pd.Timestamp | None:
    """Return the day an ISO date names; ``ForecastError`` where the text is not such a date."""
    if text is None:
        return None
    try:
        return pd.to_datetime(text, format="%Y-%m-%d")
    except ValueError as error:
        raise ForecastError(f"{text!r} is not a date; write it as 2026-05-01.") from error


def people_of(log: TrainingLog) -> list[str]:
    """Return everybody in the log or its roster, sorted."""
    return sorted({*log.athletes, *log.roster.index})


def named(asked: Sequence[str] | None, log: TrainingLog) -> list[str]:
    """Return whole names for those typed, or ``ForecastError`` where one fits nobody or several."""
    everybody = people_of(log)
    plain = {name: bare(name) for name in everybody}

    def listed(names: list[str]) -> str:
        more = len(names) - MOST_NAMED
        return ", ".join(names[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")

    def whole(name: str) -> str:
        typed = bare(name).strip()
        ways = (
            [one for one in everybody if one == name],
            [one for one, text in plain.items() if text == typed],
            [one for one, text in plain.items() if text.startswith(typed)],
            [one for one, text in plain.items()
             if any(word.startswith(typed) for word in text.split())],
        )  # fmt: skip
        fits = next((way for way in ways if way), []) if typed else ways[0]
        if len(fits) == 1:
            return fits[0]
        if fits:
            raise ForecastError(f"{name!r} fits {listed(fits)}; write more of the name.")
        spellings = {text: one for one, full in plain.items() for text in (full, *full.split())}
        near = difflib.get_close_matches(typed, spellings)
        close = list(dict.fromkeys(spellings[text] for text in near))
        advice = (
            f"did you mean {listed(close)}?" if close else f"its athletes are {listed(everybody)}."
        )
        raise ForecastError(f"Nobody in this log is called {name!r}; {advice}")

    return list(dict.fromkeys(map(whole, asked or [])))


def in_roster(roster: pd.DataFrame, column: str, value: str) -> list[str]:
    """Return who has this value in a column of the roster; ``ForecastError`` where nobody has."""
    if column not in roster:
        raise ForecastError(
            f"--{column} needs a roster with a column {column!r}; this one has "
            f"{', '.join(map(str, roster.columns)) or 'none'}."
        )
    plain = roster[column].astype("str").map(lambda text: bare(text).strip())
    names = list(roster.index[plain == bare(value).strip()])
    if not names:
        there = ", ".join(sorted(set(roster[column].dropna().astype("str"))))
        raise ForecastError(f"Nobody in the roster has {column} {value!r}; there are {there}.")
    return names


def rows_of(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return the rows about these athletes, all where none is named."""
    return frame[frame["athlete"].isin(names)].reset_index(drop=True) if names else frame


def settings(horizon: int | None, seed: int | None) -> dict[str, int]:
    """Return the settings of a forecaster, or those that stand where one is left out."""
    return {
        "horizon": HORIZON_WEEKS if horizon is None else horizon,
        "seed": SEED if seed is None else seed,
    }


def new_model(horizon: int | None, seed: int | None) -> forecast.ReadinessForecaster:
    """Return a forecaster with these settings."""
    chosen = settings(horizon, seed)
    return forecast.ReadinessForecaster(
        horizon_weeks=chosen["horizon"], random_state=chosen["seed"]
    )


def model_path(records: Records, horizon: int | None, seed: int | None) -> Path | None:
    """Return where a model of these records is kept; nowhere where they are no club's."""
    if records.home is None:
        return None
    return kept_path(records.home, settings(horizon, seed), records.log, records.as_of)


def fitted_model(
    records: Records,
    step: Callable[[str], None],
    *,
    saved: Path | None = None,
    horizon: int | None = None,
    seed: int | None = None,
) -> forecast.ReadinessForecaster:
    """Return the saved forecaster, or one fitted on the records, now or when last asked."""
    if saved is not None:
        if horizon is not None or seed is not None:
            raise ForecastError("--model brings its own --horizon and --seed; leave them out.")
        if records.like is not None:
            raise ForecastError("--model is fitted already; --like goes with a new fit.")
        return forecast.load_model(saved)
    model = new_model(horizon, seed)
    if records.home is None:
        like = None if records.like is None else forecast.load_model(records.like)
        return model.fit(records.log, records.as_of, like=like, progress=step)
    return fit_or_kept(
        model, records.log, records.as_of, records.home,
        fresh=records.fresh, progress=step, say=say,
    )  # fmt: skip


def diary(records: Records) -> pd.DataFrame | None:
    """Return the forecasts kept beside the club; ``None`` where the records are no club's."""
    return None if records.home is None else read_diary(records.home / DIARY)


def keep_diary(records: Records, rows: Sequence[Row], as_of: pd.Timestamp, saved: object) -> None:
    """Keep the forecasts beside the club, unless they come from a model ``saved`` elsewhere."""
    if records.home is not None and saved is None:
        try:
            keep_entries(records.home / DIARY, rows, as_of)
        except ForecastError as error:
            say(f"note: {error}")


@contextlib.contextmanager
def viewing(records: Records, what: str, **chosen: Any) -> Iterator[View]:
    """Give the records as ``fitted_model`` sees them; show what is being done while it is asked."""
    with progress(what) as step:
        fitted = fitted_model(records, step, **chosen)
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
    # names are shown as they are: brackets in them are not markup, and colons not emoji
    plain: dict[str, Any] = {"highlight": False, "markup": False, "emoji": False}
    if out is None and sys.stdout.isatty():
        write(Console(**plain))
        return
    console = Console(width=WIDTH, color_system=None, **plain)
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
