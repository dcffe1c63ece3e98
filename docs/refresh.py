"""Paste real output and real constants into the pages, so that no figure is typed by hand.

``python docs/refresh.py`` rewrites, in README.md and under docs/:

- what the commands and the Python blocks of a page print (see ``blocks.py``), and, where that
  changed, the line after ``<!-- printed -->``: by which commit, on which date;
- the table after ``<!-- modules -->``: every module and its first sentence;
- the table after ``<!-- priors -->``: every prior of the growth engine as the code has it;
- what follows ``<!-- gallery -->``: each chart with the call that draws it (see ``pictures.py``).

``python docs/refresh.py --tables`` leaves the outputs alone, which take a fit or two;
``--pictures`` draws the pictures anew, which takes a fit and a browser, and nothing else;
``--check`` rewrites nothing and fails where a page is not as it would be written.
"""

from __future__ import annotations

import ast
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from blocks import Player, play
from pictures import draw, gallery

from forecast.growth.judgement import CENTRE_MEAN, CENTRE_SD, PRIORS

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
STORY = [
    ROOT / "docs" / f"{name}.md"
    for name in ("first-hour", "my-log", "my-ladder", "reading", "weekly", "method/cohort")
]
"""Pages whose blocks are played in the order in which a reader goes through them, in one folder."""
BESIDE = [README, ROOT / "docs" / "api" / "index.md"]
"""Pages whose blocks are played beside a folder of the demo club, each for itself."""
PAGES = [README, ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
SAMPLE = ROOT / "docs" / "training.csv"
EIGHTY = 1.2815515655446004

_MODULES = re.compile(r"(?<=<!-- modules -->\n)(?P<old>.*?)(?=<!-- end -->)", re.S)
_PRIORS = re.compile(r"(?<=<!-- priors -->\n)(?P<old>.*?)(?=<!-- end -->)", re.S)
_GALLERY = re.compile(r"(?<=<!-- gallery -->\n)(?P<old>.*?)(?=<!-- end -->)", re.S)
_STAMP = re.compile(r"(?<=<!-- printed -->\n)(?P<old>[^\n]+)")


def printed(words: list[str], folder: Path) -> str:
    """Return what a command prints; its error stream goes to ours."""
    words = [sys.executable if word == "python" else word for word in words]
    paths = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        words, cwd=folder, env=paths, stdout=subprocess.PIPE, text=True, check=True
    )
    return done.stdout.rstrip() + "\n"


def printed_by_code(code: str, folder: Path) -> str:
    """Return what a piece of Python prints."""
    return printed(["python", "-c", code], folder)


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


def with_tables(text: str) -> str:
    """Return a page with its tables made anew."""
    text = _MODULES.sub(lambda _: modules_table(), text)
    text = _GALLERY.sub(lambda _: gallery(), text)
    return _PRIORS.sub(lambda match: priors_table(match["old"]), text)


def with_outputs(texts: dict[Path, str], player: Player) -> dict[Path, str]:
    """Return pages, given by path, with what their blocks print now."""
    with tempfile.TemporaryDirectory() as made:
        beside, story = Path(made) / "beside", Path(made) / "story"
        kept = shutil.ignore_patterns("last_*")
        shutil.copytree(ROOT / "data_demo", beside / "data_demo", ignore=kept)
        story.mkdir()
        shutil.copy(SAMPLE, story / SAMPLE.name)
        folders = {**dict.fromkeys(BESIDE, beside), **dict.fromkeys(STORY, story)}
        return {
            page: play(texts[page], folder, player)
            for page, folder in folders.items()
            if page in texts
        }


def stamped(text: str) -> str:
    """Return a page that says by which commit, and when, its outputs were printed."""
    told = ["git", "log", "-1", "--format=%h on %cs"]
    commit = subprocess.run(told, cwd=ROOT, stdout=subprocess.PIPE, text=True, check=True).stdout
    words = f"Outputs on this page: commit {commit.strip()}, by `python docs/refresh.py`."
    return _STAMP.sub(words, text)


def main() -> int:
    """Rewrite the pages that changed, or name them."""
    if "--pictures" in sys.argv[1:]:
        print(*(path.relative_to(ROOT) for path in draw()), sep="\n")
        return 0
    old = {page: page.read_text(encoding="utf-8") for page in PAGES}
    new = {page: with_tables(text) for page, text in old.items()}
    if "--tables" not in sys.argv[1:]:
        player = Player(printed, printed_by_code)
        shown = {page: text for page, text in new.items() if "<!-- run" in text}
        for page, text in with_outputs(shown, player).items():
            new[page] = text if text == new[page] else stamped(text)
    changed = [page for page in PAGES if new[page] != old[page]]
    for page in changed:
        if "--check" not in sys.argv[1:]:
            page.write_text(new[page], encoding="utf-8")
        print(f"{page.relative_to(ROOT)} {'is stale' if '--check' in sys.argv else 'rewritten'}")
    return 1 if changed and "--check" in sys.argv[1:] else 0


if __name__ == "__main__":
    sys.exit(main())
