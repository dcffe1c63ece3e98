"""``setup``: from a coach's files to a club and its first forecast, question by question."""

from __future__ import annotations

import datetime as dt
import inspect
import os
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any

import typer

from forecast.commands import common
from forecast.commands.weeks import weeks
from forecast.errors import ForecastError
from forecast.ladder import Ladder
from forecast.ladder_file import make_folder, read_ladder
from forecast.log import Draft, draft, ladder_draft, load_mapping, write_all
from forecast.words import setup as told

UNDO, LATER = "u", "s"
KEPT = "last_model-*.zip\nlast_read-*.zip\nlast_run.json\n*.part\n"
"""Files in a club's folder that hold names and are made anew: not for sharing."""
FREE = {"words", "values.athlete", "values.assist"}
"""Tables whose answers may be words of the user's own."""
CORRECTION = r"\s*(\d+)\s+(?:(drop)|(seconds|reps|kg|cm)?\s*(\d+(?:\.\d+)?)?)\s*"


@dataclass(frozen=True, slots=True)
class State:
    """What was answered so far; ``later`` are questions put off."""

    place: str | None = None
    rungs: tuple[ladder_draft.LikelyRung, ...] = ()
    agreed: bool = False
    mapping: dict[str, Any] = field(default_factory=dict)
    later: frozenset[tuple[str, str]] = frozenset()

    def ladder(self) -> Ladder:
        """Return the ladder as it stands."""
        return Ladder("Our ladder", tuple(one.rung for one in self.rungs))


Question = tuple[list[str], str, Callable[[str], State | None]]
"""What is shown, the prompt, and what is known after an answer, none where it is not one."""


def setup(
    files: Annotated[list[str], typer.Argument(metavar="PATH...", help="The logs.")],
    ladder: common.LadderFile = None,
    roster: common.RosterFile = None,
    date_order: common.OrderOption = None,
    sheet: common.SheetOption = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder of the club; that of the first PATH.")
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: take what is sure, leave the questions.")
    ] = False,
) -> None:
    """Ask about a log at the prompt, write a club with its ladder, and show the first forecast."""
    folder = out or Path(files[0]).parent
    if (folder / "club.toml").exists():
        raise ForecastError(f"{folder} has a club.toml; name another folder with --out.")
    how = {"sheet": sheet, "date_order": date_order.value if date_order else None}
    asking = Asking(files, ladder, roster, how)
    if not yes and not sys.stdin.isatty():
        common.say(told.SURE_ONLY)
        yes = True
    state, answers = (asking.drafted(State()), 0) if yes else asking.ask()
    paths, drafted = asking.write(folder, state)
    if doubts := sum(not one.sure for one in state.rungs):
        common.say(told.measures_open(paths[-1], doubts))
        raise typer.Exit(1)
    log = common.read_records([str(folder)], tell=False).log
    typer.echo(f"\n{told.understood(log, paths, answers, drafted)}\n")
    given = {p.name: p.default for p in inspect.signature(weeks).parameters.values()}
    weeks(**given | {"paths": [str(folder)]})


class Asking:
    """The files, what was given with them, and the questions that are left."""

    def __init__(
        self, files: list[str], ladder: str | None, roster: str | None, how: dict[str, Any]
    ) -> None:
        self._files, self._ladder_file, self._roster, self._how = files, ladder, roster, how
        self._given = read_ladder(ladder) if ladder else None
        self._places = {} if ladder else ladder_draft.exercise_places(files, how["sheet"])
        self._last: tuple[State, Draft] | None = None
        if self._given is None and not self._places:
            raise ForecastError(f"{files[0]} names no exercises; give the ladder with --ladder.")

    def drafted(self, state: State) -> State:
        """Return the state with a ladder, where it is known what names the exercises."""
        if self._given is not None or state.rungs or (len(self._places) > 1 and not state.place):
            return state
        place = state.place or next(iter(self._places))
        names, sheet = self._places[place], self._how["sheet"]
        rungs = ladder_draft.draft_ladder(self._files, place, names, sheet)
        return replace(state, place=place, rungs=rungs)

    def ask(self) -> tuple[State, int]:
        """Ask until nothing is open; return what was answered, and how many answers it took."""
        state, before, answers = self.drafted(State()), list[State](), 0
        while (question := self._next(state)) is not None:
            lines, prompt, take = question
            typer.echo("\n".join(["", *lines]))
            typed, after, fault = "", None, ""
            while typed != UNDO and after is None:
                typed = typer.prompt(prompt, default="", show_default=False).strip()
                answers += 1
                try:
                    after, fault = None if typed == UNDO else take(typed), told.NOT_UNDERSTOOD
                    after = after and self.drafted(after)
                except (ForecastError, ValueError) as error:
                    after, fault = None, str(error)
                if after is None and typed != UNDO:
                    typer.echo(fault)
            if after is not None:
                before.append(state)
                state = after
            elif before:
                state = before.pop()
            else:
                typer.echo(told.NOTHING_BEFORE)
        return state, answers

    def _next(self, state: State) -> Question | None:
        if self._given is None and not state.rungs:
            places = list(self._places)
            lines = [told.answer(n, p, told.PLACES.get(p, "")) for n, p in enumerate(places, 1)]

            def there(typed: str) -> State | None:
                place = nth(places, typed)
                return replace(state, place=place) if place else None

            return [told.WHERE, *lines], told.ASK, there
        if self._given is None and not state.agreed:
            lines = [told.ladder_line(n, one) for n, one in enumerate(state.rungs, start=1)]
            return lines, told.ASK_LADDER, lambda typed: corrected(state, typed)
        drafted = self._draft(state)
        open_ones = [q for q in drafted.questions if (q.table, q.key) not in state.later]
        if not open_ones:
            return None
        one = open_ones[0]
        lines = [told.question(len(open_ones) - 1, one.table, one.key, one.why)]
        for n, answer in enumerate(one.answers, start=1):
            shown = "ignore" if answer.value is None else ladder_draft.as_toml(answer.value)
            lines.append(told.answer(n, shown, answer.means))
            lines += [f"        {row}" for row in drafted.samples(one, answer.value)]

        def take(typed: str) -> State | None:
            if typed == LATER:
                return replace(state, later=state.later | {(one.table, one.key)})
            chosen = nth(one.answers, typed)
            if chosen is not None:
                return replace(state, mapping=drafted.answered(one, chosen.value))
            if not typed or (one.answers and (one.table not in FREE or typed.isdecimal())):
                return None
            mapping = drafted.answered(one, typed_as(one.key, typed))
            load_mapping(mapping)
            after = replace(state, mapping=mapping)
            self._draft(after)  # a sentence where the answer does not fit the file
            return after

        return lines, told.ASK if one.answers else told.ASK_FREE, take

    def _draft(self, state: State) -> Draft:
        """Draft the mapping; the answers of last time are not gone through anew."""
        if self._last is not None and self._last[0] == state:
            return self._last[1]
        mapping = dict(state.mapping)
        if state.place not in (None, ladder_draft.ACROSS):
            mapping["columns"] = {"rung": state.place} | mapping.get("columns", {})
        ladder = self._given or state.ladder()
        drafted = draft(self._files, ladder, roster=self._roster, mapping=mapping, **self._how)
        self._last = state, drafted
        return drafted

    def write(self, folder: Path, state: State) -> tuple[list[Path], Draft]:
        """Write club, mapping and, if drafted, ladder beside what is there; return the draft."""
        if self._given is None and not state.rungs:
            raise ForecastError(
                f"Exercises may be named in {', '.join(self._places)}; run setup in a terminal, or "
                "give --ladder."
            )
        drafted = self._draft(state)
        mapping, ladder = unused(folder / "mapping.toml"), Path(self._ladder_file or "")
        if self._given is None:
            ladder = unused(folder / "ladder.toml")
        make_folder(folder)

        def line(name: str, path: str | Path) -> str:
            relative = os.path.relpath(path, folder).replace(os.sep, "/")
            return f"{name} = {ladder_draft.as_toml(relative)}"

        club = [f"name = {ladder_draft.as_toml(folder.resolve().name)}", line("ladder", ladder)]
        club += [line("roster", self._roster)] if self._roster else []
        for file in self._files:
            club += ["", "[[log]]", line("file", file), line("mapping", mapping)]
            club += [f"{n} = {ladder_draft.as_toml(v)}" for n, v in self._how.items() if v]
        files = {folder / "club.toml": "\n".join([*club, ""]), mapping: drafted.text()}
        if not (folder / ".gitignore").exists():
            files[folder / ".gitignore"] = KEPT
        if self._given is None:
            files[ladder] = ladder_draft.likely_text(state.ladder(), state.rungs)
        write_all((path, text.encode()) for path, text in files.items())
        return list(files), drafted


def nth(answers: Any, typed: str) -> Any:
    """Return the answer with the number typed, ``None`` where there is none."""
    return answers[int(typed) - 1] if typed in map(str, range(1, len(answers) + 1)) else None


def corrected(state: State, typed: str) -> State | None:
    """Return the drafted ladder as it was agreed to, or corrected; ``None`` if not understood."""
    if not typed:
        return replace(state, rungs=tuple(one.marked() for one in state.rungs), agreed=True)
    rungs, dropped = list(state.rungs), list(state.mapping.get("ignore", []))
    for text in typed.split(","):
        match = re.fullmatch(CORRECTION, text)
        at = int(match[1]) - 1 if match else -1
        if match is None or not 0 <= at < len(rungs) or not any(match.groups()[1:]):
            return None
        measure: Any = match[3]
        rungs[at] = rungs[at].marked(measure, float(match[4]) if match[4] else None)
        dropped += [rungs[at].rung.name] if match[2] else []
    kept = [one for one in rungs if one.rung.name not in dropped]
    for n, one in enumerate(kept):
        needs = (kept[n - 1].rung.key,) if n and one.rung.needs else ()
        kept[n] = replace(one, rung=replace(one.rung, needs=needs))
    mapping = state.mapping | ({"ignore": dropped} if dropped else {})
    return replace(state, rungs=tuple(kept), mapping=mapping) if kept else None


def typed_as(key: str, typed: str) -> Any:
    """Return what was typed as the mapping holds it under a key."""
    if key == "year":
        return int(typed)
    return dt.date.fromisoformat(typed) if key == "start" else typed


def unused(path: Path) -> Path:
    """Return the path, or one with a number where there is such a file."""
    numbered = (path.with_stem(f"{path.stem}-{n}") for n in range(2, 1_000))
    return path if not path.exists() else next(one for one in numbered if not one.exists())
