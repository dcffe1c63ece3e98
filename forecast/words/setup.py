"""What ``setup`` says at the prompt, and what flags of a log as it was read look like."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from forecast.log import Draft, TrainingLog, counted, ladder_draft, sanity
from forecast.words import say

SURE_ONLY = (
    "No terminal to ask at: only what is sure was taken. Run setup in a terminal to be asked, or "
    "answer the lines that begin with # in the mapping."
)
ASK = "Answer (a number; s: later; u: undo)"
ASK_FREE = "Answer (in your words; s: later; u: undo)"
ASK_LADDER = (
    'Enter if it is right, or say what is not, such as "1 12" (the mark), "2 seconds", "3 drop"; '
    "u: undo"
)
WHERE = "Where are the exercises named?"
PLACES = {"(sheet)": "the tabs", "(headers)": "a column for each exercise"}
NOT_UNDERSTOOD = "That is not one of the answers; type one of those shown."
NOTHING_BEFORE = "There is nothing to undo yet."
ALMOST_SURELY_WRONG = (
    "This log was almost surely read wrong, so nothing is forecast. Correct the mapping ('setup' "
    "or 'check --draft' asks about it) or, if all is right, put this line into it:\nright = {keys}"
)
RIGHT_AFTER_ALL = "If these are right, put this line into the mapping: right = {keys}"
FIRST, VALUES, ASKED = "Look at these first:", "Values as read:", "A coach would ask:"
SHOWN = 20
"""Longest list or table; the rest is counted."""


def sanity_page(log: TrainingLog) -> tuple[str, str]:
    """Return what to look at before anything else, and the page of values and other questions."""

    def listed(title: str, lines: Sequence[str], end: str) -> str:
        more = [f"and {len(lines) - SHOWN} more."] if lines[SHOWN:] else []
        return "\n".join([title, *lines[:SHOWN], *more, *filter(None, [end])]) if lines else ""

    def asked(title: str, flags: Sequence[Any]) -> str:
        end = RIGHT_AFTER_ALL.format(keys=sanity.keys_of(flags[:SHOWN]))
        return listed(title, [f"  - {flag.reason}" for flag in flags], end)

    page, values = sanity.look_through(log), sanity.as_read(log)
    head, *lines = values.to_string(index=False, float_format="{:g}".format).splitlines()
    table = listed(f"{VALUES}\n{head}", lines if len(values) else [], "")
    first, last = asked(FIRST, page.wrong + page.first), asked(ASKED, page.others)
    return first, "\n\n".join(filter(None, [table, last]))


def measures_open(path: Path, count: int) -> str:
    """Return that a drafted ladder has questions, and what to do."""
    return (
        f"{path}: of {counted(count, 'rung')} nothing in the log tells the measure. Take the # off "
        "the right one, then run 'weeks' on the folder."
    )


def ladder_line(number: int, one: ladder_draft.LikelyRung) -> str:
    """Return a rung of a drafted ladder, with what its mark comes from."""
    mark = say.value(one.rung.criterion.target, one.rung.criterion.measure)
    seen = f"{counted(one.sets, 'set')} of {counted(one.athletes, 'athlete')}, {one.low:g} to"
    doubt = "" if one.sure else "; measure guessed"
    return f"  {number:>2}  {one.rung.name:<24} {mark:<10} {seen} {one.high:g}{doubt}"


def question(left: int, table: str, key: str, why: str) -> str:
    """Return the head of a question about a mapping."""
    place = " ".join(one for one in (f"[{table}]" if table else "", key) if one)
    more = f" ({left} more as it stands)" if left else ""
    return f"{place}{more}" + (f"\n   {say.sentence(why)}" if why else "")


def answer(number: int, shown: str, means: str) -> str:
    """Return an answer that can be given."""
    return f"   {number}  {shown}" + (f"  ({means})" if means else "")


def understood(log: TrainingLog, paths: Sequence[Path], asked: int, drafted: Draft) -> str:
    """Return in ten lines what was understood of a club that was set up."""
    sets, page = log.sets, sanity.look_through(log)
    days = sets["date"].dt.date
    kinds = [f"{count} {kind}" for kind, count in log.rejected["kind"].value_counts().items()]
    counts = sets["rung"].value_counts()
    rungs = [f"{r.name} ({counted(counts.get(r.key, 0), 'set')})" for r in log.ladder.rungs]
    loads, pains = sets["load_kg"].notna().sum(), sets["pain"].notna().sum()
    lines = [
        f"Written: {', '.join(map(str, paths))}.",
        f"Questions answered: {asked}; left in the mapping: {len(drafted.questions)}.",
        f"Rows: {log.rows_in} = {len(sets)} sets + {len(log.rejected)} set aside "
        f"({', '.join(kinds[:8]) or 'none'}).",
        f"Columns: {'; '.join(drafted.notes) or 'all used'}.",
        f"Days: {days.min()} to {days.max()}." if len(sets) else "Days: none.",
        f"Athletes: {', '.join(log.athletes[:8])}{' ...' if log.athletes[8:] else ''}.",
        f"Rungs: {', '.join(rungs[:8])}{' ...' if rungs[8:] else ''}.",
        f"Unclean sets: {(~sets['clean']).sum()}; with help: {sets['assisted'].sum()}; with a "
        f"load: {loads}; with a pain score: {pains}.",
        f"Worth a look: {len(log.warnings)}; to ask about as read: "
        f"{len(page.wrong + page.first + page.others)}.",
        f"Next: read 'check {paths[0].parent}', then correct the marks in the ladder.",
    ]
    return "\n".join(lines)
