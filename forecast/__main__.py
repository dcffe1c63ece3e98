"""Command line: ``python -m forecast COMMAND`` or ``rungwise COMMAND``."""

from __future__ import annotations

import sys
import tempfile
import traceback
import warnings
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import Annotated, Any, TextIO

import typer
from typer.core import TyperCommand, TyperGroup

from forecast.errors import ForecastError, ForecastWarning

COMMANDS = {
    "check": "Say what was understood of a log, what was not, and how to correct it.",
    "setup": "Ask about a log at the prompt, write a club with its ladder, and show the first "
    "forecast.",
    "today": "Who trains today: the rung in hand, what to reach, the chance of it, and what to do.",
    "weeks": "Weeks until each athlete clears the next rung: a line each, most urgent first.",
    "changes": "What changed since the last run: pain, stalls, absences, clearings, comings "
    "and goings.",
    "ahead": "Weeks until each athlete clears every rung still ahead, the top one last.",
    "what-if": "How one athlete's ladder would look at other rates of training: association, "
    "not cause.",
    "plateau": "Who needs a look: pain, slipping, flat, form first; since when, and what next.",
    "retests": "Which cleared rungs are due for a re-test, and why; --out FILE.csv has all the "
    "cleared.",
    "cohort": "Which rung holds people up, which is hard, and who stops; --out FILE.csv, a "
    "row a rung.",
    "audit": "Are the pass marks right? What another mark would do; --out FILE.csv, a row a step.",
    "report": "Write pages for coach, analyst and athletes, to open or print without a network.",
    "backtest": "Score the forecasts that would have been made at past dates against what came "
    "of them.",
    "pseudonymise": "Write a club to share: keyed names, no notes, dates moved; forecasts stay "
    "the same.",
    "demo": "Forecast the invented club that comes with the source, and write pages for "
    "each reader.",
}
"""Every command, and what ``--help`` says of it: the first line of a function of that name."""

HOMES = {
    "files": ("check", "pseudonymise"),
    "club": ("changes", "plateau", "cohort", "audit", "ahead", "what-if", "retests"),
    "report": ("report", "backtest", "demo", "today"),
}
"""Modules of ``forecast.commands`` with several commands; any other is in a module of its name. It
is loaded when the command is run: what forecasts takes seconds, which ``--help`` does without."""

USER_ERROR, FAULT = 2, 3
"""Exit codes when the files or the arguments can't be used as they are, and when we are wrong."""


def function_of(command: str) -> Any:
    """Return the function behind a command."""
    home = next((home for home, names in HOMES.items() if command in names), command)
    return getattr(import_module(f"forecast.commands.{home}"), command.replace("-", "_"))


class _Commands(TyperGroup):
    """Commands by their names; what is behind a name is loaded for the one that is run."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.commands = {name: TyperCommand(name, help=text) for name, text in COMMANDS.items()}

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        name, command, rest = super().resolve_command(ctx, args)
        if name is not None:
            alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
            alone.command(name)(function_of(name))
            command = typer.main.get_command(alone)
        return name, command, rest


app = typer.Typer(
    name="rungwise", cls=_Commands,
    help="Weeks until the next rung of a strength-skill ladder, from a coach's set-by-set log.",
    no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)  # fmt: skip


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
    """Run a command, by the arguments of the process where none are given.

    Raises ``SystemExit`` always: 0 when done, 2 with one sentence on the error stream when the
    user's files or arguments can't be used, 3 with one where this package is at fault.
    """
    with warnings.catch_warnings():
        warnings.showwarning = _show_warning
        try:
            app(args=None if arguments is None else list(arguments))
        except ForecastError as error:
            _say(f"rungwise: {error}")
            sys.exit(USER_ERROR)
        except Exception as fault:  # the last catch, for what no room foresaw
            _say(_reported(fault))
            sys.exit(FAULT)


def _reported(fault: Exception) -> str:
    """Write what a maintainer needs to a file of its own; return one sentence for the user."""
    from forecast import words

    lines = [f"rungwise {version('rungwise')}, Python {sys.version}\n"]
    text = "".join([*lines, *traceback.format_exception(fault)])
    try:
        handle, path = tempfile.mkstemp(prefix="rungwise-", suffix=".txt")
        with open(handle, "w", encoding="utf-8", errors="backslashreplace") as file:
            file.write(text)
    except OSError:
        return text
    return words.screens.unforeseen(type(fault).__name__, path)


def _show_warning(
    message: Warning | str, category: type[Warning], filename: str, lineno: int,
    file: TextIO | None = None, line: str | None = None,
) -> None:  # fmt: skip
    """Print our own warnings as a sentence, any other with the place it comes from."""
    if issubclass(category, ForecastWarning):
        _say(f"note: {message}")
    else:
        _say(warnings.formatwarning(message, category, filename, lineno, line))


def _say(text: str) -> None:
    from forecast.commands.common import say

    say(text)


if __name__ == "__main__":
    main()
