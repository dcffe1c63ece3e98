"""What each reader is told of one athlete in each state, as one file a reader to be read by eye.

``pytest tests/report/test_golden.py --redraw-golden`` writes them anew.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from made_rows import AS_OF, FIXED_CLUB, row, wait

from forecast import words

GOLDEN = Path(__file__).parent / "golden"


def coach() -> list[str]:
    club = ["# The club", *words.club_answer(FIXED_CLUB), *words.away_people(FIXED_CLUB)[1]]
    sheet = [
        f"{one.athlete} | {one.rung.name} | {said.stands} | {said.weeks} | {said.half_by} | "
        f"{said.state}"
        for one in FIXED_CLUB
        if (said := words.for_coach(one))
    ]
    cards = [
        text
        for one in FIXED_CLUB
        for text in (f"\n# {one.who}: {one.state}", *words.paragraphs(one), words.under_sets(one),
                     words.of_sets(one), words.warnings(one))
    ]  # fmt: skip
    fixed = [words.page_text(name) for name in ("nobody_why", "sheet_how", "coach_caution")]
    return [*club, "\n# The sheet", *sheet, "\n# Fixed", *fixed, *words.HOW_SURE, *cards]


def analyst() -> list[str]:
    told = [(one, words.for_analyst(one)) for one in FIXED_CLUB]
    fixed = [words.page_text(name) for name in ("association", "analyst_end")]
    return [*fixed, *(f"\n# {one.who}: {one.state}\n{said.why}" for one, said in told)]


def athlete() -> list[str]:
    lines = [words.page_text("pain_why"), *words.STOP, words.page_text("athlete_end")]
    for one in FIXED_CLUB:
        card = words.card(
            one, words.beside_others(13, at_least=False, quarter=6, three_quarters=11)
        )
        chances = [f"{when}: {chance}" for when, chance in card.chances]
        lines += [f"\n# {one.who}: {one.state}", card.line, card.stands, card.headline, *chances,
                  f"{card.state}. {card.why} {card.normal}", card.next_step, card.sure,
                  words.under_sets(one), words.of_chance(one) if one.wait else ""]  # fmt: skip
    return lines


READERS = {"coach": coach, "analyst": analyst, "athlete": athlete}


@pytest.mark.parametrize("reader", READERS)
def test_what_a_reader_is_told_is_what_was_read_by_eye(reader, request):
    told = "\n".join(text for text in READERS[reader]() if text).replace(words.NBSP, " ") + "\n"
    file = GOLDEN / f"{reader}.txt"
    if request.config.getoption("redraw_golden"):
        GOLDEN.mkdir(exist_ok=True)
        file.write_text(told, encoding="utf-8")
    assert told == file.read_text(encoding="utf-8")


def test_no_word_on_what_is_ahead_beside_pain():
    hurts = row(state="pain", hold="pain", wait=None, pain=5.0)
    card = words.card(hurts, "you are in week 3")
    assert card.chances == words.points(hurts) == ()
    texts = [*words.paragraphs(hurts), words.of_sets(hurts), words.under_sets(hurts), card.line,
             card.stands, card.headline, card.normal, card.sure]  # fmt: skip
    told = " ".join(texts).lower()
    assert not any(text in told for text in ("half", "within", "chance", "week 3"))


def test_who_is_likely_soon_is_named():
    likely = dict.fromkeys((4, 8, 12, 26), 0.9)
    soon = words.club_answer([row("Ada", wait=replace(wait(), chances=likely)), row("Bo")])
    assert soon[1] == "Likely to clear within 4 weeks: Ada · Wall hold (about 9 in 10)."
    assert words.club_answer([row("Bo")])[1].startswith("Nobody is likely to clear within 4 weeks")
    assert words.club_answer([])[0] == "No rung is open."


def test_an_athletes_own_changes_leave_out_corrections_of_the_log():
    told = words.own_changes([("flat", "Toe pulls"), ("log", "")], AS_OF, AS_OF)
    assert told == "Since 1 June: Toe pulls went flat."
