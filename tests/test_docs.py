"""The pages tell the truth: modules, priors, commands, options, links and examples."""

from __future__ import annotations

import doctest
import importlib
import importlib.util
import inspect
import re
import shlex
from pathlib import Path

import pytest

import forecast
from forecast.__main__ import COMMANDS, function_of, main
from forecast.ladder_file import _RungTable
from forecast.log.mapping import OPTIONAL, REQUIRED

ROOT = Path(forecast.__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").rglob("*.md"))]
MODULES = sorted((ROOT / "forecast").rglob("*.py"))


@pytest.fixture(scope="module")
def refresh():
    spec = importlib.util.spec_from_file_location("refresh", ROOT / "docs" / "refresh.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def commands_in(text: str) -> list[list[str]]:
    """Every ``python -m forecast ...`` in a page's code, as words."""
    found = re.findall(r"python -m forecast (?!\.)([a-z][^`\n]*?)(?: -->|`|$)", text, re.M)
    return [shlex.split(line.split("&&")[0].rstrip("\\ ")) for line in found]


# generated parts ----------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_tables_agree_with_the_code(refresh, page):
    text = page.read_text(encoding="utf-8")
    assert refresh.refreshed(text, outputs=False) == text, "run: python docs/refresh.py --tables"


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


def test_pasted_output_is_there(refresh):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = [*refresh._RUN.finditer(readme), *refresh._CODE.finditer(readme)]
    assert len(blocks) == readme.count("<!-- run")
    assert all(len(block["old"].splitlines()) > 5 for block in blocks)


def test_a_part_of_an_output_is_marked_as_one(refresh):
    assert refresh.parts_of("a\nb\nc\nd\ne\n", "1-2,4") == "a\nb\n...\nd\n"


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
    guide = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
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
    assert len(pages) >= 4
    assert [page for page in pages if not (ROOT / "docs" / page).exists()] == []
    on_disk = {p.relative_to(ROOT / "docs").as_posix() for p in (ROOT / "docs").rglob("*.md")}
    assert on_disk == set(pages)


def test_the_log_columns_of_the_guide_are_those_of_the_reader():
    text = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    part = text[text.index("### The log") : text.index("### The mapping")]
    named = set(re.findall(r"`([a-z_]+)`", "".join(re.findall(r"^\| ([^|]+) \|", part, re.M))))
    assert named == {*REQUIRED, *OPTIONAL}


def test_the_ladder_keys_of_the_guide_are_those_of_the_reader():
    text = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    part = text[text.index("### The ladder") : text.index("### The log")]
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
