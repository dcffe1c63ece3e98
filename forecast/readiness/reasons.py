"""What drives each forecast, in words and numbers; and how much to trust it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forecast.histories import ABSENCE_DAYS, PAIN
from forecast.ladder import Rung
from forecast.log import counted, in_percent
from forecast.readiness.marks import LAST_SESSIONS
from forecast.readiness.result import DIGITS, REASON_COLUMNS
from forecast.readiness.shown import SURPRISING

UNITS = {"seconds": "s", "reps": "reps", "kg": "kg", "cm": "cm"}
THIN_SESSIONS = 5
THIN_COMPARABLE = 5
LONG_WAIT_WEEKS = 2.0
TOO_WIDE = 0.2
"""An 80 % range of the gain wider than this a week is no measurement worth a middle."""


def warning_text(facts: pd.DataFrame) -> pd.Series:
    """Return one sentence list a row on why a forecast is wide or needs a look; empty if neither.

    ``facts``: ``sessions, comparable, wait_weeks, pain, load_known, nothing_counts, met_of,
    met_lately, met_expected, met_sd``, one row an open rung.
    """
    notes = pd.DataFrame(
        {
            "untried": np.where(facts["sessions"] == 0, "no session on this rung yet", ""),
            "thin": np.where(
                facts["sessions"].between(1, THIN_SESSIONS - 1), "few sessions on this rung", ""
            ),
            "alone": np.where(
                facts["comparable"] < THIN_COMPARABLE, "few others have cleared this rung", ""
            ),
            "away": np.where(facts["wait_weeks"] > LONG_WAIT_WEEKS, "not trained lately", ""),
            "pain": np.where(facts["pain"] >= PAIN, "pain noted lately: stop and refer", ""),
            "nothing_counts": facts["nothing_counts"],
            "met": [met_words(fact) for fact in facts.itertuples(index=False)],
            "unweighed": np.where(
                facts["load_known"].astype(bool),
                "",
                "load not checked: no body mass in the roster",
            ),
        }
    )
    joined = ["; ".join(text for text in row if text) for row in notes.itertuples(index=False)]
    return pd.Series(joined, index=facts.index, dtype="str")


def met_words(fact: Any) -> str:
    """Say how many of the latest sessions met beside what was expected; empty where chance does.

    ``fact`` holds ``met_of, met_lately, met_expected, met_sd``.
    """
    off = abs(fact.met_lately - fact.met_expected)
    if not off > max(SURPRISING * fact.met_sd, 1.0):
        return ""
    return (
        f"met in {fact.met_lately:.0f} of the last {fact.met_of:.0f}; the model expected "
        f"{fact.met_expected:.0f}"
    )


def confidence_words(facts: pd.DataFrame) -> np.ndarray:
    """Return ``good``, ``fair`` or ``thin`` a row, from how much record there is."""
    thin = (facts["sessions"] < THIN_SESSIONS) | (
        (facts["comparable"] == 0) & (facts["sessions"] < 3 * THIN_SESSIONS)
    )
    good = (facts["sessions"] >= 2 * THIN_SESSIONS) & (facts["comparable"] >= THIN_COMPARABLE)
    return np.select([thin, good], ["thin", "good"], default="fair")


def reason_rows(facts: pd.DataFrame, rungs: dict[str, Rung]) -> pd.DataFrame:
    """Return the reasons, several rows an open rung; ``rungs`` are the ladder's by key."""
    rows: list[tuple] = []
    # Rounded before any sentence is made: last bits depend on who else is asked about.
    numbers = facts.select_dtypes("float").columns
    facts = facts.assign(**{name: facts[name].round(DIGITS) for name in numbers})
    for fact in facts.itertuples(index=False):
        rung = rungs[fact.rung]
        rows.extend((fact.athlete, fact.rung, *rest) for rest in _one(fact, rung))
    table = pd.DataFrame(rows, columns=list(REASON_COLUMNS))
    return table.assign(value=table["value"].astype(float).round(DIGITS))


def _one(fact: Any, rung: Rung) -> list[tuple[str, float, str, str]]:
    """Reasons of one open rung: what, value, unit, text."""
    unit, target = UNITS[rung.criterion.measure], rung.criterion.target
    counts = np.isfinite(fact.usual)
    level = fact.usual if counts else fact.level_value
    whole = counts and rung.criterion.measure == "reps"
    shown = "1 rep" if whole and level == 1 else f"{level:.{0 if whole else 1}f} {unit}"
    out = [
        (
            "level",
            level,
            unit,
            f"stands at about {shown} on a usual day; the pass mark is {target:g} {unit}"
            if counts
            else f"no set of the last {LAST_SESSIONS} sessions counted: the level is put at about "
            f"{shown}; the pass mark is {target:g} {unit}",
        ),
        ("gain", 100 * fact.gain_lately, "% a week", _gain(fact)),
    ]
    if fact.sessions == 0:
        out = [
            (
                "level",
                level,
                unit,
                f"has no session here yet: the start is guessed at about {shown} from other "
                "athletes and other rungs",
            )
        ]
    else:
        out += _training(fact)
    if rung.criterion.confirm_sessions > 1:
        out.append(
            (
                "run",
                float(fact.run),
                "sessions",
                f"has met the mark in {fact.run} of the "
                f"{rung.criterion.confirm_sessions} sessions in a row that it takes",
            )
        )
    out.append(
        (
            "comparable",
            float(fact.comparable),
            "spells",
            f"{counted(int(fact.comparable), 'cleared spell')} of others on this rung to "
            "compare with",
        )
    )
    return out


def _gain(fact: Any) -> str:
    """Gain as measured and as expected; only the range where it says little more."""
    low, mid, high, ahead = (
        f"{round(100 * gain, 1) + 0.0:+.1f}"
        for gain in (fact.gain_lately_low, fact.gain_lately, fact.gain_lately_high, fact.gain_ahead)
    )
    expected = f"{ahead} % a week is expected"
    if fact.gain_lately_high - fact.gain_lately_low > TOO_WIDE:
        return f"too little to measure a gain (80 % range {low} to {high} % a week); {expected}"
    return f"gained about {mid} % a week lately (80 % range {low} to {high}); {expected}"


def _training(fact: Any) -> list[tuple[str, float, str, str]]:
    out: list[tuple[str, float, str, str]] = []
    if said := met_words(fact):
        out.append(("met", float(fact.met_lately), "sessions", said))
    if fact.break_days > 0:
        out.append(
            ("break", fact.break_days, "days", f"with a break of {fact.break_days:.0f} days")
        )
    return [
        ("attendance", fact.rate, "sessions a week",
         f"trained this rung {fact.rate:.1f} times a week lately"),
         *out,
         ("away", fact.wait_weeks, "weeks", _away(fact)),
        ("clean", 100 * fact.clean_share, "%",
         f"{in_percent(fact.clean_share)} of recent sets were clean and unassisted"),
        ("pace", 100 * fact.athlete_pace, "% a week",
         "other rungs say this athlete is "
         + _faster(fact.athlete_pace) + " than the cohort"),
        ("difficulty", 100 * fact.rung_pace, "% a week",
         "the rung itself goes " + _faster(fact.rung_pace) + " than the others"),
    ]  # fmt: skip


def _away(fact: Any) -> str:
    """When the rung was last trained; of an absence, also how those before it ended."""
    if 7.0 * fact.wait_weeks <= ABSENCE_DAYS:
        return f"last trained it {fact.wait_weeks:.1f} weeks ago"
    text = f"away from it for {counted(round(fact.wait_weeks), 'week')}; "
    if fact.back_known == 0:
        return text + "no absence that ended in this log was as long, so the return is a guess"
    within = counted(round(max(fact.back_weeks, 1.0)), "week")
    return text + (
        f"of those who came back after as long an absence, half were back within {within} "
        f"({counted(int(fact.back_known), 'such absence')} in the log)"
    )


def _faster(gain: float) -> str:
    if abs(gain) < 0.002:
        return "neither quicker nor slower"
    return f"{100 * abs(gain):.1f} % a week {'quicker' if gain > 0 else 'slower'}"
