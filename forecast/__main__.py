"""Command line: ``python -m forecast COMMAND`` or ``rungwise COMMAND``."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Sequence
from importlib.metadata import version
from typing import Annotated, TextIO

import typer

from forecast.commands.ahead import ahead
from forecast.commands.backtest import backtest
from forecast.commands.check import check
from forecast.commands.common import say
from forecast.commands.demo import demo
from forecast.commands.plateau import plateau
from forecast.commands.pseudonymise import pseudonymise
from forecast.commands.report import report
from forecast.commands.weeks import weeks
from forecast.errors import ForecastError, ForecastWarning

COMMANDS = (check, weeks, ahead, plateau, report, backtest, pseudonymise, demo)
"""Every command; a new one is a function in a module of its own, added here."""

USER_ERROR = 2
"""Exit code when the files or the arguments can't be used as they are."""

app = typer.Typer(
    name="rungwise",
    help="Weeks until the next rung of a strength-skill ladder, from a coach's set-by-set log.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)
for command in COMMANDS:
    app.command()(command)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"rungwise {version('rungwise')}")
        raise typer.Exit


@app.callback()
def options(
    show_version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version.")
    ] = False,
) -> None:
    """Take the options that go before a command."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command; the arguments of the process where none are given.

    Raises
    ------
    SystemExit
        Always: 0 when done, 2 with one sentence on the error stream when the user's files or
        arguments can't be used.
    """
    with warnings.catch_warnings():
        warnings.showwarning = _show_warning
        try:
            app(args=None if arguments is None else list(arguments))
        except ForecastError as error:
            say(f"rungwise: {error}")
            sys.exit(USER_ERROR)


def _show_warning(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Print our own warnings as a sentence, any other with the place it comes from."""
    if issubclass(category, ForecastWarning):
        say(f"note: {message}")
    else:
        say(warnings.formatwarning(message, category, filename, lineno, line))


if __name__ == "__main__":
    main()
