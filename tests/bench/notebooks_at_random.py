"""Training notebooks at random, with their truth: ``python tests/bench/notebooks_at_random.py``.

Shape, words, order and noise are drawn in five languages. Each notebook is read with the lines of
its draft that are sure, none answered. Printed: sets read that are not in the truth (the bar is 0),
the share of the true sets that was read (the bar is 80 %), and what the lost ones had in common.
All people and exercises are invented.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import io
import random
import sys
import tempfile
import time
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import openpyxl

from forecast.errors import ForecastError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import draft, read_log

EN_MONTHS = "January February March April May June July August September October November December"
WORDS: dict[str, dict[str, Any]] = {
    "en": {
        "athlete": ["Athlete", "Client", "Name", "Who", "Trainee", "Gymnast"],
        "date": ["Date", "Day", "When", "Session date"],
        "rung": ["Exercise", "Movement", "Skill", "Drill", "Station"],
        "value": ["Result", "Done", "Score", "Value", "Marks"],
        "set": ["Set", "Set no", "Attempt"], "clean": ["Clean", "Form ok", "Form"],
        "note": ["Notes", "Remarks"], "coach": ["Coach", "Initials", "Place"],
        "load": ["Load (kg)", "Weight kg"], "yes": ["yes", "y", "x"], "no": ["no", "n"],
        "nth": ["Set {}", "set{}", "{}"], "reps": ["reps", "x"], "other": "Jogging",
        "remarks": ["felt good", "tired", "after school", "new shoes"],
        "rungs": ["Floor lean", "Strict press", "Wall hold", "Ring row"],
        "title": "Training diary", "months": EN_MONTHS, "date_long": "{d} {m} {y}",
    },
    "de": {
        "athlete": ["Athlet", "Sportler", "Wer", "Name", "Turner"],
        "date": ["Datum", "Tag", "Wann"],
        "rung": ["Übung", "Was", "Station"],
        "value": ["Ergebnis", "Wert", "Leistung", "Geschafft"],
        "set": ["Satz", "Versuch"], "clean": ["sauber", "Technik"],
        "note": ["Bemerkung", "Notiz"], "coach": ["Trainer", "Kürzel", "Ort"],
        "load": ["Last (kg)", "Zusatzlast kg"], "yes": ["ja", "x"], "no": ["nein"],
        "nth": ["Satz {}", "{}. Satz"], "reps": ["Wdh", "mal"], "other": "Joggen",
        "remarks": ["lief gut", "müde", "nach der Schule", "kurz"],
        "rungs": ["Bodenstütz", "Enge Presse", "Wandhang", "Ringzug"],
        "title": "Trainingsbuch", "date_long": "{d}. {m} {y}",
        "months": "Januar Februar März April Mai Juni "
        "Juli August September Oktober November Dezember",
    },
    "fr": {
        "athlete": ["Nom", "Athlète", "Élève", "Prénom", "Gymnaste"],
        "date": ["Date", "Jour", "Quand"],
        "rung": ["Exercice", "Mouvement", "Atelier"],
        "value": ["Résultat", "Score", "Fait"],
        "set": ["Série", "Essai"], "clean": ["Propre", "Forme"],
        "note": ["Remarque", "Commentaire"], "coach": ["Entraîneur", "Lieu"],
        "load": ["Charge (kg)", "Lest kg"], "yes": ["oui", "x"], "no": ["non"],
        "nth": ["Série {}", "série{}"], "reps": ["fois", "reps"], "other": "Course",
        "remarks": ["bien", "fatigué", "après les cours", "court"],
        "rungs": ["Appui au sol", "Poussée stricte", "Tenue au mur", "Tirage aux anneaux"],
        "title": "Carnet", "date_long": "{d} {m} {y}",
        "months": "janvier février mars avril mai juin "
        "juillet août septembre octobre novembre décembre",
    },
    "es": {
        "athlete": ["Nombre", "Atleta", "Alumno", "Gimnasta"],
        "date": ["Fecha", "Día"],
        "rung": ["Ejercicio", "Movimiento", "Estación"],
        "value": ["Resultado", "Marca", "Hecho"],
        "set": ["Serie", "Intento"], "clean": ["Limpio", "Técnica"],
        "note": ["Nota", "Observaciones"], "coach": ["Entrenador", "Lugar"],
        "load": ["Carga (kg)", "Lastre kg"], "yes": ["sí", "x"], "no": ["no"],
        "nth": ["Serie {}", "serie{}"], "reps": ["veces", "reps"], "other": "Carrera",
        "remarks": ["bien", "cansado", "después de clase", "corto"],
        "rungs": ["Apoyo en suelo", "Empuje estricto", "Pared fija", "Remo en anillas"],
        "title": "Diario", "date_long": "{d} de {m} de {y}",
        "months": "enero febrero marzo abril mayo junio "
        "julio agosto septiembre octubre noviembre diciembre",
    },
    "it": {
        "athlete": ["Nome", "Atleta", "Allievo", "Ginnasta"],
        "date": ["Data", "Giorno"],
        "rung": ["Esercizio", "Movimento", "Stazione"],
        "value": ["Risultato", "Punteggio", "Fatto"],
        "set": ["Serie", "Tentativo"], "clean": ["Pulito", "Tecnica"],
        "note": ["Note", "Osservazioni"], "coach": ["Allenatore", "Luogo"],
        "load": ["Carico (kg)", "Zavorra kg"], "yes": ["sì", "x"], "no": ["no"],
        "nth": ["Serie {}", "serie{}"], "reps": ["volte", "reps"], "other": "Corsa",
        "remarks": ["bene", "stanco", "dopo la scuola", "breve"],
        "rungs": ["Appoggio a terra", "Spinta stretta", "Tenuta al muro", "Remata agli anelli"],
        "title": "Diario", "date_long": "{d} {m} {y}",
        "months": "gennaio febbraio marzo aprile maggio giugno "
        "luglio agosto settembre ottobre novembre dicembre",
    },
}  # fmt: skip
PEOPLE = [
    "Ann",
    "Bo",
    "Cem",
    "Dora",
    "Ilka",
    "Tamsin",
    "Oskar",
    "Mateo",
    "Zoé",
    "Åse",
    "Pál",
    "Ivo",
]
MEASURES = ("seconds", "reps", "seconds", "reps")
KEYS = ("lean", "press", "wall", "row")
LAYOUTS = {
    "long": 30, "names once": 12, "sets in a cell": 13, "sets side by side": 15,
    "rungs across": 8, "a sheet an athlete": 9, "headings": 5, "days across": 5, "two files": 3,
}  # fmt: skip
"""How often each shape is drawn (judgement: as coaches' notebooks seem to come, no source)."""
Truth = tuple[str, dt.date, str, float, bool, float | None]


@dataclass
class Notebook:
    """Files to read, their ladder, the true sets, and what was drawn."""

    ladder: Ladder
    sheets: dict[str, dict[str, list[list[Any]]]]
    ending: str
    mark: str
    truth: Counter[Truth]
    drawn: dict[str, str] = field(default_factory=dict)

    def write(self, folder: Path) -> list[Path]:
        paths = []
        for stem, sheets in self.sheets.items():
            path = folder / f"{stem}.{self.ending}"
            if self.ending == "xlsx":
                book = openpyxl.Workbook()
                book.remove(book.active)
                for name, rows in sheets.items():
                    tab = book.create_sheet(name)
                    for row in rows:
                        tab.append(row)
                book.save(path)
            else:
                text = io.StringIO()
                (rows,) = sheets.values()
                csv.writer(text, delimiter=self.mark, lineterminator="\n").writerows(rows)
                path.write_text(text.getvalue(), encoding="utf-8")
            paths.append(path)
        return paths


class Pen:
    """One coach's hand: words, order and notation, the same throughout a notebook."""

    def __init__(self, seed: int) -> None:
        self.draw = draw = random.Random(seed)
        self.language = draw.choice(sorted(WORDS))
        self.words = WORDS[self.language]
        self.layout = draw.choices(list(LAYOUTS), list(LAYOUTS.values()))[0]
        book = self.layout in {"a sheet an athlete", "days across"} or draw.random() < 0.4
        self.ending = "xlsx" if book else draw.choice(["csv", "tsv"])
        self.mark = "\t" if self.ending == "tsv" else draw.choice(",;")
        self.value = draw.choices(
            ["plain", "unit", "clock", "decimal", "about"], [50, 20, 12, 10, 8]
        )[0]
        self.between = draw.choice([" / ", "/", ", ", " ", " - ", "; "])
        self.date = draw.choice(["iso", "dots", "slashes", "long", "short", "american", "native"])
        self.clean, self.numbered, self.coach, self.note, self.load = (
            draw.random() < share for share in (0.4, 0.4, 0.25, 0.3, 0.12)
        )
        self.noise = draw.random() < 0.5
        self.title = draw.random() < 0.3
        self.spelling = draw.choice([str, str, str.upper, str.lower])
        self.rungs = dict(zip(KEYS, self.words["rungs"], strict=True))
        self.head = {n: draw.choice(self.words[n]) for n in (
            "athlete", "date", "rung", "value", "set", "clean", "note", "coach", "load", "nth",
            "yes", "no", "reps")}  # fmt: skip

    @property
    def drawn(self) -> dict[str, str]:
        """What was drawn, to sort losses by."""
        names = ("language", "layout", "ending", "value", "date", "noise", "clean", "numbered")
        return {n: str(vars(self)[n]) for n in names} | {
            f"head {n}": self.head[n] for n in ("athlete", "date", "rung", "value", "clean")
        } | ({"between": self.between} if self.layout in {
            "sets in a cell", "rungs across", "days across"} else {})  # fmt: skip

    def day(self, day: dt.date) -> Any:
        month = self.words["months"].split()[day.month - 1]
        return {
            "iso": day.isoformat(),
            "dots": f"{day.day}.{day.month}.{day.year}",
            "slashes": f"{day:%d/%m/%Y}",
            "american": f"{day:%m/%d/%Y}",
            "long": self.words["date_long"].format(d=day.day, m=month, y=day.year),
            "short": f"{day.day} {month[:3]} {day.year}",
            "native": day if self.ending == "xlsx" else day.isoformat(),
        }[self.date]

    def cell(self, value: float, measure: str, *, alone: bool = True) -> Any:
        """Write a value as this coach does; a number stays one in a cell of its own."""
        whole = int(value) if value == int(value) else value
        if self.value == "unit":
            return f"{whole}{'s' if measure == 'seconds' else ' ' + self.head['reps']}"
        if self.value == "clock" and measure == "seconds":
            return f"{int(value) // 60}:{int(value) % 60:02d}"
        if self.value == "about":
            return f"~{whole}"
        if self.value == "decimal" and measure == "seconds":
            return str(float(value)).replace(".", "," if self.language != "en" else ".")
        return whole if alone else str(whole)


def notebook(seed: int) -> Notebook:
    """Draw one notebook."""
    pen = Pen(seed)
    draw = pen.draw
    targets = [draw.choice([10, 15, 20, 30]) if m == "seconds" else draw.choice([5, 8, 10, 12])
               for m in MEASURES]  # fmt: skip
    ladder = Ladder("Invented", tuple(
        Rung(key, pen.rungs[key], "", Criterion(measure, float(target)))  # type: ignore[arg-type]
        for key, measure, target in zip(KEYS, MEASURES, targets, strict=True)
    ))  # fmt: skip
    people = draw.sample(PEOPLE, draw.randint(2, 5))
    sessions = []
    first = dt.date(draw.choice([2023, 2024, 2025]), draw.randint(1, 12), draw.randint(1, 28))
    for day in (
        first + dt.timedelta(days=n * draw.randint(2, 4)) for n in range(draw.randint(6, 14))
    ):
        for who in people:
            for rung in draw.sample(range(4), draw.choice([1, 1, 2])):
                best = max(1, round(targets[rung] * draw.uniform(0.2, 1.1)))
                values = [
                    float(max(1, best - draw.randint(0, 3))) for _ in range(draw.randint(1, 4))
                ]
                if pen.value == "decimal" and MEASURES[rung] == "seconds":
                    values = [v + draw.choice([0.0, 0.2, 0.5, 0.7]) for v in values]
                sessions.append((who, day, rung, values))
    merged: dict[tuple[str, dt.date, int], list[float]] = {}
    for who, day, rung, values in sessions:
        merged.setdefault((who, day, rung), []).extend(values)
    made = {
        "long": long, "names once": long, "a sheet an athlete": long, "headings": long,
        "two files": long, "sets in a cell": in_cells, "sets side by side": side_by_side,
        "rungs across": rungs_across, "days across": days_across,
    }[pen.layout](pen, merged)  # fmt: skip
    sheets, truth = made
    if pen.title:
        rows = next(iter(next(iter(sheets.values())).values()))
        width = max(map(len, rows))
        above = [[f"{pen.words['title']} {first.year}"], []]
        rows[:0] = [row + [None] * (width - len(row)) for row in above]
    return Notebook(ladder, sheets, pen.ending, pen.mark, Counter(truth), pen.drawn)


Sessions = dict[tuple[str, dt.date, int], list[float]]
Made = tuple[dict[str, dict[str, list[list[Any]]]], list[Truth]]


def in_order(pen: Pen, names: list[str]) -> list[str]:
    """Order the columns: usually who, when, what, how much; sometimes anyhow."""
    return names if pen.draw.random() < 0.6 else pen.draw.sample(names, len(names))


def long(pen: Pen, sessions: Sessions) -> Made:
    draw, head = pen.draw, pen.head
    names = ["athlete", "date", "rung", *(["set"] if pen.numbered else []), "value"]
    names += [n for n in ("clean", "load", "note", "coach") if getattr(pen, n)]
    names = in_order(pen, names)
    rows: list[tuple[str, dict[str, Any]]] = []
    truth: list[Truth] = []
    keys = sorted(sessions) if pen.layout in {"names once", "headings"} else list(sessions)
    coach = draw.sample(["JT", "MK", "Hall A", "Kim"], 2)
    for who, day, rung in keys:
        for turn, value in enumerate(sessions[who, day, rung], start=1):
            clean, load = draw.random() < 0.85, draw.choice([2.5, 5, 10])
            row = {"athlete": who, "date": pen.day(day), "set": turn, "note": None,
                   "rung": pen.spelling(pen.rungs[KEYS[rung]]), "coach": draw.choice(coach),
                   "value": pen.cell(value, MEASURES[rung]),
                   "clean": head["yes"] if clean else head["no"], "load": load}  # fmt: skip
            if draw.random() < 0.2:
                row["note"] = draw.choice(pen.words["remarks"])
            fault = draw.random() if pen.noise else 1.0
            if fault < 0.01:
                row["value"] = None
            elif fault < 0.02:
                row["value"] = pen.day(day)  # a date in the wrong column
            elif fault < 0.03:
                row["value"] = "?"
            elif fault < 0.04:
                row["rung"] = pen.words["other"]
            elif fault < 0.05:
                row["value"] = "50 %"
            else:
                truth.append((who, day, KEYS[rung], value, clean if pen.clean else True,
                              float(load) if pen.load else None))  # fmt: skip
            rows.append((who, row))
    if pen.layout == "names once":
        last: dict[str, Any] = {}
        for _, row in rows:
            for n in ("athlete", "date"):
                row[n], last[n] = (None if row[n] == last.get(n) else row[n]), row[n]
    if pen.layout in {"a sheet an athlete", "headings"}:
        names.remove("athlete")
    top = [head[n] for n in names]
    if pen.layout == "a sheet an athlete":
        people = dict.fromkeys(who for who, _ in rows)
        return {"log": {w: [top, *([r[n] for n in names] for who, r in rows if who == w)]
                        for w in people}}, truth  # fmt: skip
    if pen.layout == "headings":
        lines = [top]
        before = None
        for who, row in rows:
            if who != before:
                lines.append([who, *[None] * (len(top) - 1)])
            lines.append([row[n] for n in names])
            before = who
        return {"log": {"Log": lines}}, truth
    lines = [[row[n] for n in names] for _, row in rows]
    if pen.layout == "two files":
        half = len(lines) // 2
        return {"a": {"Log": [top, *lines[:half]]}, "b": {"Log": [top, *lines[half:]]}}, truth
    return {"log": {"Log": [top, *lines]}}, truth


def in_cells(pen: Pen, sessions: Sessions) -> Made:
    names = in_order(pen, ["athlete", "date", "rung", "value", *(["note"] if pen.note else [])])
    lines: list[list[Any]] = [[pen.head[n] for n in names]]
    for (who, day, rung), values in sessions.items():
        row = {"athlete": who, "date": pen.day(day), "rung": pen.spelling(pen.rungs[KEYS[rung]]),
               "value": joined(pen, values, rung), "note": None}  # fmt: skip
        lines.append([row[n] for n in names])
    return {"log": {"Log": lines}}, every_set(sessions)


def joined(pen: Pen, values: list[float], rung: int) -> Any:
    if len(values) == 1:
        return pen.cell(values[0], MEASURES[rung])
    return pen.between.join(str(pen.cell(v, MEASURES[rung], alone=False)) for v in values)


def every_set(sessions: Sessions) -> list[Truth]:
    return [(who, day, KEYS[rung], v, True, None)
            for (who, day, rung), values in sessions.items() for v in values]  # fmt: skip


def side_by_side(pen: Pen, sessions: Sessions) -> Made:
    most = max(map(len, sessions.values()))
    nth = pen.head["nth"]
    names = in_order(pen, ["athlete", "date", "rung"])
    extra = ["coach"] if pen.coach else []
    lines: list[list[Any]] = [[*(pen.head[n] for n in names),
                               *(nth.format(n) for n in range(1, most + 1)),
                               *(pen.head[n] for n in extra)]]  # fmt: skip
    for (who, day, rung), values in sessions.items():
        row = {"athlete": who, "date": pen.day(day), "rung": pen.spelling(pen.rungs[KEYS[rung]])}
        cells = [pen.cell(v, MEASURES[rung]) for v in values]
        lines.append([*(row[n] for n in names), *cells, *[None] * (most - len(cells)),
                      *(pen.draw.choice(["JT", "MK"]) for _ in extra)])  # fmt: skip
    return {"log": {"Log": lines}}, every_set(sessions)


def rungs_across(pen: Pen, sessions: Sessions) -> Made:
    names = in_order(pen, ["athlete", "date"])
    lines: list[list[Any]] = [
        [*(pen.head[n] for n in names), *map(pen.spelling, pen.rungs.values())]
    ]
    for who, day in dict.fromkeys((who, day) for who, day, _ in sessions):
        row = {"athlete": who, "date": pen.day(day)}
        here = [sessions.get((who, day, rung)) for rung in range(4)]
        cells = [None if v is None else joined(pen, v, n) for n, v in enumerate(here)]
        lines.append([*(row[n] for n in names), *cells])
    return {"log": {"Log": lines}}, every_set(sessions)


def days_across(pen: Pen, sessions: Sessions) -> Made:
    days = list(dict.fromkeys(day for _, day, _ in sessions))
    people = list(dict.fromkeys(who for who, _, _ in sessions))
    sheets = {}
    for rung in sorted({rung for _, _, rung in sessions}):
        rows: list[list[Any]] = [[pen.head["athlete"], *map(pen.day, days)]]
        for who in people:
            here = [sessions.get((who, day, rung)) for day in days]
            rows.append([who, *(None if v is None else joined(pen, v, rung) for v in here)])
        sheets[pen.rungs[KEYS[rung]]] = rows
    return {"log": sheets}, every_set(sessions)


@dataclass(frozen=True)
class Outcome:
    """Sets of a notebook read right, read wrong, and all true ones; what else there is to say."""

    right: int
    wrong: list[Truth]
    true: int
    drawn: dict[str, str]
    refused: str = ""
    questions: tuple[str, ...] = ()


def outcome(seed: int, folder: Path) -> Outcome:
    """Read one notebook with what is sure in its draft."""
    book = notebook(seed)
    paths = book.write(folder)
    true = sum(book.truth.values())
    drafted = draft(paths, book.ladder)
    asked = tuple(one.line() for one in drafted.questions)
    try:
        log = read_log(paths, book.ladder, mapping=tomllib.loads(drafted.text()))
    except ForecastError as error:
        return Outcome(0, [], true, book.drawn, str(error).splitlines()[0], asked)
    sets = log.sets
    read = Counter(
        (who, day.date(), rung, round(float(value), 6), bool(clean), None if load != load else load)
        for who, day, rung, value, clean, load in zip(
            sets["athlete"], sets["date"], sets["rung"], sets["value"], sets["clean"],
            sets["load_kg"], strict=True,
        )
    )  # fmt: skip
    wrong = list((read - book.truth).elements())
    return Outcome((read & book.truth).total(), wrong, true, book.drawn, "", asked)


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--notebooks", type=int, default=300)
    asked.add_argument("--seed", type=int, default=0, help="of the first notebook")
    asked.add_argument("--show", type=int, help="print one notebook, its draft and what came of it")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if options.show is not None:
            return show(options.show, Path(folder))
        start = time.process_time()
        done = {n: outcome(n, Path(folder))
                for n in range(options.seed, options.seed + options.notebooks)}  # fmt: skip
    true, right = sum(o.true for o in done.values()), sum(o.right for o in done.values())
    wrong = {n: o for n, o in done.items() if o.wrong}
    print(f"{len(done)} notebooks, {true} true sets, {time.process_time() - start:.0f} s of CPU")
    print(f"read wrong: {sum(len(o.wrong) for o in wrong.values())} sets in {len(wrong)} notebooks")
    print(f"read after the sure answers alone: {right} sets, {100 * right / true:.1f} %")
    for n, one in list(wrong.items())[:20]:
        print(f"  wrong in {n}: {one.wrong[0]}; {one.drawn}")
    lost: Counter[tuple[str, str]] = Counter()
    drawn: Counter[tuple[str, str]] = Counter()
    for one in done.values():
        for pair in one.drawn.items():
            lost[pair] += one.true - one.right
            drawn[pair] += one.true
    print("lost, by what was drawn:")
    for pair in sorted(drawn, key=lambda p: -lost[p] / drawn[p])[:25]:
        print(
            f"  {100 * lost[pair] / drawn[pair]:5.1f} % of {drawn[pair]:6d}  {pair[0]}: {pair[1]}"
        )
    for title, texts in (
        ("refused", [(n, o.refused) for n, o in done.items() if o.refused]),
        ("asked where some were lost", [(n, q) for n, o in done.items() if o.right < o.true
                                        for q in o.questions]),
    ):  # fmt: skip
        print(f"{title}:")
        kinds: dict[str, list[int]] = {}
        for n, text in texts:
            kinds.setdefault(text.partition(" = ")[0][:40], []).append(n)
        for kind, numbers in sorted(kinds.items(), key=lambda pair: -len(pair[1]))[:25]:
            example = next(text for n, text in texts if n == numbers[0] and text.startswith(kind))
            print(f"  {len(numbers):4d}  {example[:150]}  {numbers[:5]}")
    return bool(wrong)


def show(seed: int, folder: Path) -> int:
    book = notebook(seed)
    paths = book.write(folder)
    for stem, sheets in book.sheets.items():
        for name, rows in sheets.items():
            print(f"--- {stem} / {name}")
            for row in rows[:12]:
                print("  ", row)
    print(draft(paths, book.ladder).text())
    print(outcome(seed, folder))
    return 0


if __name__ == "__main__":
    sys.exit(main())
