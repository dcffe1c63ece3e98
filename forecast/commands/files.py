"""``check``, ``pseudonymise``: what was understood of a log, and a mapping; a club to share."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from forecast import log as logs
from forecast import words
from forecast.cohort import expected_weeks
from forecast.commands import common
from forecast.errors import ForecastError
from forecast.ladder_file import make_folder, read_ladder
from forecast.log import counted, draft_club, visible, write_all
from forecast.model import load_model


@common.reading("as_of", "fresh", "like")
def check(
    read: common.Read,
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
    """Say what was understood of a log, what was not, and how to correct it."""
    drafted = {} if draft is None else _draft(draft, read)
    records = read(tell=False, **drafted)  # the account below has it
    report = logs.describe_log(records.log)
    expected = expected_weeks(records.log) if len(records.log.sets) else ()
    held = "\n  - ".join(["Weeks expected:", *expected]) if expected else ""
    first, last = words.setup.sanity_page(records.log)
    blocks = [records.name, first, report.text, held, last]
    typer.echo(visible("\n\n".join(filter(None, blocks))))
    if rejected is not None:
        path = logs.write_rejected(records.log, rejected)
        common.say(f"Rejected rows written to {path}.")


def _draft(path: Path, read: common.Read) -> dict[str, str]:
    """Write a draft for each log, say how many questions are in it; return how to read the log."""
    asked = dict(read.keywords)
    order = asked["date_order"].value if asked["date_order"] else None
    if asked["ladder"] is not None:
        mapping = logs.load_mapping(asked["mapping"])
        drafted = logs.draft(
            asked["paths"], read_ladder(asked["ladder"]), roster=asked["roster"], mapping=mapping,
            date_order=order, sheet=asked["sheet"],
        )  # fmt: skip
        drafts = [("", drafted)]
    elif common.is_club(asked["paths"]):
        drafts = draft_club(asked["paths"][0], date_order=order)
    else:
        raise ForecastError("--draft goes with log files and --ladder FILE, or with a club.")
    stems = [Path(file).stem for file, _ in drafts]
    alike = len(set(stems)) < len(stems)
    names = [f"{stem}-{n}" if alike else stem for n, stem in enumerate(stems, start=1)]
    at = [path.with_stem(f"{path.stem}-{n}") if drafts[1:] else path for n in names]
    write_all((o, drafted.text().encode()) for o, (_, drafted) in zip(at, drafts, strict=True))
    for one, (file, drafted) in zip(at, drafts, strict=True):
        asked_for = counted(len(drafted.questions), "question")
        common.say(words.say.text("drafted", path=one, asked=asked_for))
        if file:
            common.say(words.say.text("answer_draft", name=one.name, file=file))
    return {"mapping": str(path)} if asked["ladder"] is not None else {}


@common.reading("fresh", "like")
def pseudonymise(
    read: common.Read,
    out: Annotated[Path, typer.Option("--out", help="Folder to write the club to.")],
    key: Annotated[
        Path | None,
        typer.Option(
            "--key",
            help="A file of 16 bytes or more that you keep: the same key gives the same names and "
            "dates. Left out: a fresh one, kept nowhere.",
        ),
    ] = None,
    each: Annotated[
        bool,
        typer.Option(
            "--each", help="Move each athlete's dates by years of their own; no longer to forecast."
        ),
    ] = False,
    model: common.ModelFile = None,
) -> None:
    """Write a club to share: keyed names, no notes, dates moved; forecasts stay the same."""
    try:
        secret = secrets.token_bytes(32) if key is None else key.read_bytes()
    except (OSError, ValueError) as error:
        raise ForecastError(f"The key {key} can't be read: {error}.") from error
    if each and model is not None:
        raise ForecastError("--each and --model don't go together: a model has one calendar.")
    records = read(tell=False)
    shared = logs.pseudonymise(records.log, secret, each=each)
    days = logs.shift_days(secret)
    as_of = None if records.as_of is None or each else records.as_of - pd.Timedelta(days=days)
    fitted = None if model is None else load_model(model).dates_moved(days)
    make_folder(out)
    paths = write_all(logs.club_files(shared, out, as_of))
    if fitted is not None:
        paths.append(fitted.save(out / "model.zip"))
    for path in paths:
        typer.echo(path)
    common.say(words.say.text("shared"))
