"""Thirty logs in as many styles, written from one truth, read with one drafted mapping at most.

The styles follow descriptions of how people log; every file is invented.
"""

from __future__ import annotations

import datetime as dt
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field

import openpyxl
import pytest

from forecast.__main__ import main
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import describe_log, draft, read_log

LADDER = Ladder(
    "Invented",
    (
        Rung("lean", "Floor lean", "", Criterion("seconds", 10.0)),
        Rung("press", "Strict press", "", Criterion("reps", 8.0), needs=()),
        Rung("reach", "Reach", "", Criterion("cm", 150.0), needs=()),
    ),
)
DAYS = [dt.date(2026, 3, 30), dt.date(2026, 4, 2), dt.date(2026, 4, 14), dt.date(2026, 4, 17)]
PEOPLE = ["Ann", "Bo", "Cem"]
Session = tuple[str, dt.date, str, list[int]]
SESSIONS: list[Session] = [
    (who, day, rung, [start + p + d - k for k in range(2 + (p + d) % 3)])
    for d, day in enumerate(DAYS)
    for p, who in enumerate(PEOPLE)
    for rung, start in (("lean", 8), ("press", 5))
]
LEAN = [s for s in SESSIONS if s[2] == "lean"]
PRESS = [s for s in SESSIONS if s[2] == "press"]
ALIKE = [(who, day, rung, [sets[0]] * len(sets)) for who, day, rung, sets in SESSIONS]
THREE = [(who, day, rung, [sets[0], sets[0] - 1, sets[0] - 2]) for who, day, rung, sets in SESSIONS]


LADDER_TOML = """[ladder]
name = "Invented"
[[rung]]
key = "lean"
measure = "seconds"
target = 10
[[rung]]
key = "press"
measure = "reps"
target = 8
needs = []
"""


@dataclass
class Style:
    """How a log is written: its files, the lines one edits in the draft, and what it must be."""

    files: Callable
    truth: list[Session] = field(default_factory=lambda: SESSIONS)
    edits: tuple[tuple[str, str], ...] = ()
    extra: Callable = lambda sets: None
    rejected: tuple[str, ...] = ()


def text(name, head, rows, mark=","):
    def write(folder):
        lines = [head, *rows] if head else list(rows)
        cells = [mark.join(map(str, line)) if not isinstance(line, str) else line for line in lines]
        (folder / name).write_text("\n".join(cells) + "\n", encoding="utf-8")
        return [folder / name]

    return write


def book(**sheets):
    def write(folder):
        made = openpyxl.Workbook()
        made.remove(made.active)
        for name, rows in sheets.items():
            sheet = made.create_sheet(name.replace("_", " "))
            for row in rows:
                sheet.append(list(row))
        made.save(folder / "log.xlsx")
        made.close()
        return [folder / "log.xlsx"]

    return write


def long(sessions, cell=str, day=str, name=str):
    return [[who, day(d), name(r), cell(v)] for who, d, r, sets in sessions for v in sets]


def joined(sessions, mark, quote='"'):
    return [[w, d, r, f"{quote}{mark.join(map(str, sets))}{quote}"] for w, d, r, sets in sessions]


def wide(sessions, day=str):
    return [[w, day(d), r, *sets, *[""] * (4 - len(sets))] for w, d, r, sets in sessions]


def european(d):
    return f"{d.day}.{d.month}.{d.year}"


def once(rows, *columns):
    """Leave out what is the same as above in these columns."""
    last, made = {}, []
    for row in rows:
        new = list(row)
        for column in columns:
            if last.get(column) == row[column]:
                new[column] = None
            last[column] = row[column]
        made.append(new)
    return made


def language(head, lean, press, months, clean):
    """A semicolon file in a language: long dates, a word for clean in every row."""
    rows = []
    for who, d, r, sets in SESSIONS:
        day = f"{d.day} {months[d.month - 3]} {d.year}"
        name = {"lean": lean, "press": press}[r]
        rows += [[who, day, name, v, clean[k > 0]] for k, v in enumerate(sets)]

    def check(sets):
        assert list(sets.sort_values("row")["clean"]) == [
            k == 0 for *_, values in SESSIONS for k in range(len(values))
        ]

    edits = [(f'# "{lean}" = ', f'"{lean}" = "lean"'), (f'# "{press}" = ', f'"{press}" = "press"')]
    return Style(text("log.csv", head, rows, ";"), edits=tuple(edits), extra=check)


def by_athlete():
    return {w: [["Date", "Exercise", "Done"], *((d, r, v) for p, d, r, s in SESSIONS
                if p == w for v in s)] for w in PEOPLE}  # fmt: skip


def by_month():
    head = ["Client", "Date", "Exercise", "Result"]
    return {m: [head, *(row for row in long(SESSIONS, int, lambda d: d) if row[1].month == n)]
            for m, n in (("March", 3), ("April", 4))}  # fmt: skip


def whiteboard(rung):
    rows = [[w, *(" ".join(map(str, s)) for p, _, r, s in SESSIONS if (p, r) == (w, rung))]
            for w in PEOPLE]  # fmt: skip
    return [["Name", *DAYS], *rows]


def one_row_a_session():
    rows = []
    for d in DAYS:
        for w in PEOPLE:
            cells = [" / ".join(map(str, s)) for p, e, _, s in THREE if (p, e) == (w, d)]
            rows.append([d, w, *cells])
    return rows


def files_by_athlete(folder):
    made = []
    for w in PEOPLE:
        rows = [["date", "exercise", "result"], *(r[1:] for r in long(SESSIONS) if r[0] == w)]
        made += text(f"{w}.csv", None, [",".join(map(str, row)) for row in rows])(folder)
    return made


def headed():
    rows = []
    for w in PEOPLE:
        rows += [[w, None, None]] + [[d, r, v] for p, d, r, s in SESSIONS if p == w for v in s]
    return rows


def sides(sessions, cell):
    return [[w, d, r, cell(v, v + 2)] for w, d, r, sets in sessions for v in sets]


def all_are(column, value):
    def check(sets):
        assert set(sets[column]) == {value}

    return check


def phone_note(folder):
    """A note typed on a phone: a day, a name, then exercises with their sets."""
    lines = []
    for d in DAYS:
        lines += ["", f"{d:%a} {d.day} {d:%B} {d.year}"]
        for w in PEOPLE:
            lines += [f"{w}:"]
            for p, e, r, s in SESSIONS:
                if (p, e) == (w, d):
                    lines += [
                        f"- {'Floor lean' if r == 'lean' else 'press'} {', '.join(map(str, s))}"
                    ]
    return text("note.txt", None, lines)(folder)


HEAD = ["athlete", "date", "rung", "value"]
WIDE = ["Name", "Date", "Exercise", "set1", "set2", "set3", "set4"]
STYLES = {
    "tidy": Style(text("log.csv", HEAD, long(SESSIONS))),
    "own words, tabs": Style(
        text("log.tsv", ["Client", "Day", "Movement", "Score"],
             long(SESSIONS, name={"lean": "FLOOR LEAN", "press": "strict-press"}.get), "\t")
    ),
    "sets side by side": Style(text("log.csv", WIDE, wide(SESSIONS))),
    "sets side by side, German": Style(
        text("log.csv", ["Sportler", "Datum", "Übung", "1. Satz", "2. Satz", "3. Satz", "4. Satz"],
             wide(SESSIONS, european), ";")
    ),
    "several in a cell": Style(text("log.csv", HEAD, joined(THREE, ",")), THREE),
    "several in a cell, blanks": Style(text("log.csv", HEAD, joined(SESSIONS, " ")),),
    "several in a cell, two readings": Style(
        text("log.csv", HEAD, joined(SESSIONS, "/")), edits=(('# "10/9"', '"10/9" = "sets"'),)
    ),
    "sets times value": Style(
        text("log.csv", HEAD, [[w, d, r, f"{len(s)}x{s[0]}"] for w, d, r, s in ALIKE]), ALIKE,
        edits=(('# "3x10"', '"3x10" = "sets x value"'),),
    ),
    "number of sets in a column": Style(
        text("log.csv", ["Name", "Date", "Exercise", "Sets", "Reps"],
             [[w, d, r, len(s), s[0]] for w, d, r, s in ALIKE if r == "press"]),
        [s for s in ALIKE if s[2] == "press"],
    ),
    "a sheet an athlete": Style(book(**by_athlete())),
    "a sheet a month, and a plan": Style(book(**by_month(), Plan=[["Plan"], ["rest more"]])),
    "titles, names once": Style(
        book(Log=[["Our club"], [], ["Season", 2026], [],
                  ["Name", "Date", "Exercise", "Result", "Remarks"],
                  *once(long(sorted(SESSIONS, key=lambda s: s[0]), int, lambda d: d), 0, 1)])
    ),
    "whiteboard: days across, a sheet a rung": Style(
        book(lean=whiteboard("lean"), press=whiteboard("press")),
    ),
    "one row a session, rungs across": Style(
        text("log.csv", ["Date", "Name", "Floor lean (s)", "Strict press"], one_row_a_session()),
        THREE,
    ),
    "remarks behind the value": Style(
        text("log.csv", HEAD, long(SESSIONS, lambda v: f"{v} (red band)")),
        extra=all_are("assist", "red band"),
    ),
    "load behind the value": Style(
        text("log.csv", HEAD, long(PRESS, lambda v: f"{v} @ 15kg")), PRESS,
        extra=all_are("load_kg", 15.0),
    ),
    "alone, then with a band": Style(
        text("log.csv", HEAD, [[w, d, r, f"{s[0]}+2 band"] for w, d, r, s in PRESS]),
        [(w, d, r, [s[0], 2]) for w, d, r, s in PRESS],
        edits=(('# "5+2"', '"5+2" = "sets"'),),
        extra=lambda sets: [all_are("assisted", True)(sets[sets["set"] == 2]),
                            all_are("assisted", False)(sets[sets["set"] == 1])],
    ),
    "left and right in a cell": Style(
        text("log.csv", HEAD, sides(SESSIONS, lambda a, b: f"{b}/{a} L/R"))
    ),
    "left and right in columns": Style(
        text("log.csv", [*HEAD[:3], "left", "right"], sides(SESSIONS, lambda a, b: f"{a},{b}"))
    ),
    "left and right in rows": Style(
        text("log.csv", [*HEAD, "Side"], [row for w, d, r, s in SESSIONS for v in s
                                          for row in ((w, d, r, v + 1, "L"), (w, d, r, v, "R"))])
    ),
    "about": Style(text("log.csv", HEAD, long(SESSIONS, lambda v: f"~{v}"))),
    "metres and feet": Style(
        text("log.csv", HEAD, [*(["Ann", d, "reach", f"1.{k}5 m"] for k, d in enumerate(DAYS)),
                               *(["Bo", d, "reach", f"{k}'6"] for k, d in enumerate(DAYS, 4))]),
        [*(("Ann", d, "reach", [100 + 10 * k + 5]) for k, d in enumerate(DAYS)),
         *(("Bo", d, "reach", [(12 * k + 6) * 2.54]) for k, d in enumerate(DAYS, 4))],
    ),
    "reps and load a set": Style(
        text("log.csv", [*HEAD[:3], *(f"set {k} {u}" for k in (1, 2) for u in ("reps", "kg"))],
             [[w, d, r, s[0], 5, s[1], 7.5] for w, d, r, s in PRESS]),
        [(w, d, r, s[:2]) for w, d, r, s in PRESS],
        extra=lambda sets: all_are("load_kg", 7.5)(sets[sets["set"] == 2]),
    ),
    "a file an athlete": Style(files_by_athlete),
    "names as headings": Style(book(Log=[["Date", "Exercise", "Result"], *headed()])),
    "a phone note": Style(phone_note),
    "dates without a year": Style(
        text("log.csv", HEAD, long(SESSIONS, day=lambda d: f"{d.day} {d:%b}")),
        edits=(("# year =", "year = 2026"),),
    ),
    "merged heads, ditto marks": Style(
        book(Log=[["Name", "Date", "Exercise", "Sets", None, None, None],
                  [None, None, None, 1, 2, 3, 4],
                  *([*('"' if c is None else c for c in row[:3]), *row[3:]]
                    for row in once([[w, d, r, *s] for w, d, r, s in SESSIONS], 0, 1))])
    ),
    "other exercises between": Style(
        text("log.csv", HEAD, [*long(SESSIONS), *(["Ann", d, "Jogging", 20] for d in DAYS)]),
        edits=(("# ignore", 'ignore = ["Jogging"]'),), rejected=("ignored",) * 4,
    ),
    "one person's own": Style(
        text("log.csv", ["day", "exercise", "result"], [row[1:] for row in long(SESSIONS[::6])]),
        SESSIONS[::6], edits=(("# athlete =", 'athlete = "Ann"'),),
    ),
    "French": language(["Nom", "Jour", "Exercice", "Résultat", "Propre"], "Planche", "Pompe",
                       ["mars", "avril"], ["oui", "non"]),
    "Spanish": language(["Nombre", "Fecha", "Ejercicio", "Resultado", "Limpio"], "Plancha",
                        "Flexión", ["de marzo", "de abril"], ["sí", "no"]),
    "Italian": language(["Nome", "Data", "Esercizio", "Risultato", "Pulito"], "Asse",
                        "Piegamento", ["marzo", "aprile"], ["sì", "no"]),
    "Portuguese": language(["Aluno", "Dia", "Exercício", "Resultado", "Limpo"], "Prancha",
                           "Flexão", ["março", "abril"], ["sim", "não"]),
    "Dutch": language(["Naam", "Dag", "Oefening", "Resultaat", "Schoon"], "Steun", "Opdrukken",
                      ["maart", "april"], ["ja", "nee"]),
    "Swedish": language(["Namn", "Datum", "Övning", "Resultat", "Rent"], "Planka", "Armhävning",
                        ["mars", "april"], ["ja", "nej"]),
    "Danish": language(["Navn", "Dato", "Øvelse", "Resultat", "Ren"], "Planke", "Armbøjning",
                       ["marts", "april"], ["ja", "nej"]),
    "Polish": language(["Zawodnik", "Dzień", "Ćwiczenie", "Wynik", "Czysto"], "Deska", "Pompka",
                       ["marca", "kwietnia"], ["tak", "nie"]),
}  # fmt: skip


def edited(draft, edits):
    """Edit as a person would: one line an edit."""
    lines = draft.splitlines()
    for start, new in edits:
        at = [n for n, line in enumerate(lines) if line.startswith(start)]
        assert len(at) == 1, f"{start!r} in {len(at)} lines of\n{draft}"
        lines[at[0]] = new
    return tomllib.loads("\n".join(lines))


@pytest.mark.parametrize("name", STYLES)
def test_a_log_in_this_style_is_read_as_it_was_meant(tmp_path, name):
    style = STYLES[name]
    paths = style.files(tmp_path)
    mapping = edited(draft(paths, LADDER).text(), style.edits)
    assert len(style.edits) <= 5
    log = read_log(paths, LADDER, mapping=mapping)
    told = describe_log(log).text
    assert log.rows_in == len(log.sets) + len(log.rejected)
    assert tuple(log.rejected["kind"]) == style.rejected, told
    sets = log.sets
    found = sorted(zip(sets["athlete"], sets["date"].dt.date, sets["rung"], sets["value"],
                       strict=True))  # fmt: skip
    wanted = sorted((w, d, r, float(v)) for w, d, r, values in style.truth for v in values)
    assert [f[:3] for f in found] == [w[:3] for w in wanted], told
    assert [f[3] for f in found] == pytest.approx([w[3] for w in wanted])
    style.extra(sets)


def command(*arguments):
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert not end.value.code


def test_a_stranger_s_path(tmp_path, capsys):
    """From a European workbook to a clean account: two commands, five edited lines."""
    rows = [
        [w, european(d), {"lean": "Stütz", "press": "Drücken"}[r], f"{s[0]}/{s[1]}", "Gummi", "JT"]
        for w, d, r, s in SESSIONS
    ]
    jogging = [["Ann", european(d), "Joggen", 20, None, None] for d in DAYS]
    head = ["Sportler", "Datum", "Übung", "Ergebnis", "Hilfe", "Kürzel"]
    (path,) = book(
        Plan=[["Woche", "Ziel"]],
        Protokoll=[["Vereinsbuch"], [], head, *once(rows, 0, 1), [], *jogging],
    )(tmp_path)
    ladder = tmp_path / "ladder.toml"
    ladder.write_text(LADDER_TOML, encoding="utf-8")
    drafted = tmp_path / "mapping.toml"
    start = time.perf_counter()
    run = ["check", str(path), "--ladder", str(ladder)]
    command(*run, "--draft", str(drafted))
    edits = [
        ('# "Stütz"', '"Stütz" = "lean"'),
        ("# ignore", 'ignore = ["Joggen"]'),
        ('# "10/9"', '"10/9" = "sets"'),
        ('# "gummi"', '"gummi" = "band"'),
    ]
    lines = drafted.read_text("utf-8").splitlines()
    for begins, new in edits:
        (at,) = [n for n, line in enumerate(lines) if line.casefold().startswith(begins.casefold())]
        lines[at] = new
    drafted.write_text("\n".join(lines), encoding="utf-8")
    capsys.readouterr()
    command(*run, "--mapping", str(drafted))
    said = capsys.readouterr().out
    assert f"{2 * len(SESSIONS) + 5} rows in = {2 * len(SESSIONS)} sets + 5 rejected." in said
    assert "4 rows" in said
    assert "not a rung, as the mapping says under ignore" in said
    assert "1 row (" in said, "the blank line"
    assert time.perf_counter() - start < 60


def test_there_are_thirty():
    assert len(STYLES) >= 30
