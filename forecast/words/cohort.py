"""What the answers to an analyst's questions say: each a function of the answer, made once."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Rung
from forecast.log import counted, in_percent
from forecast.types import Array
from forecast.words import say

FEWER, MORE = "fewer weeks in all", "more weeks in all"
UNKNOWN = "more or fewer in all cannot be told yet"
CONTRASTS = {
    "flat": "chance of being flat 25 points higher",
    "rate": "twice the training days a week",
    "pain": "pain 5 out of 10 that day",
    "log_weeks": "twice as long in the log",
    "just_cleared": "a rung cleared in the last four weeks",
}
"""What is compared of each feature of a training day."""
SAME = "the same for everybody"
TOO_EVEN = "does not vary enough among these athletes"
AUDIT_CAUTION = (
    "This is association: athletes held back longer differ in other ways, and only their pace is "
    "allowed for. A pass mark is never a reason to hurry: straight-arm loading is slow on tendons, "
    "pain stops the session, and the coach on the floor decides; local rules come first."
)
POWER_SCALING = ["prior and log disagree", "prior counts more than the log"]
"""What is said of a constant that leans on its prior: where the log moves it too, and not."""
LITTLE = 0.5
"""Share of the prior uncertainty below which a log is said to have taught little (judgement)."""


def too_many_words(number: int) -> str:
    """Return why a text column cannot be compared."""
    return f"{counted(number, 'different word')}, 2 to 8 can be used"


def too_few_cleared(cleared: int, athletes: int) -> str:
    """Return why a roster column was not looked at."""
    return f"not enough data: {cleared} cleared spells of {athletes} athletes where it is known"


def time_to_clear(result: Any) -> str:
    """Return what curves of the share cleared are made of, and how to read them."""
    n_spells, n_cleared = (int(result.groups[c].sum()) for c in ("n_spells", "n_cleared"))
    lines = [
        f"Weeks to clearing by {result.by}: {counted(n_spells, 'spell')}, {n_cleared} cleared.",
        f"Left out: {counted(len(result.left_out), 'spell')} already under way when the log began, "
        "with an unknown beginning (a roster column 'on_rung_since' would let them in); "
        f"{int(result.groups['entered_late'].sum())} came in late with a known one.",
    ]
    if result.too_few:
        lines.append(_too_few(result, "cleared"))
    if result.curves:
        lines.append(
            "The curves say how soon a rung is cleared by those who keep training: spells that "
            "lapsed count as unfinished; how many lapse is shown apart from this. Bands hold "
            f"{in_percent(result.level)} point by point, not for the whole curve at once."
        )
    return " ".join(lines)


def expected_weeks(rung: Rung, cleared: int, shares: Array | None) -> str:
    """Return how the weeks that a coach expects of a rung stand beside the log's."""
    low, high = rung.usual_weeks or (np.nan, np.nan)
    text = f"{rung.name}: 8 in 10 are expected to take {low:g} to {high:g} weeks"
    if shares is None:
        return f"{text}; no spell from its beginning on in this log says otherwise yet."
    by_low, by_high = (in_percent(share) for share in shares)
    return (
        f"{text}, so 10 % less and 90 % no more; in this log {by_low} had cleared it by {low:g} "
        f"weeks and {by_high} by {high:g} ({cleared} cleared)."
    )


def _too_few(result: Any, end: str) -> str:
    listed = ", ".join(result.names[group] for group in result.too_few)
    least = result.least_spells
    return f"A curve takes {least} spells, one of them {end}; too few for one: {listed}."


def lapse_incidence(result: Any) -> str:
    """Return how to read the shares that ended by clearing and by lapse."""
    if not result.curves and not result.too_few:
        return (
            f"No spell has a known beginning: {result.n_left_out} were under way when the log "
            "began."
        )
    lines = [
        f"Share of spells ended by clearing and by lapse, by {result.by}; the two compete, so "
        "the shares and the share still open add up to 1.",
        f"Left out: {counted(result.n_left_out, 'spell')} under way when the log began.",
    ]
    if result.too_few:
        lines.append(_too_few(result, "ended"))
    if result.by != "rung":
        lines.append(
            "Bands treat spells as independent; with several spells an athlete they are somewhat "
            "too narrow."
        )
    return " ".join(lines)


def slowest(table: pd.DataFrame, least_spells: int) -> str:
    """Return the rung with the fewest clearings for the time at risk, or why none can be named."""
    some = table[table["spells"] >= least_spells]
    if some.empty:
        return f"Too little to compare rungs by: none has {least_spells} spells yet."
    if len(some) == 1:
        return (
            f"Only {some['rung_name'].iloc[0]} has {least_spells} spells yet, so there is no "
            "other rung to compare it with."
        )
    some = some[some["cleared"] > 0]
    if some.empty:
        return "Nobody has cleared a rung that five are on, so none can be called the slowest."
    slow = some.iloc[int(some["weeks_per_clearing"].argmax())]
    every = some["weeks_logged"].sum() / some["cleared"].sum()
    return (
        f"Slowest: {slow['rung_name']}, {slow['weeks_per_clearing']:.0f} weeks at risk for "
        f"each clearing; over all rungs with {least_spells} spells or more it is {every:.0f}."
    )


def bottlenecks(result: Any) -> str:
    """Return which rungs take most of the time."""
    some = result.table[result.table["spells"] >= result.least_spells]
    if len(some) < 2:
        return str(result.slowest)
    most = some.iloc[int(some["share_logged"].argmax())]
    half = (
        f"median {most['median_weeks']:.0f} weeks"
        if np.isfinite(most["median_weeks"])
        else "fewer than half have cleared it while watched"
    )
    flat = "No rung has two sessions of one athlete near enough in time to tell flat weeks."
    rated = some.dropna(subset="flat_share")
    if len(rated):
        flattest = rated.iloc[int(rated["flat_share"].argmax())]
        flat = (
            f"Most often flat: {flattest['rung_name']}, {in_percent(flattest['flat_share'])} of "
            f"the weeks trained on it (gain below {in_percent(result.flat_gain, '.1f')} a week)."
        )
    return (
        f"{result.slowest} {most['rung_name']} takes the most time, "
        f"{in_percent(most['share_logged'])} of all weeks logged ({half}): many may be on it, or "
        f"each for long. {flat} {counted(result.n_left_out, 'spell')} under way when the log began "
        "count toward weeks logged only. Athletes who reach the later rungs are not those who "
        "began: rungs are compared as they are climbed here, not as they would be by everybody."
    )


def pace_and_difficulty(result: Any) -> str:
    """Return which rung is hardest, and how many athletes differ from the cohort."""
    athletes = result.athletes
    if (result.rungs["spells"] > 0).sum() < 2 and len(athletes) < 2:
        return "One athlete on one rung: there is nobody and nothing to compare with yet."
    clear = athletes[(athletes["gain_low"] > 0) | (athletes["gain_high"] < 0)]
    return (
        f"{_hardest(result)} {len(clear)} of {len(athletes)} athletes differ clearly from the "
        "cohort's pace. Effects are shrunk: with little data they are near 0 on purpose. They "
        "describe what was logged, association and not what an athlete is worth."
    )


def _hardest(result: Any) -> str:
    enough = result.rungs["spells"] >= result.least_spells
    some = result.rungs[enough].dropna(subset="watched_weeks")
    if len(some) < 2:
        return (
            "Which rung is hardest cannot be said yet: that takes two rungs with "
            f"{result.least_spells} spells each, some of them cleared."
        )
    hard = some.iloc[int(some["weeks"].fillna(some["watched_weeks"]).argmax())]
    name = f"Hardest rung: {hard['rung_name']}"
    if np.isnan(hard["weeks"]):
        watched = hard["watched_weeks"]
        return f"{name}; fewer than half had cleared it within {watched:.0f} weeks."
    low, high = hard["weeks_low"], hard["weeks_high"]
    ends = f"{low:.0f} to {high:.0f}" if np.isfinite(high) else f"{low:.0f} or later"
    level = in_percent(result.level)
    return f"{name}; half had cleared it by week {hard['weeks']:.0f} ({level} interval {ends})."


def lapse_hazard(result: Any) -> str:
    """Return whether athletes who are flat stop sooner."""
    basis = f"{result.n_lapses} lapses in {result.n_days} training days of {result.n_athletes}"
    if result.effects.empty:
        return (
            f"Not enough data on lapse: {basis} athletes; at least {result.least_lapses} are "
            "needed."
        )
    flat = result.effects.set_index("feature").loc["flat"]
    interval = f"{in_percent(result.level)} interval {flat['low']:.2f} to {flat['high']:.2f}"
    return (
        f"From {basis} athletes: the odds that a training day was the last were "
        f"{flat['odds_ratio']:.2f} times as high where the chance of being flat was 25 points "
        f"higher ({interval}). This is association: whoever is losing interest may go flat because "
        "of it, and coaching may differ where somebody is flat."
    )


def lapse_chance(row: pd.Series) -> str:
    """Return how likely it is that an athlete stops logging within 12 and 26 weeks."""

    def by(week: int) -> str:
        """A chance with its range, unless both ends read the same."""
        ends = ("", "_low", "_high")
        chance, low, high = (say.percent(row[f"lapse_{week}{end}"]) for end in ends)
        return f"{week} weeks {chance}" + (f" ({low} to {high})" if low != high else "")

    text = f"Chance of having stopped logging within {by(12)}, within {by(26)}."
    if row["p_gone"] > 0.2:
        text += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return text


def covariate_effects(result: Any) -> str:
    """Return which roster columns go with the time to clear."""
    # each reason once, with the columns it holds for
    why = result.skipped.groupby("reason", sort=False)["column"].agg(", ".join)
    skipped = "".join(f"{columns}: {reason}. " for reason, columns in why.items()).strip()
    if result.table.empty:
        return f"No roster column could be looked at. {skipped}".strip()
    clear = result.table[result.table["p_holm"] <= 1 - result.level]
    lines = [
        f"{counted(len(result.table), 'effect')} looked at one at a time, within rungs; with so "
        f"many looks, p-values are adjusted (Holm): {len(clear)} stand out."
    ]
    for row in clear.itertuples():
        faster = "sooner" if row.hazard_ratio > 1 else "later"
        lines.append(
            f"{row.column} ({row.contrast}): cleared {faster}, hazard ratio "
            f"{row.hazard_ratio:.2f} ({row.low:.2f} to {row.high:.2f})."
        )
    lines += [f"Left out: {skipped}"] if skipped else []
    return " ".join([*lines, "This is association: who differs in one thing differs in others."])


def criterion_audit(result: Any) -> str:
    """Return what another mark would do, a line a step, and where the order looks wrong."""
    if result.rungs.empty:
        none = "No rung leads on to another, so there is no pass mark to ask about."
        return f"{none}\n{AUDIT_CAUTION}"
    basis = f"Learnt from {counted(result.n_moves, 'move')} to a next rung"
    if result.share_learnt < LITTLE:
        basis += ", too few or too alike to teach much: figures of the next rung are mostly prior"
    other = f"{in_percent(abs(result.change))} {'higher' if result.change > 0 else 'lower'}"
    lines = [f"What a mark {other} would do ({in_percent(result.level)} intervals). {basis}."]
    lines += list(result.frame()["text"])
    for row in result.order[result.order["verdict"] == "order looks wrong"].itertuples():
        first, later = (result.ladder.rung(key).name for key in (row.rung, row.next_rung))
        low, high = in_percent(row.share_low), in_percent(row.share_high)
        lines.append(
            f"{later} was cleared before {first} by {row.cleared_first} of {row.cleared_next} "
            f"({low} to {high}) and no more slowly, as far as can be told: the order looks wrong, "
            "or the earlier rung is not needed."
        )
    return "\n".join([*lines, AUDIT_CAUTION])


def audit_step(row: pd.Series, name: str, later: str, unit: str) -> str:
    """Return what another mark of one rung would do to it and to the next."""

    def weeks(where: str) -> str:
        """A change in whole weeks with its interval."""
        mid, low, high = (round(row[f"weeks_{where}{end}"]) for end in ("", "_low", "_high"))
        return f"{mid:+d} ({low:+d} to {high:+d})"

    marks = f"{name}, {row['other_mark']:.3g} instead of {row['mark']:.3g} {unit}"
    if np.isnan(row["p_fewer"]):
        factor, low, high = (f"{row['next_factor' + end]:.2f}" for end in ("", "_low", "_high"))
        return (
            f"{marks}: {factor} times the weeks on {later} ({low} to {high}); how many weeks that "
            "is cannot be said yet."
        )
    return f"{marks}: {weeks('here')} weeks here, {weeks('next')} on {later}; {row['verdict']}."
