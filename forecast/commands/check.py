"""``check``: what was understood of a log, what was not, and how to mend it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from forecast.commands.common import Read, reading, say
from forecast.errors import ForecastError
from forecast.ladder_file import read_ladder
from forecast.log import (
    DateOrder,
    counted,
    describe_log,
    draft_club,
    draft_mapping,
    load_mapping,
    visible,
    write_all,
    write_rejected,
    write_whole,
)


def _draft(path: Path, read: Read) -> dict[str, str]:
    """Write the draft, say how many questions are in it, and return what to read the log with."""
    asked = dict(read.keywords)
    order = asked["date_order"].value if asked["date_order"] else None
    if asked["ladder"] is None:
        _draft_of_club(path, asked["paths"], order)
        return {}
    text = draft_mapping(
        asked["paths"],
        read_ladder(asked["ladder"]),
        mapping=load_mapping(asked["mapping"]),
        date_order=order,
        sheet=asked["sheet"],
    )
    write_whole(path, text.encode("utf-8"))
    _say_drafted(path, text)
    return {"mapping": str(path)}


def _draft_of_club(path: Path, paths: list[str], order: DateOrder | None) -> None:
    """Write a draft for each log of a club: to the path, with the log's name in it if several."""
    if len(paths) > 1 or not (Path(paths[0]).is_dir() or paths[0].endswith(".toml")):
        raise ForecastError("--draft goes with log files and --ladder FILE, or with a club.")
    drafts = draft_club(paths[0], date_order=order)
    stems = [Path(file).stem for file, _ in drafts]
    alike = len(set(stems)) < len(stems)
    names = [f"{stem}-{n}" if alike else stem for n, stem in enumerate(stems, start=1)]
    at = [path.with_stem(f"{path.stem}-{n}") if drafts[1:] else path for n in names]
    write_all((one, text.encode("utf-8")) for one, (_, text) in zip(at, drafts, strict=True))
    for one, (file, text) in zip(at, drafts, strict=True):
        _say_drafted(one, text)
        say(f"Answer them, then put mapping = {one.name!r} below file = {file!r} in the club file.")


def _say_drafted(path: Path, text: str) -> None:
    questions = sum(line.startswith("# ") and " = " in line for line in text.splitlines())
    asked_of_you = counted(questions, "question")
    say(f"Mapping drafted to {path}, with {asked_of_you} (lines that begin with #).")


@reading("as_of", "fresh")
def check(
    read: Read,
    rejected: Annotated[
        Path | None, typer.Option("--rejected", help="Write the rejected rows: .csv or .xlsx.")
    ] = None,
    draft: Annotated[
        Path | None,
        typer.Option(
            "--draft",
            help="Write a whole mapping here: columns and words that are sure, questions about "
            "the rest. Answer them, then give it as --mapping.",
        ),
    ] = None,
) -> None:
    """Say what was understood of a log, what was not, and how to mend it."""
    drafted = {} if draft is None else _draft(draft, read)
    records = read(tell=False, **drafted)  # the account below has it
    typer.echo(visible(f"{records.name}\n\n{describe_log(records.log).text}"))
    if rejected is not None:
        say(f"Rejected rows written to {write_rejected(records.log, rejected)}.")
