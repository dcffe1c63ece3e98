"""Writes ``shapes/``: small logs in many shapes, each from one truth, with the truth beside them.

``python tests/log/draw_shapes.py`` writes the same bytes every time. Everything in it is invented.
``truth.csv`` has a row a session: file, athlete, day, rung, values, and what else is to be read.
``files.toml`` says of a file how many sets a draft accepted as written may leave unread
(``lost``), and the answers that read all of it where the first answers do not.
"""

# ruff: noqa: E501
from __future__ import annotations

import csv
import datetime as dt
import gzip
import io
import json
from pathlib import Path

import openpyxl

SHAPES = Path(__file__).parent / "shapes"
DAYS = [dt.date(2026, 3, 30), dt.date(2026, 4, 2), dt.date(2026, 4, 14)]
PEOPLE = ["Ann", "Bo", "Cem"]
LADDER = """\
[ladder]
name = "Invented"
[[rung]]
key = "lean"
name = "Floor lean"
measure = "seconds"
target = 10
[[rung]]
key = "press"
name = "Strict press"
measure = "reps"
target = 8
needs = []
[[rung]]
key = "box_pistol"
name = "Box pistol"
measure = "reps"
target = 10
needs = []
[[rung]]
key = "pistol"
name = "Pistol"
measure = "reps"
target = 5
[[rung]]
key = "reach"
name = "Reach"
measure = "cm"
target = 250
needs = []
"""
MEASURES = {"lean": "s", "press": "reps", "box_pistol": "reps", "pistol": "reps", "reach": "cm"}
Session = tuple[str, dt.date, str, list[int]]


def sessions(*starts: tuple[str, int], sets: int = 2) -> list[Session]:
    """A session for each athlete, day and rung, falling from set to set."""
    return [
        (who, day, rung, [start + p + 2 * d - k for k in range(sets)])
        for p, who in enumerate(PEOPLE)
        for d, day in enumerate(DAYS)
        for rung, start in starts
    ]


BOTH = sessions(("lean", 8), ("press", 5))
REPS = sessions(("press", 5))
HOLDS = sessions(("lean", 8), sets=3)
ONE = sessions(("lean", 8), ("press", 5), sets=1)
PISTOLS = sessions(("box_pistol", 6), ("pistol", 3))
REACHES = [(w, d, "reach", [230 + n, 215 + n]) for n, (w, d, _, _) in enumerate(HOLDS)]
NAMES = {"lean": "Floor lean", "press": "Strict press", "box_pistol": "Box pistol",
         "pistol": "Pistol", "reach": "Reach"}  # fmt: skip
MONTHS = {"de": ["März", "April"], "fr": ["mars", "avril"], "es": ["marzo", "abril"],
          "it": ["marzo", "aprile"], "en": ["March", "April"]}  # fmt: skip
HEADS = {
    "en": ["Client", "Date", "Exercise", "Result"],
    "de": ["Sportler", "Datum", "Übung", "Ergebnis"],
    "fr": ["Nom", "Jour", "Exercice", "Résultat"],
    "es": ["Nombre", "Fecha", "Ejercicio", "Resultado"],
    "it": ["Nome", "Data", "Esercizio", "Risultato"],
}
FOREIGN = {
    "de": {"lean": "Boden-Lehne", "press": "Striktes Drücken", "box_pistol": "Kastenpistole",
           "pistol": "Pistole", "reach": "Reichweite"},
    "fr": {"lean": "Inclinaison au sol", "press": "Poussée stricte",
           "box_pistol": "Pistol sur caisse", "pistol": "Pistol", "reach": "Allonge"},
    "es": {"lean": "Inclinación en el suelo", "press": "Empuje estricto",
           "box_pistol": "Pistola al cajón", "pistol": "Pistola", "reach": "Alcance"},
    "it": {"lean": "Inclinazione a terra", "press": "Spinta rigorosa",
           "box_pistol": "Pistol sulla panca", "pistol": "Pistol", "reach": "Allungo"},
}  # fmt: skip
Shape = dict
SHAPE: dict[str, Shape] = {}


def add(name, content, truth=BOTH, lost=0, answers="", roster=False, told=""):
    """Enter a shape: its content, the sessions in it, and what is left unread at first."""
    assert name not in SHAPE
    SHAPE[name] = {"content": content, "truth": truth, "lost": lost, "answers": answers,
                   "roster": roster, "told": told}  # fmt: skip


def lines(head, rows, mark=","):
    out = io.StringIO()
    csv.writer(out, delimiter=mark, lineterminator="\n").writerows([head, *rows] if head else rows)
    return out.getvalue()


def long(truth, cell=str, day=str, name=NAMES.get, number=False):
    return [
        [w, day(d), name(r), *([k] if number else []), cell(v)]
        for w, d, r, values in truth
        for k, v in enumerate(values, start=1)
    ]


def joined(truth, mark, day=str, name=NAMES.get):
    return [[w, day(d), name(r), mark.join(map(str, values))] for w, d, r, values in truth]


def spelled(language):
    return lambda d: f"{d.day}. {MONTHS[language][d.month - 3]} {d.year}" if language == "de" else (
        f"{d.day} {'de ' if language == 'es' else ''}{MONTHS[language][d.month - 3]}"
        f"{' de' if language == 'es' else ''} {d.year}"
    )  # fmt: skip


def european(d):
    return f"{d.day}.{d.month}.{d.year}"


def of(who, truth=BOTH):
    return [row[1:] for row in long([s for s in truth if s[0] == who], cell=int)]


H = HEADS["en"]
ALL = sum(len(s[3]) for s in BOTH)


def count(truth):
    return sum(len(values) for *_, values in truth)


# languages: words of headers, months and exercises
for language, head in HEADS.items():
    names = FOREIGN.get(language, NAMES).get
    add(f"{language}_long.csv", lines(head, long(BOTH, day=spelled(language), name=names), ";"))
    add(
        f"{language}_pistols.csv",
        lines(head, long(PISTOLS, day=spelled(language), name=names)),
        PISTOLS,
    )
    add(
        f"{language}_lists.csv",
        lines(head, joined(HOLDS, " / ", spelled(language), names), ";"),
        HOLDS,
    )
    rows = [[w, european(d), names(r), *v] for w, d, r, v in BOTH]
    word = {"en": "Set", "de": "Satz", "fr": "Série", "es": "Serie", "it": "Serie"}[language]
    add(f"{language}_wide.csv", lines([*head[:3], f"{word} 1", f"{word} 2"], rows, ";"))
    ticks = {"en": ("yes", "no"), "de": ("ja", "nein"), "fr": ("oui", "non"), "es": ("sí", "no"),
             "it": ("sì", "no")}[language]  # fmt: skip
    form = {"en": "Form", "de": "Sauber", "fr": "Propre", "es": "Limpio", "it": "Pulito"}[language]
    rows = [[*row, ticks[n % 3 == 0]] for n, row in enumerate(long(BOTH, day=european, name=names))]
    add(f"{language}_form.csv", lines([*head, form], rows, ";"), told="form")

# a sheet an athlete
EXTRA = ["Date", "Exercise", "Result", "clean", "Coach", "Place"]


def tabs(extra=True, truth=BOTH):
    beside = [["yes", "Kit", "hall"], ["no", "Lou", "park"]]
    return {w: [EXTRA if extra else EXTRA[:3],
                *([*row, *(beside[n % 3 == 0] if extra else [])] for n, row in enumerate(of(w, truth)))]
            for w in PEOPLE}  # fmt: skip


add("tabs.xlsx", tabs(False))
add("tabs_with_form_and_coach.xlsx", tabs(), told="form")
add("tabs_with_form_and_roster.xlsx", tabs(), roster=True, told="form")
add("tabs_and_a_plan.xlsx", {**tabs(False), "Plan": [["Plan"], ["rest more"]]})
strange = {w: [["Date", "Exercise", "Result", "Q"], *([*r, ["Kit", "Lou"][n % 2]] for n, r in enumerate(of(w)))]
           for w in PEOPLE}  # fmt: skip
add("tabs_and_a_column_of_names.xlsx", strange, lost=ALL)
add("tabs_and_a_column_of_names_roster.xlsx", strange, roster=True)
add("tabs_of_rungs.xlsx", {r: [["Name", "Date", "Result"],
    *([w, d, v] for w, d, q, values in BOTH if q == r for v in values)] for r in ("lean", "press")})  # fmt: skip
add("tabs_of_months.xlsx", {m: [H, *([w, d, r, v] for w, d, r, values in BOTH for v in values if d.month == n)]
    for m, n in (("March", 3), ("April", 4))})  # fmt: skip
two = {"Log": [["Name", *EXTRA[:3]], *(["Ann", *row] for row in of("Ann")), *(["Bo", *row] for row in of("Bo"))],
       "Cem": [EXTRA[:3], *of("Cem")]}  # fmt: skip
add(
    "two_sheets_one_without_names.xlsx",
    two,
    lost=ALL,
    answers='columns.athlete = ["Name", "(sheet)"]',
)
add("two_sheets_two_languages.xlsx", {"Eins": [HEADS["de"], *([w, d, FOREIGN["de"][r], v] for w, d, r, values in BOTH
    if w != "Cem" for v in values)], "Two": [H, *([w, d, NAMES[r], v] for w, d, r, values in BOTH if w == "Cem"
    for v in values)]})  # fmt: skip
add("two_sheets_wide_and_long.xlsx", {"A": [H, *([w, d, NAMES[r], v] for w, d, r, values in BOTH if w == "Ann"
    for v in values)], "B": [["Client", "Date", "Exercise", "set 1", "set 2"], *([w, d, NAMES[r], *values]
    for w, d, r, values in BOTH if w != "Ann")]})  # fmt: skip

# columns of numbers
measured = [
    [w, d, NAMES[r], *([v, ""] if r == "press" else ["", v])] for w, d, r, vs in BOTH for v in vs
]
add("reps_and_time.csv", lines([*H[:3], "Reps", "Time"], measured))
add("reps_and_time_with_sets.csv", lines([*H[:3], "Set", "Reps", "Time"], [[*row[:3], n % 2 + 1, *row[3:]]
    for n, row in enumerate(measured)]))  # fmt: skip
add("two_measures_unnamed.csv", lines([*H[:3], "A", "B"], measured))
add("set_numbers_unnamed.csv", lines([*H[:3], "a", "b"], long(BOTH, number=True)))
shuffled = [row for k in (1, 2) for row in long(BOTH, number=True) if row[3] == k]
add("set_numbers_unnamed_shuffled.csv", lines([*H[:3], "a", "b"], shuffled))
add("set_numbers_named.csv", lines([*H[:3], "No.", "Result"], long(BOTH, number=True)))
add("value_unnamed_with_notes.csv", lines([*H[:3], "n", "x"], long(BOTH, lambda v: f"{v} (red band)", number=True)),
    told="band")  # fmt: skip
add("bodyweight_beside.csv", lines([*H, "Bodyweight"], [[*row, 70] for row in long(BOTH)]))
add("age_and_q.csv", lines([*H[:3], "Q", "Age"], [[*row, 31] for row in long(BOTH)]))
add("two_unknown_numbers.csv", lines([*H[:3], "Q", "Z"], [[*row, 9 + n % 4] for n, row in enumerate(long(BOTH))]),
    lost=ALL)  # fmt: skip
add("pairs_of_hundreds.csv", lines(H, joined(REACHES, ",")), REACHES, lost=count(REACHES),
    answers='cells."1,234" = "sets"')  # fmt: skip
add("pairs_of_hundreds_decimal_comma.csv", lines([*H, "Load"], [[*row, "2,5"] for row in joined(REACHES, ",")], ";"),
    REACHES, lost=count(REACHES), answers='cells."1,234" = "sets"\nread.decimal = ","')  # fmt: skip
loads = [[w, d, NAMES[r], f"{len(v)}x{v[0]}.5", 15] for w, d, r, v in HOLDS]
HALVES = [(w, d, r, [v[0] + 0.5] * len(v)) for w, d, r, v in HOLDS]
add("sets_hold_the_values.csv", lines([*H[:3], "sets", "load (lb)"], loads), HALVES, told="load")
add(
    "a_unit_a_row.csv",
    lines([*H, "Unit"], [[*row, MEASURES[s[2]]] for s in BOTH for row in long([s])]),
)
minutes = [
    [w, d, NAMES[r], v / 60 if r == "lean" else v, "min" if r == "lean" else "reps"]
    for w, d, r, vs in [("Ann", DAYS[0], "lean", [60, 90]), ("Ann", DAYS[1], "press", [6])]
    for v in vs
]
add("units_that_differ.csv", lines([*H, "Unit"], minutes), [("Ann", DAYS[0], "lean", [60, 90]),
    ("Ann", DAYS[1], "press", [6])])  # fmt: skip
add("sets_times_reps.csv", lines([*H[:3], "Sets", "Reps"], [[w, d, NAMES[r], 2, v[0]] for w, d, r, v in REPS]),
    [(w, d, r, [v[0]] * 2) for w, d, r, v in REPS])  # fmt: skip
add("slashes.csv", lines(H, joined(BOTH, "/")), lost=ALL, answers='cells."10/9" = "sets"')
add("times.csv", lines(H, [[w, d, NAMES[r], f"3x{v[0]}"] for w, d, r, v in REPS]),
    [(w, d, r, [v[0]] * 3) for w, d, r, v in REPS], lost=3 * len(REPS))  # fmt: skip

# names above blocks
blocks = [row for w in PEOPLE for row in ([w, "", ""], *of(w))]
add("names_above_blocks.csv", lines(EXTRA[:3], blocks))
add(
    "names_above_blocks_own_headers.csv",
    "".join(f"{w}\n{lines(EXTRA[:3], of(w))}\n" for w in PEOPLE),
)
add("names_above_blocks_roster.csv", lines(EXTRA[:3], blocks), roster=True)
add("rungs_above_blocks.csv", lines(["Name", "Date", "Result"], [row for r in ("lean", "press")
    for row in ([NAMES[r], "", ""], *([w, d, v] for w, d, q, vs in BOTH if q == r for v in vs))]))  # fmt: skip
once = [[w if n == 0 else "", d, NAMES[r], v] for w in PEOPLE
        for n, (d, r, v) in enumerate((d, r, v) for p, d, r, vs in BOTH if p == w for v in vs)]  # fmt: skip
add("names_once.csv", lines(H, once))
add(
    "title_above.xlsx",
    {"Log": [["Our club"], [], H, *([w, d, NAMES[r], v] for w, d, r, vs in BOTH for v in vs)]},
)

# side by side
across = [[d, NAMES[r], *(next(s[3][0] for s in ONE if s[:3] == (w, d, r)) for w in PEOPLE)]
          for d in DAYS for r in ("lean", "press")]  # fmt: skip
add("athletes_across.csv", lines(["Date", "Exercise", *PEOPLE], across), ONE)
add("athletes_across_roster.csv", lines(["Date", "Exercise", *PEOPLE], across), ONE, roster=True)
add("athletes_across_and_weather.csv", lines(["Date", "Exercise", *PEOPLE, "Weather"],
    [[*row, ["sun", "rain"][n % 2]] for n, row in enumerate(across)]), ONE)  # fmt: skip
weekly = [(w, dt.date(2026, 1, 5) + dt.timedelta(weeks=n), r, [8 + p + n])
          for p, w in enumerate(PEOPLE) for r in ("lean", "press") for n in range(4)]  # fmt: skip
weeks = [
    [w, NAMES[r], *(s[3][0] for s in weekly if (s[0], s[2]) == (w, r))]
    for w in PEOPLE
    for r in ("lean", "press")
]
for word in ("Wk", "Woche", "Semaine"):
    head = {"Wk": H, "Woche": HEADS["de"], "Semaine": HEADS["fr"]}[word]
    add(f"weeks_{word.lower()}.csv", lines([head[0], head[2], *(f"{word} {n}" for n in range(1, 5))], weeks),
        weekly, lost=count(weekly), answers="read.start = 2026-01-05")  # fmt: skip
add("days_across.csv", lines(["Name", *map(str, DAYS)], [[w, *(s[3][0] for s in sessions(("lean", 8)) if s[0] == w)]
    for w in PEOPLE]), sessions(("lean", 8), sets=1), lost=9, answers='columns.rung = "(file)"\nvalues.rung.days_across = "lean"')  # fmt: skip
add("rungs_across.csv", lines(["Date", "Name", "Floor lean", "Strict press"], [[d, w, *(next(s[3][0] for s in ONE
    if s[:3] == (w, d, r)) for r in ("lean", "press"))] for d in DAYS for w in PEOPLE]), ONE)  # fmt: skip

# files of other kinds
records = [
    {"athlete": w, "date": str(d), "rung": r, "value": v} for w, d, r, vs in BOTH for v in vs
]
add("records.jsonl", "\n".join(map(json.dumps, records)) + "\n")
add("records.json", json.dumps(records, indent=1))
nested = {
    "sets": [
        {"client": w, "day": str(d), "exercise": NAMES[r], "result": vs} for w, d, r, vs in HOLDS
    ]
}
add("nested.json", json.dumps(nested), HOLDS)
add("long.csv.gz", lines(H, long(BOTH)))
add("records.jsonl.gz", "\n".join(map(json.dumps, records)) + "\n")
add("tabs_between.tsv", lines(H, long(BOTH), "\t"))

# sides, loads, remarks
sided = [[w, d, NAMES[r], f"{v}x{k} L, {v + 1}x{k} R"] for w, d, r, (v, k) in PISTOLS]
both = [[w, d, NAMES[r], f"4x{v} L, 4x{v + 1} R"] for w, d, r, (v, _) in PISTOLS]
add("sides_with_sets.csv", lines(H, both), [(w, d, r, [v] * 4) for w, d, r, (v, _) in PISTOLS],
    lost=4 * len(PISTOLS))  # fmt: skip
add("band_behind.csv", lines(H, [[w, d, NAMES[r], f"3x{v[0]} @ band"] for w, d, r, v in REPS]),
    [(w, d, r, [v[0]] * 3) for w, d, r, v in REPS], lost=3 * len(REPS), told="band")  # fmt: skip
remarks = ["", "sloppy", "spotted by Kit", "elbow sore", "felt good", "not sore"]
add(
    "notes_tell.csv",
    lines([*H, "Notes"], [[*row, remarks[n % 6]] for n, row in enumerate(long(BOTH))]),
    told="notes",
)
germans = ["", "unsauber", "mit Band", "Schmerzen im Ellbogen", "gut", "keine Schmerzen"]
add("notes_tell_de.csv", lines([*HEADS["de"], "Bemerkung"], [[*row, germans[n % 6]] for n, row in
    enumerate(long(BOTH, name=FOREIGN["de"].get))]), told="notes_de")  # fmt: skip

# a diary
add("diary.txt", "\n\n".join(f"{d:%A} {d.day} {d:%B} {d.year}: Ann did {NAMES['lean']} {v[0]}s, {v[1]}s and "
    f"{NAMES['press']} {p[0]}, {p[1]}." for (_, d, _, v), (_, _, _, p) in
    ((BOTH[2 * n], BOTH[2 * n + 1]) for n in range(3))) + "\n", [s for s in BOTH if s[0] == "Ann"],
    lost=12, answers='read.athlete = "Ann"')  # fmt: skip
add("phone_note.txt", "\n".join(["\n".join([f"{d.day} {d:%B} {d.year}", *(line for w in PEOPLE for line in (f"{w}:",
    *(f"- {NAMES[r]} {', '.join(map(str, v))}" for p, e, r, v in BOTH if (p, e) == (w, d))))]) for d in DAYS]))  # fmt: skip

# headers that say another thing
add("name_is_the_exercise.csv", lines(["Who", "Date", "Name", "Result"], long(BOTH)))
add(
    "done_is_an_answer.csv",
    lines([*H[:3], "Done", "Time"], [[*row[:3], "yes", row[3]] for row in long(BOTH)]),
)
add("day_is_a_weekday.csv", lines(["Client", "Day", "When", "Exercise", "Result"],
    [[r[0], f"{dt.date.fromisoformat(r[1]):%a}", *r[1:]] for r in long(BOTH)]))  # fmt: skip
add("client_is_the_coach.csv", lines(["Coach", *H], [["Kit", *row] for row in long(BOTH)]))
add("no_headers_we_know.csv", lines(["aa", "bb", "cc", "dd"], long(BOTH)), lost=ALL)
add("no_headers_we_know_roster.csv", lines(["aa", "bb", "cc", "dd"], long(BOTH)), roster=True)
add("mistyped_rungs.csv", lines(H, long(BOTH, name={"lean": "Floor leen", "press": "strict-pres"}.get)),
    lost=count([s for s in BOTH if s[2] == "lean"]))  # fmt: skip
add("rungs_in_part.csv", lines(H, long(BOTH, name={"lean": "lean", "press": "press-ups"}.get)),
    lost=count(REPS), answers='values.rung."press-ups" = "press"')  # fmt: skip


def write(path: Path, content) -> None:
    if isinstance(content, dict):
        made = openpyxl.Workbook()
        made.remove(made.active)
        made.properties.created = made.properties.modified = dt.datetime(2026, 1, 1)
        for name, rows in content.items():
            sheet = made.create_sheet(name)
            for row in rows:
                sheet.append(list(row))
        made.save(path)
        made.close()
    elif path.suffix == ".gz":
        path.write_bytes(gzip.compress(content.encode(), mtime=0))
    else:
        path.write_text(content, encoding="utf-8")


def main() -> None:
    SHAPES.mkdir(exist_ok=True)
    for old in SHAPES.iterdir():
        old.unlink()
    truth, files = [["file", "athlete", "date", "rung", "values"]], []
    for name, shape in SHAPE.items():
        write(SHAPES / name, shape["content"])
        truth += [[name, w, d, r, " ".join(map(str, v))] for w, d, r, v in shape["truth"]]
        files.append(f'["{name}"]\nlost = {shape["lost"]}')
        files += [f"answers.{line}" for line in shape["answers"].splitlines()]
        files += ["roster = true"] if shape["roster"] else []
        files += [f'told = "{shape["told"]}"'] if shape["told"] else []
    (SHAPES / "truth.csv").write_text(lines(None, truth), encoding="utf-8")
    (SHAPES / "files.toml").write_text("\n".join(files) + "\n", encoding="utf-8")
    (SHAPES / "ladder.toml").write_text(LADDER, encoding="utf-8")
    (SHAPES / "roster.csv").write_text("athlete\n" + "\n".join(PEOPLE) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
