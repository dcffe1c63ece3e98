"""Paste real output and real constants into the pages, so that no figure is typed by hand.

``python docs/refresh.py`` rewrites, in README.md and under docs/:

- the fenced block after ``<!-- run: COMMAND -->`` (``<!-- run, lines 1-4,9-20: COMMAND -->`` keeps
  parts of it), with what the command prints;
- the fenced block after ``<!-- run the code above -->``, with what the Python block before it
  prints;
- the table after ``<!-- modules -->``: every module and its first sentence;
- the table after ``<!-- priors -->``: every prior of the growth engine as the code has it.

``python docs/refresh.py --tables`` leaves the outputs alone, which take a fit or two.
"""

from __future__ import annotations

import ast
import re
import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np

from forecast.growth.constants import CENTRE_MEAN, CENTRE_SD, PRIORS

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
EIGHTY = 1.2815515655446004

_RUN = re.compile(
    r"<!-- run(?:, lines (?P<lines>[\d,-]+))?: (?P<command>.+?) -->\n"
    r"```text\n(?P<old>.*?)```",
    re.S,
)
_CODE = re.compile(
    r"```python\n(?P<code>[^`]*?)```\n\n<!-- run the code above -->\n```text\n(?P<old>.*?)```", re.S
)
_MODULES = re.compile(r"(?<=<!-- modules -->\n)(?P<old>.*?)(?=<!-- end -->)", re.S)
_PRIORS = re.compile(r"(?<=<!-- priors -->\n)(?P<old>.*?)(?=<!-- end -->)", re.S)


def output_of(command: list[str]) -> str:
    """Return what a command prints; its error stream goes to ours."""
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout.rstrip() + "\n"


def command_block(match: re.Match[str]) -> str:
    """Return the block with the command's output of now."""
    words = shlex.split(match["command"])
    words[0] = sys.executable if words[0] == "python" else words[0]
    text = output_of(words)
    return replaced(match, parts_of(text, match["lines"]) if match["lines"] else text)


def parts_of(text: str, ranges: str) -> str:
    """Return these lines of a text, counted from 1, with a mark where some were left out."""
    lines = text.splitlines()
    parts = []
    for part in ranges.split(","):
        first, _, last = part.partition("-")
        parts.append("\n".join(lines[int(first) - 1 : int(last or first)]))
    return "\n...\n".join(parts) + "\n"


def code_block(match: re.Match[str]) -> str:
    """Return the block with the code's output of now."""
    return replaced(match, output_of([sys.executable, "-c", match["code"]]))


def replaced(match: re.Match[str], new: str) -> str:
    """Return the whole match with its old part replaced."""
    at = match.start("old") - match.start()
    return match[0][:at] + new + match[0][at + len(match["old"]) :]


def module_rows() -> list[tuple[str, str]]:
    """Return every module of the package and the first sentence of its docstring."""
    rows = []
    for path in sorted((ROOT / "forecast").rglob("*.py")):
        text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        rows.append((path.relative_to(ROOT).as_posix(), text.split("\n\n")[0].replace("\n", " ")))
    return rows


def modules_table() -> str:
    """Return the module table."""
    lines = ["| module | what it is for |", "|---|---|"]
    lines += [f"| `{path}` | {text} |" for path, text in module_rows()]
    return "\n".join(lines) + "\n"


def prior_rows() -> list[tuple[str, str, str]]:
    """Return name, middle and 80 % range of every prior, positive ones on their own scale."""
    rows = []
    for name, (mean, sd, _) in PRIORS.items():
        points = mean + sd * EIGHTY * np.array([-1.0, 0.0, 1.0])
        low, middle, high = np.exp(points) if name.startswith("log_") else points
        rows.append((name, f"{middle:.3g}", f"{low:.2g} to {high:.2g}"))
    for name, mean, sd in zip(("start", "swing", "pace"), CENTRE_MEAN, CENTRE_SD, strict=True):
        low, high = mean - EIGHTY * sd, mean + EIGHTY * sd
        rows.append((f"cohort {name}", f"{mean:.3g}", f"{low:.2g} to {high:.2g}"))
    return rows


def priors_table(old: str) -> str:
    """Return the table of priors; what each means is kept from the old one."""
    cells = [[c.strip() for c in line.strip("|").split("|")] for line in old.splitlines()]
    meaning = {row[0].strip("`"): row[3] for row in cells if len(row) == 4}
    lines = ["| constant | middle | 80 % range | meaning |", "|---|---|---|---|"]
    lines += [
        f"| `{name}` | {middle} | {span} | {meaning.get(name, '?')} |"
        for name, middle, span in prior_rows()
    ]
    return "\n".join(lines) + "\n"


def refreshed(text: str, *, outputs: bool) -> str:
    """Return a page with its generated parts made anew."""
    text = _MODULES.sub(lambda _: modules_table(), text)
    text = _PRIORS.sub(lambda match: priors_table(match["old"]), text)
    if outputs:
        text = _RUN.sub(command_block, text)
        text = _CODE.sub(code_block, text)
    return text


def main() -> None:
    """Rewrite the pages that changed."""
    outputs = "--tables" not in sys.argv[1:]
    for page in PAGES:
        old = page.read_text(encoding="utf-8")
        new = refreshed(old, outputs=outputs)
        if new != old:
            page.write_text(new, encoding="utf-8")
            print(f"{page.relative_to(ROOT)} rewritten")


if __name__ == "__main__":
    main()
