"""The pages tell the truth: modules, priors, commands, options, links and examples."""

from __future__ import annotations

import contextlib
import doctest
import importlib
import inspect
import io
import os
import pydoc
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import forecast
from forecast import inline
from forecast.__main__ import COMMANDS, function_of, main
from forecast.ladder_file import _RungTable
from forecast.log import sizes as limits
from forecast.log.mapping import OPTIONAL, REQUIRED

ROOT = Path(forecast.__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
MODULES = sorted((ROOT / "forecast").rglob("*.py"))


@pytest.fixture(scope="module")
def refresh():
    sys.path.insert(0, str(ROOT / "docs"))
    try:
        return importlib.import_module("refresh")
    finally:
        sys.path.remove(str(ROOT / "docs"))


@pytest.fixture(scope="module")
def blocks(refresh):
    return sys.modules["blocks"]


@pytest.fixture(scope="module")
def player(blocks):
    """Plays commands and code in this process."""

    def command(words, folder):
        assert words[:3] == ["python", "-m", "forecast"], words
        out, err = io.StringIO(), io.StringIO()
        with (
            contextlib.chdir(folder),
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            pytest.raises(SystemExit) as end,
        ):
            main(words[3:])
        assert not end.value.code, err.getvalue()
        return out.getvalue().rstrip() + "\n"

    def code(text, folder):
        out = io.StringIO()
        with contextlib.chdir(folder), contextlib.redirect_stdout(out):
            exec(compile(text, "a page", "exec"), {})
        return out.getvalue().rstrip() + "\n"

    return blocks.Player(command, code)


def commands_in(text: str) -> list[list[str]]:
    """Every ``python -m forecast ...`` in a page's code, as words."""
    found = re.findall(r"python -m forecast (?!\.)([a-z][^`\n]*?)(?: -->|`|$)", text, re.M)
    return [shlex.split(line.split("&&")[0].rstrip("\\ ")) for line in found]


# generated parts ----------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_tables_agree_with_the_code(refresh, page):
    text = page.read_text(encoding="utf-8")
    assert refresh.with_tables(text) == text, "run: python docs/refresh.py --tables"


def test_the_map_lists_every_module_once_and_no_other(refresh):
    text = (ROOT / "docs" / "ARCHITECTURE.md").read_text(encoding="utf-8")
    listed = re.findall(r"^\| `(forecast/[^`]+)` \| (.+) \|$", text, re.M)
    assert [path for path, _ in listed] == [p.relative_to(ROOT).as_posix() for p in MODULES]
    assert all(len(words) > 10 for _, words in listed)


def test_every_prior_has_a_meaning(refresh):
    text = (ROOT / "docs" / "method" / "priors.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `([^`]+)` \| ([^|]+) \| ([^|]+) \| ([^|]+) \|$", text, re.M)
    assert [(name, mid, span) for name, mid, span, _ in rows] == refresh.prior_rows()
    without = [name for name, *_, meaning in rows if meaning.strip() in {"", "?"}]
    assert without == []


def on_the_api_pages() -> list[str]:
    pages = sorted((ROOT / "docs" / "api").glob("*.md"))
    return [
        name
        for page in pages
        for name in re.findall(r"^::: (\S+)$", page.read_text(encoding="utf-8"), re.M)
    ]


@pytest.mark.parametrize("name", on_the_api_pages())
def test_each_parameter_of_a_public_function_is_explained(name):
    public = pydoc.locate(name)
    if not inspect.isfunction(public) or not (asked := set(inspect.signature(public).parameters)):
        return
    _, _, told = inspect.getdoc(public).partition("Parameters\n----------\n")
    heads = re.findall(r"^(\w[\w, *]*)$", told, re.M)
    explained = {word.strip("* ") for head in heads for word in head.split(",")}
    assert asked <= explained, f"{name} explains {sorted(explained)}"


# examples -----------------------------------------------------------------------------------


def without_stamp(text):
    return re.sub(r"(?<=<!-- printed -->\n).*", "", text)


def test_pages_print_what_they_say_they_print(refresh, player):
    """A stranger's first hour and the pages that go on from it, as written, to the letter."""
    texts = {page: page.read_text(encoding="utf-8") for page in refresh.STORY}
    played = refresh.with_outputs(texts, player)
    assert list(played) == refresh.STORY
    for page, text in texts.items():
        assert without_stamp(played[page]) == without_stamp(text), "run: python docs/refresh.py"


def told(text):
    """Words of a page without numbers and gaps, and its numbers with the step of the last digit."""
    text = without_stamp(text)
    numbers = re.findall(r"\d+(?:\.\d+)?", text)
    words = re.sub(r"\s+|-{3,}", " ", re.sub(r"\d+(?:\.\d+)?", "#", text))
    return words, [(float(n), 10.0 ** -len(n.partition(".")[2])) for n in numbers]


@pytest.mark.nightly
def test_pages_about_the_demo_club_print_what_it_gives(refresh, player):
    """A figure may be off by a step of its last digit: another processor rounds otherwise."""
    texts = {page: page.read_text(encoding="utf-8") for page in refresh.BESIDE}
    played = refresh.with_outputs(texts, player)
    assert list(played) == refresh.BESIDE
    for page, text in texts.items():
        (words, numbers), (shown, figures) = told(text), told(played[page])
        assert shown == words, f"{page.name}; run: python docs/refresh.py"
        for (now, step), (then, _) in zip(figures, numbers, strict=True):
            assert abs(now - then) <= 1.01 * step, f"{page.name}; run: python docs/refresh.py"


def test_the_check_of_the_demo_club_is_the_one_shown(blocks, player):
    (found,) = re.findall(
        r"(<!-- run[^\n]+forecast check data_demo -->\n```text\n.*?```)",
        (ROOT / "README.md").read_text(encoding="utf-8"),
        re.S,
    )
    assert blocks.play(found + "\n", ROOT, player) == found + "\n", "run: python docs/refresh.py"


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_no_block_is_left_out(refresh, page):
    """Every block of commands or code is on a page that is played, or says why it is not run."""
    text = page.read_text(encoding="utf-8")
    if page in {*refresh.STORY, *refresh.BESIDE}:
        return
    for mark, language in re.findall(r"(?:<!-- (.+?) -->\n)?^ *```(\w+)", text, re.M):
        assert language not in {"sh", "python"} or mark.startswith("not run: "), page


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_every_toml_block_is_toml_and_every_output_has_its_stamp(page):
    text = page.read_text(encoding="utf-8")
    for body in re.findall(r"^ *```toml[^\n]*\n(.*?)^ *```$", text, re.M | re.S):
        tomllib.loads(body)
    stamps = re.findall(r"<!-- printed -->\nOutputs on this page: commit [0-9a-f]{7,} on 20", text)
    assert len(stamps) == ("<!-- run" in text.replace("`<!-- run", ""))


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_measured_figures_say_which_commit_wrote_them_down(page):
    """Tables of scores, and what was seen on a seed: they take hours, so nothing redraws them."""
    text = re.sub(
        r"<!-- priors -->.*?<!-- end -->|^```.*?^```$",
        "",
        page.read_text("utf-8"),
        flags=re.S | re.M,
    )
    for part in re.split(r"^(?=#{2,3} )", text, flags=re.M):
        scores = re.findall(r"^\|.*\d\.\d.*\d\.\d.*\|$", part, re.M)
        if len(scores) >= 2 or re.search(r"\bseeds? \d", part):
            stamp = r"^\*Figures: commits? [0-9a-f]{7}.*, 20\d\d-\d\d-\d\d.*\.\*$"
            assert re.search(stamp, part, re.M), f"{page.name}: {part[:60]!r}"


def test_a_first_hour_is_two_commands_and_five_lines():
    text = (ROOT / "docs" / "first-hour.md").read_text(encoding="utf-8")
    assert len(re.findall(r"^python -m forecast", text, re.M)) == 2
    (edits,) = re.findall(r"^```diff[^\n]*\n(.*?)^```$", text, re.M | re.S)
    assert 1 <= sum(line.startswith("+") for line in edits.splitlines()) <= 5


def test_a_part_of_an_output_is_marked_as_one(blocks):
    assert blocks.parts_of("a\nb\nc\nd\ne\n", "1-2,4") == "a\nb\n...\nd\n"


def test_blocks_are_played_in_order(blocks, tmp_path):
    page = (
        '```toml title="a.toml"\nx = 1\ny = 2\n```\n```diff title="a.toml"\n-x = 1\n+x = 3\n```\n'
        '```diff title="a.toml"\n+z = 4\n```\n   ```sh\n   python -m forecast one "two three"\n'
        "   ```\n\n   <!-- run the code above -->\n   ```text\n   old\n   ```\n"
        "<!-- not run: why -->\n```sh\nrm x\n```\n"
        "<!-- run, lines 2: python -m forecast four -->\n```text\n```\n"
    )
    player = blocks.Player(
        lambda words, folder: "\n".join([*words[3:], (folder / "a.toml").read_text()]), None
    )
    new = blocks.play(page, tmp_path, player)
    assert "   one\n   two three\n   x = 3\n   y = 2\n   z = 4\n" in new
    assert "```text\nx = 3\n```" in new
    assert "old" not in new
    with pytest.raises(blocks.PageError, match="say why"):
        blocks.play("```sh\nrm x\n```\n", tmp_path, player)
    with pytest.raises(blocks.PageError, match="stands 0 times"):
        blocks.play('```diff title="a.toml"\n-q\n+r\n```\n', tmp_path, player)


# commands -----------------------------------------------------------------------------------


def test_the_readme_has_two_commands_and_the_gate_runs_the_second():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(re.findall(r"^python3 -m venv \.venv && .*weeks data_demo$", readme, re.M)) == 1
    assert len(re.findall(r"^\.venv/bin/python -m pytest\b.*$", readme, re.M)) == 1
    gate = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "README.md" in gate
    assert "pytest -n" not in gate


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_every_command_and_option_named_exists(page, capsys):
    for words in commands_in(page.read_text(encoding="utf-8")):
        assert words[0] in COMMANDS, words
        with pytest.raises(SystemExit):
            main([words[0], "--help"])
        options = re.findall(r"--[a-z-]+", capsys.readouterr().out)
        assert {word for word in words if word.startswith("--")} <= set(options), words


def test_the_guide_lists_every_command():
    guide = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    listed = set(re.findall(r"^\| `([a-z-]+)(?: PATH[^`]*)?` \|", guide, re.M))
    assert set(COMMANDS) <= listed


@pytest.mark.parametrize("command", COMMANDS)
def test_help_says_of_a_command_what_its_function_says(command):
    assert inspect.getdoc(function_of(command)).splitlines()[0] == COMMANDS[command]


def test_commands_are_found_in_text():
    text = "`python -m forecast weeks a --out b` <!-- run: python -m forecast check x -->"
    assert commands_in(text) == [["weeks", "a", "--out", "b"], ["check", "x"]]


# links and words ----------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(page):
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def test_the_site_lists_pages_that_exist():
    plan = (ROOT / "docs" / "mkdocs.yml").read_text(encoding="utf-8")
    pages = re.findall(r": (\S+\.md)$", plan, re.M)
    assert len(pages) >= 15
    assert [page for page in pages if not (ROOT / "docs" / page).exists()] == []
    on_disk = {p.relative_to(ROOT / "docs").as_posix() for p in (ROOT / "docs").rglob("*.md")}
    assert on_disk == set(pages)


def test_the_api_page_names_what_there_is():
    """Without the site's own builder, which refuses a name that it can't find."""
    named = on_the_api_pages()
    assert len(named) == len(set(named)) > 50
    for name in named:
        room, _, last = name.rpartition(".")
        try:
            assert importlib.import_module(name)
        except ModuleNotFoundError:
            assert hasattr(importlib.import_module(room), last), name


@pytest.mark.nightly
def test_the_site_is_built_without_a_warning(tmp_path):
    pytest.importorskip("mkdocs", reason="the site's builder is in the extra 'docs'")
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "mkdocs",
            "build",
            "--strict",
            "-q",
            "-f",
            "docs/mkdocs.yml",
            "-d",
            tmp_path,
        ],
        cwd=ROOT,
        env={**os.environ, "NO_MKDOCS_2_WARNING": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr + done.stdout
    assert (tmp_path / "first-hour" / "index.html").exists()
    links = re.findall(
        r'href="\.\./(example/[^"]+)"', (ROOT / "docs/examples.md").read_text("utf-8")
    )
    assert len(links) == 6
    for link in links:
        page = (tmp_path / link).read_text(encoding="utf-8")
        assert "vega-embed" in page or "charts.js" in page, link
        assert 'src="http' not in page, link


def test_pictures_are_small_and_each_is_shown(refresh):
    """Pictures of the demo club; ``docs/refresh.py --pictures`` draws them anew."""
    pictures = sys.modules["pictures"]
    files = sorted(path.name for path in pictures.FOLDER.iterdir())
    assert files == sorted(
        [
            *(f"{name}.svg" for name in pictures.CHARTS),
            *(f"{name}.png" for name in pictures.SCREENS),
        ]
    )
    assert [f for f in files if (pictures.FOLDER / f).stat().st_size > pictures.MOST_BYTES] == []
    shown = {
        target.rpartition("/")[2]
        for page in PAGES
        for target in re.findall(r"\]\(([^)]*pictures/[^)]+)\)", page.read_text(encoding="utf-8"))
    }
    assert shown == set(files)
    first = (ROOT / "README.md").read_text(encoding="utf-8").partition("## ")[0]
    assert len(re.findall(r"!\[[^\]]{30,}\]", first)) == 2  # a forecast and a sheet, in words too


def test_the_site_has_the_inks_of_the_charts():
    css = (ROOT / "docs" / "look.css").read_text(encoding="utf-8")
    inks = {inline.INK, inline.LINE, inline.ALERT, inline.BAND, inline.FAN}
    assert set(re.findall(r"#[0-9a-f]{6}", css)) == inks


def test_the_log_columns_of_the_guide_are_those_of_the_reader():
    text = (ROOT / "docs" / "my-log.md").read_text(encoding="utf-8")
    part = text[: text.index("## The mapping")]
    named = set(re.findall(r"`([a-z_]+)`", "".join(re.findall(r"^\| ([^|]+) \|", part, re.M))))
    assert named == {*REQUIRED, *OPTIONAL}


def test_the_limits_of_the_guide_are_those_of_the_reader():
    text = (ROOT / "docs" / "my-log.md").read_text(encoding="utf-8")
    part = text[text.index("## Limits") :]
    named = {int(number.replace(",", "")) for number in re.findall(r"\d[\d,]*(?!\.\d)", part)}
    millions = {limits.MAX_BYTES, limits.MAX_TEXT, limits.MAX_LINE}
    asked = {
        limits.MAX_ROWS, limits.MAX_COLUMNS, limits.MAX_CELLS, limits.MAX_CELL, limits.MAX_NAME,
        limits.MAX_BOOK_CELLS, limits.MAX_SHEET_ROWS, limits.MAX_EMPTY_ROWS,
        *(size // 1_000_000 for size in millions),
    }  # fmt: skip
    assert asked <= named
    assert "a hundredfold" in part
    assert limits.MAX_PACKED == 100


def test_the_ladder_keys_of_the_guide_are_those_of_the_reader():
    part = (ROOT / "docs" / "my-ladder.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z_]+)`", "".join(re.findall(r"^\| ([^|]+) \|", part, re.M))))
    assert named == set(_RungTable.model_fields)


# examples in docstrings ---------------------------------------------------------------------


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@pytest.mark.parametrize(
    "path", [path for path in MODULES if ">>>" in path.read_text(encoding="utf-8")], ids=module_name
)
def test_examples_in_docstrings_run(path):
    module = importlib.import_module(module_name(path))
    failed, tried = doctest.testmod(module, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert tried > 0
    assert failed == 0


def test_the_list_of_slow_tests_names_tests_that_are_there():
    listed = (ROOT / "tests" / "slow.txt").read_text(encoding="utf-8").splitlines()
    for line in listed:
        if not line.startswith("#"):
            path, *names = line.split("::")
            source = (ROOT / path).read_text(encoding="utf-8")
            assert all(f"def {name}(" in source or f"{name} = " in source or name == "runTest"
                       for name in names), line  # fmt: skip
