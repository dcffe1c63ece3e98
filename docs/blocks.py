"""The fenced blocks of a page, played in order in a folder, as a reader would.

What a block is stands in its first line, and in a comment above it:

- ``csv title="NAME"``, or another language with a title: a file of that name;
- ``diff title="NAME"``: an edit of that file; lines taken out are replaced by those put in, and
  lines put in alone go to the end;
- ``sh``: each line that begins with ``python -m forecast`` is run; any other block of commands
  says why not (``<!-- not run: REASON -->``);
- ``python``: run as it stands;
- ``text`` below ``<!-- run the code above -->``, ``<!-- run the code above, lines 1-3,7 -->``,
  ``<!-- run: COMMAND -->`` or ``<!-- run, lines 1-3: COMMAND -->``: what was printed.
"""

from __future__ import annotations

import re
import shlex
import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

COMMAND = "python -m forecast "
_FENCED = re.compile(
    r"(?:<!-- (?P<mark>[^\n]+?) -->\n)?"
    r"^(?P<indent> *)```(?P<language>\w*)(?: title=\"(?P<title>[^\"\n]+)\")?[^\n]*\n"
    r"(?P<body>.*?)^(?P=indent)```$",
    re.S | re.M,
)
_PRINTED = re.compile(
    r"run(?P<above> the code above)?(?:, lines (?P<lines>[\d,-]+))?(?:: (?P<command>.+))?"
)


@dataclass(frozen=True, slots=True)
class Player:
    """How blocks are run: each takes words or code and the folder, and returns what it printed."""

    command: Callable[[list[str], Path], str]
    code: Callable[[str, Path], str]


class PageError(ValueError):
    """A block can't be played as it stands."""


def play(text: str, folder: Path, player: Player) -> str:
    """Play the blocks of a page; return the page with what was printed in its place.

    Raises
    ------
    PageError
        A block of commands is neither run nor says why not, or an edit does not fit its file.
    """
    parts, at, printed = [], 0, ""
    for block in _FENCED.finditer(text):
        body = textwrap.dedent(block["body"])
        said = _PRINTED.fullmatch(block["mark"] or "") if block["language"] == "text" else None
        if said:
            if said["command"]:
                printed = player.command(shlex.split(said["command"]), folder)
            now = parts_of(printed, said["lines"]) if said["lines"] else printed
            parts += [text[at : block.start("body")], textwrap.indent(now, block["indent"])]
            at = block.end("body")
        else:
            printed = _played(block, body, folder, player)
    return "".join([*parts, text[at:]])


def _played(block: re.Match[str], body: str, folder: Path, player: Player) -> str:
    if block["title"]:
        path = folder / block["title"]
        content = edited(path, body) if block["language"] == "diff" else body
        path.write_text(content, encoding="utf-8")
    elif (block["mark"] or "").startswith("not run: "):
        return ""
    elif block["language"] == "sh":
        lines = body.splitlines()
        if strange := [line for line in lines if not line.startswith(COMMAND)]:
            raise PageError(f"{strange[0]!r} is not run; say why: <!-- not run: REASON -->")
        return "".join(player.command(shlex.split(line, comments=True), folder) for line in lines)
    elif block["language"] == "python":
        return player.code(body, folder)
    return ""


def edited(path: Path, change: str) -> str:
    """Return a file's text with the lines that are taken out replaced by those put in.

    Raises
    ------
    PageError
        A line to take out does not stand there once.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    at = len(lines)
    for line in change.splitlines():
        if line.startswith("-"):
            found = [n for n, old in enumerate(lines) if old == line[1:]]
            if len(found) != 1:
                raise PageError(f"{line[1:]!r} stands {len(found)} times in {path.name}")
            (at,) = found
            del lines[at]
        elif line.startswith("+"):
            lines.insert(at, line[1:])
            at += 1
    return "\n".join(lines) + "\n"


def parts_of(text: str, ranges: str) -> str:
    """Return these lines of a text, counted from 1, with a mark where some were left out."""
    lines = text.splitlines()
    parts = []
    for part in ranges.split(","):
        first, _, last = part.partition("-")
        parts.append("\n".join(lines[int(first) - 1 : int(last or first)]))
    return "\n...\n".join(parts) + "\n"
