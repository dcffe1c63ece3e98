"""What each reader is told of one athlete in each state, as one file a reader to be read by eye.

``pytest tests/report/test_golden.py --redraw-golden`` writes them anew.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from made_rows import AS_OF, FIXED_CLUB, row, wait

from forecast.words import captions, for_analyst, for_coach, pages, say

GOLDEN = Path(__file__).parent / "golden"


def coach() -> list[str]:
    club = [
        "# The club",
        *pages.club_answer(FIXED_CLUB),
        *pages.away_people(FIXED_CLUB)[1],
    ]
    sheet = [
        f"{one.athlete} | {one.rung.name} | {said.stands} | {said.weeks} | {said.half_by} | "
        f"{said.state}"
        for one in FIXED_CLUB
        if (said := for_coach(one))
    ]
    cards = [
        text
        for one in FIXED_CLUB
        for text in (f"\n# {one.who}: {one.state}", *pages.paragraphs(one),
                     captions.under_sets(one), captions.of_sets(one), for_coach(one).warnings,
                     "Today: " + " | ".join(pages.today(one, one.seen.best).values()))
    ]  # fmt: skip
    fixed = [pages.text(name) for name in ("nobody_why", "sheet_how", "coach_caution")]
    return [*club, "\n# The sheet", *sheet, "\n# Fixed", *fixed, *pages.HOW_SURE, *cards]


def analyst() -> list[str]:
    told = [(one, for_analyst(one)) for one in FIXED_CLUB]
    fixed = [pages.text(name) for name in ("association", "analyst_end")]
    return [*fixed, *(f"\n# {one.who}: {one.state}\n{said.why}" for one, said in told)]


def athlete() -> list[str]:
    lines = [pages.text("pain_why"), *pages.STOP, pages.text("athlete_end")]
    for one in FIXED_CLUB:
        card = pages.card(
            one, pages.beside_others(13, at_least=False, quarter=6, three_quarters=11)
        )
        own = card.own
        chances = [f"{when}: {chance}" for when, chance in own.chances]
        lines += [f"\n# {one.who}: {one.state}", card.line, card.stands, own.headline, *chances,
                  f"{card.state} {own.why} {card.normal}", own.next_step, card.sure,
                  captions.under_sets(one), pages.message(one, 2),
                  captions.of_chance(one) if one.wait else ""]  # fmt: skip
    return lines


READERS = {"coach": coach, "analyst": analyst, "athlete": athlete}


@pytest.mark.parametrize("reader", READERS)
def test_what_a_reader_is_told_is_what_was_read_by_eye(reader, request):
    told = "\n".join(text for text in READERS[reader]() if text).replace(say.NBSP, " ") + "\n"
    file = GOLDEN / f"{reader}.txt"
    if request.config.getoption("redraw_golden"):
        GOLDEN.mkdir(exist_ok=True)
        file.write_text(told, encoding="utf-8")
    assert told == file.read_text(encoding="utf-8")


def test_no_word_on_what_is_ahead_beside_pain():
    hurts = row(state="pain", hold="pain", wait=None, pain=5.0)
    card = pages.card(hurts, "you are in week 3")
    assert card.own.chances == captions.points(hurts) == ()
    texts = [*pages.paragraphs(hurts), captions.of_sets(hurts), captions.under_sets(hurts),
             card.line, card.stands, card.own.headline, card.normal, card.sure]  # fmt: skip
    told = " ".join(texts).lower()
    assert not any(text in told for text in ("half", "within", "chance", "week 3"))


def test_who_is_likely_soon_is_named():
    likely = dict.fromkeys((4, 8, 12, 26), 0.9)
    soon = pages.club_answer([row("Ada", wait=replace(wait(), chances=likely)), row("Bo")])
    assert soon[1] == "Likely to clear within 4 weeks: Ada · Wall hold (about 9 in 10)."
    assert pages.club_answer([row("Bo")])[1].startswith("Nobody is likely to clear within 4 weeks")
    assert pages.club_answer([])[0] == "No rung is open."


def test_an_athletes_own_changes_leave_out_corrections_of_the_log():
    told = pages.own_changes([("flat", "Toe pulls"), ("log", "")], AS_OF, AS_OF)
    assert told == "Since 1 June: Toe pulls went flat."
