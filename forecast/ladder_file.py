"""Reading TOML: a ladder here, mappings and clubs elsewhere; every breach is a sentence."""

from __future__ import annotations

import difflib
import errno
import os
import re
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import fields
from graphlib import CycleError, TopologicalSorter
from os import PathLike
from pathlib import Path
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
)
from pydantic_core import PydanticCustomError

from forecast.errors import LONGEST_LIST, LONGEST_QUOTE, ForecastError, LadderError
from forecast.ladder import BOUNDS, LARGEST, Criterion, Ladder, Measure, Rung


def _without_controls(text: str) -> str:
    """Refuse characters that a terminal would obey, or that turn the direction of text round."""
    for sign in text:
        if sign not in "\n\r\t" and (
            unicodedata.category(sign) in {"Cc", "Cs"}
            or unicodedata.bidirectional(sign) in {"LRE", "RLE", "LRO", "RLO", "PDF"}
        ):
            raise PydanticCustomError("control", "a control character", {"sign": ascii(sign)})
    return text


_Clear = AfterValidator(_without_controls)
_LONGEST = int(BOUNDS["text"][1])
_Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=_LONGEST), _Clear]
_Word = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), _Clear
]


def bounds(name: str, *, above: bool = False) -> Any:
    """Return a number's limits as pydantic takes them; ``above``: the lowest is not in them."""
    low, high = BOUNDS[name]
    return Field(gt=low if above else None, ge=None if above else low, le=high)


_Number = Annotated[float, Field(allow_inf_nan=False)]


class _Strict(BaseModel):
    """TOML has types of its own, so ``"10"`` for a number is a slip worth naming."""

    model_config = ConfigDict(extra="forbid", strict=True)


class _RungTable(_Strict):
    key: _Word
    name: _Text = ""
    stage: _Text = ""
    measure: Measure
    target: Annotated[_Number, bounds("target", above=True)]
    confirm_sessions: Annotated[int, bounds("confirm_sessions")] = 1
    load_kg: Annotated[_Number, bounds("load_kg", above=True)] | None = None
    load_bodyweight: Annotated[_Number, bounds("load_bodyweight", above=True)] | None = None
    min_weeks: Annotated[_Number, bounds("min_weeks")] = 0.0
    usual_weeks: (
        Annotated[
            list[Annotated[_Number, bounds("usual_weeks", above=True)]],
            Field(min_length=2, max_length=2),
        ]
        | None
    ) = None
    needs: list[_Word] | None = None
    fallback: _Word | None = None
    equipment: _Text = ""
    form: _Text = ""
    caution: _Text = ""


class _LadderTable(_Strict):
    name: _Word


class _LadderFile(_Strict):
    ladder: _LadderTable
    rung: Annotated[list[_RungTable], Field(max_length=int(BOUNDS["rungs"][1]))]


_FIELDS = {
    "ladder": list(_LadderTable.model_fields),
    "rung": list(_RungTable.model_fields),
    "top": list(_LadderFile.model_fields),
}

_SAYS = {
    "missing": "is missing; add it",
    "greater_than": "must be above {gt}, not {value}",
    "greater_than_equal": "must be {ge} or more, not {value}",
    "less_than_equal": "must be {le} or less, not {value}",
    "string_too_long": "must have {max_length} characters at most",
    "too_long": "must have {max_length} entries at most, not {actual_length}",
    "too_short": "must have {min_length} entries, not {actual_length}",
    "finite_number": "must be an ordinary number, not {value}",
    "int_type": "must be a whole number without quotes or decimals, not {value}",
    "int_from_float": "must be a whole number, not {value}",
    "float_type": "must be a number without quotes, not {value}",
    "string_type": "must be text in quotes, not {value}",
    "string_too_short": "must not be empty",
    "literal_error": "must be {expected}, not {value}",
    "control": "must not hold the control character {sign}; take it out",
    "list_type": "must be a list in square brackets, not {value}",
}


def read_ladder(path: str | Path) -> Ladder:
    """Read and check a ladder.

    The file is TOML: a table ``[ladder]`` with ``name``, then one ``[[rung]]`` for each rung in
    the order of the ladder. A rung has ``key``, ``measure`` (``seconds``, ``reps``, ``kg`` or
    ``cm``) and ``target`` (in that unit), and optionally ``name`` (the key if left out),
    ``stage``, ``confirm_sessions`` (1), ``load_kg`` or ``load_bodyweight`` (fraction of body
    mass), ``min_weeks`` (weeks, 0), ``usual_weeks`` (two: 80 % are expected to take from the first
    to the second), ``needs`` (keys; the rung above if left out, ``[]`` for a root), ``fallback``,
    ``equipment``, ``form`` and ``caution``.

    Parameters
    ----------
    path
        The TOML file, in UTF-8. ``LadderError`` lists every breach, each with file, line, rung and
        what to do.
    """
    if not isinstance(path, str | PathLike) or not str(path).strip():
        raise LadderError(f"{path!r} is not a path; give the name of the ladder file.")
    path = checked_path(path, LadderError)
    absent = f"There is no ladder file {path}; check the name."
    content, text = read_toml(path, absent, LadderError)
    places = _Places(path, text, content)
    if not content.get("rung"):
        raise LadderError(f"{path} has no rung: add a [[rung]] table for each rung of the ladder.")
    try:
        checked = _LadderFile.model_validate(content)
    except ValidationError as error:
        raise LadderError("\n".join(_sentences(error, places))) from error
    return _ladder(checked, places)


def make_folder(path: str | Path) -> Path:
    """Return the folder, made where it is not there yet; ``ForecastError`` if it can't be."""
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ForecastError(
            f"The folder {folder} can't be made ({error.strerror}); name another with --out."
        ) from error
    return folder


def checked_path(path: str | Path, error: type[ForecastError]) -> Path:
    """Return a path that a file system can hold, or raise, quoting as much of it as is readable."""
    shown = str(path)
    try:
        os.stat(path)
    except ValueError as fault:  # a NUL character
        raise error(f"{_shown(shown)} is not a path: {fault}; check the name.") from fault
    except OSError as fault:
        if fault.errno == errno.ENAMETOOLONG:
            raise error(f"{_shown(shown)} can't be read: its name is too long.") from fault
    return Path(path)


def read_toml(path: Path, absent: str, error: type[ForecastError]) -> tuple[dict[str, Any], str]:
    """Read a TOML file, and return its text too; where it is ``absent``, that is the message."""
    checked_path(path, error)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as fault:
        raise error(absent) from fault
    except UnicodeDecodeError as fault:
        raise error(f"{path} is not in UTF-8; save it as UTF-8 text.") from fault
    except OSError as fault:
        raise error(f"{path} can't be read: {fault.strerror or fault}.") from fault
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as fault:  # digits or nesting without end too
        raise error(
            f"{path} is not valid TOML: {fault}. Correct that line; text goes in quotes, "
            "numbers do not."
        ) from fault
    values: list[Any] = [content]
    while values:
        value = values.pop()
        if isinstance(value, dict | list):
            values += value.values() if isinstance(value, dict) else value
        elif isinstance(value, int) and value.bit_length() > 63:  # 0xfff... has no bound in Python
            raise error(f"{path} holds a whole number beyond 2^63, where TOML ends; correct it.")
    return content, text


class _Places:
    """Says where in the file a rung or one of its keys stands, as far as that is certain."""

    def __init__(self, path: Path, text: str, content: dict[str, Any]) -> None:
        self.path = path
        self.lines = text.splitlines()
        rungs = content.get("rung", [])
        self.rungs = rungs if isinstance(rungs, list) else []
        starts = [n for n, s in enumerate(self.lines) if re.match(r"\s*\[\[\s*rung\s*\]\]", s)]
        # A header look-alike inside a long text would shift every line number: then give none.
        self.starts = starts if len(starts) == len(self.rungs) else []

    def of(self, index: int, key: str = "") -> str:
        """File, line, rung number and rung key."""
        label = f"rung {index + 1}"
        entry = self.rungs[index]
        name = entry.get("key") if isinstance(entry, dict) else None
        if isinstance(name, str) and name.strip():
            label += f" ({name.strip()!r})"
        return f"{self.path}{self._line(index, key)}, {label}"

    def _line(self, index: int, key: str) -> str:
        if not self.starts:
            return ""
        start = self.starts[index]
        end = [*self.starts, len(self.lines)][index + 1]
        pattern = re.compile(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=")
        hits = [n for n in range(start, end) if key and pattern.match(self.lines[n])]
        return f", line {(hits or [start])[0] + 1}"


def _sentences(error: ValidationError, places: _Places) -> Iterator[str]:
    for problem in error.errors():
        loc = problem["loc"]
        where, key, names = str(places.path), str(loc[0]), _FIELDS["top"]
        if loc[0] == "rung" and len(loc) > 1 and isinstance(loc[1], int):
            inside = str(loc[2]) if len(loc) > 2 else ""
            where, key, names = places.of(loc[1], inside), inside or "[[rung]]", _FIELDS["rung"]
        elif loc[0] == "ladder" and len(loc) > 1:
            where, key, names = f"{places.path}, [ladder]", str(loc[1]), _FIELDS["ladder"]
        yield f"{where}: {breach(problem, key, names)}"


def breach(problem: Any, key: str, fields: Sequence[str]) -> str:
    """Return what pydantic found as a sentence; ``fields`` are the names that the table has."""
    if problem["type"] == "extra_forbidden":
        return stranger(key, fields)
    if problem["type"] in {"model_type", "model_attributes_type"}:
        return f"{key} must be a table, not {_shown(problem['input'])}."
    if key == "rung" and problem["type"] == "list_type":
        return "each rung needs double square brackets: [[rung]], not [rung]."
    template = _SAYS.get(problem["type"])
    if template is None:
        return f"{key!r} can't be {_shown(problem['input'])}. {problem['msg']}."
    context = problem.get("ctx", {}).items()
    facts = {name: f"{v:g}" if isinstance(v, float) else v for name, v in context}
    facts["value"] = _shown(problem["input"])
    return f"{key!r} {template.format(**facts)}."


def stranger(name: str, names: Iterable[str]) -> str:
    """Return that a name is not one of these, with the nearest of them or all."""
    near = difflib.get_close_matches(name, list(names), n=1)
    advice = f"did you mean {near[0]!r}?" if near else f"choose from {', '.join(names)}."
    return f"{name!r} is not known here; {advice}"


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= LONGEST_QUOTE else f"{text[:LONGEST_QUOTE]}..."


def _ladder(checked: _LadderFile, places: _Places) -> Ladder:
    rungs = checked.rung
    problems = list(_faults(rungs, places)) or list(_strangers(rungs, places))
    above = [(), *((rung.key,) for rung in rungs)]
    needs = [
        before if rung.needs is None else tuple(dict.fromkeys(rung.needs))
        for rung, before in zip(rungs, above, strict=False)
    ]
    problems = problems or list(_order(rungs, needs, places))
    if problems:
        raise LadderError("\n".join(problems))
    made = tuple(_rung(table, need) for table, need in zip(rungs, needs, strict=True))
    return Ladder(name=checked.ladder.name, rungs=made, source=str(places.path))


def _rung(table: _RungTable, needs: tuple[str, ...]) -> Rung:
    weeks = None if table.usual_weeks is None else tuple(table.usual_weeks)
    given = dict(table) | {"name": table.name or table.key, "needs": needs, "usual_weeks": weeks}
    mark = {field.name: given.pop(field.name) for field in fields(Criterion)}
    return Rung(criterion=Criterion(**mark), **given)


def _faults(rungs: list[_RungTable], places: _Places) -> Iterator[str]:
    """Keys used twice, two loads, and targets that nobody reaches."""
    seen: dict[str, int] = {}
    for index, rung in enumerate(rungs):
        # Logs are matched without regard to case, so keys must differ in more than case.
        first = seen.setdefault(rung.key.casefold(), index)
        if first != index:
            yield (
                f"{places.of(index, 'key')}: rung {first + 1} has the key {rungs[first].key!r} "
                "already; give each rung its own key."
            )
        if rung.load_kg is not None and rung.load_bodyweight is not None:
            where = places.of(index, "load_bodyweight")
            yield f"{where}: give 'load_kg' or 'load_bodyweight', not both."
        if rung.usual_weeks and rung.usual_weeks[0] >= rung.usual_weeks[1]:
            shown = f"[{rung.usual_weeks[0]:g}, {rung.usual_weeks[1]:g}]"
            yield (
                f"{places.of(index, 'usual_weeks')}: 'usual_weeks' must rise from the fewer to the "
                f"more, such as [4, 12], not {shown}."
            )
        if rung.target > LARGEST[rung.measure]:
            yield (
                f"{places.of(index, 'target')}: 'target' must be {LARGEST[rung.measure]:g} or "
                f"less in {rung.measure}, not {rung.target:g}."
            )


def _strangers(rungs: list[_RungTable], places: _Places) -> Iterator[str]:
    keys = [rung.key for rung in rungs]
    shown = 0
    for index, rung in enumerate(rungs):
        named = [("needs", key) for key in rung.needs or []]
        named += [("fallback", rung.fallback)] if rung.fallback is not None else []
        for column, key in named:
            where = places.of(index, column)
            if key == rung.key:
                yield f"{where}: {column!r} names the rung itself; name another or leave it out."
            elif key not in keys:
                shown += 1
                advice = "correct it."
                if shown <= LONGEST_LIST:  # no line past it is shown, and looking takes long
                    near = difflib.get_close_matches(key, keys, n=1)
                    advice = (
                        f"did you mean {near[0]!r}?" if near else f"keys are {', '.join(keys)}."
                    )
                yield f"{where}: {column!r} names {key!r}, which is not a rung; {advice}"


def _order(rungs: list[_RungTable], needs: list[tuple[str, ...]], places: _Places) -> Iterator[str]:
    keys = [rung.key for rung in rungs]
    try:
        TopologicalSorter(dict(zip(keys, needs, strict=True))).prepare()
    except CycleError as error:
        circle = list(reversed(error.args[1]))
        where = places.of(keys.index(circle[0]), "needs")
        yield (
            f"{where}: 'needs' goes round in a circle: {' needs '.join(map(repr, circle))}; "
            "take one of them out."
        )
        return
    for index, rung in enumerate(rungs):
        for key in needs[index]:
            if keys.index(key) > index:
                yield (
                    f"{places.of(index, 'needs')}: {rung.key!r} needs {key!r}, which stands "
                    "further down; move it above, so that the file reads from bottom rung to top."
                )
