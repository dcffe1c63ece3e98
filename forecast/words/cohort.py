"""What the answers to an analyst's questions say: each a function of the answer, made once."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from forecast.ladder import Rung
from forecast.log import counted, in_percent
from forecast.types import Array
from forecast.words import say
from forecast.words.say import text

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
    late, left = int(result.groups["entered_late"].sum()), counted(len(result.left_out), "spell")
    spells, level = counted(n_spells, "spell"), in_percent(result.level)
    lines = [text("to_clear", by=result.by, spells=spells, cleared=n_cleared, left=left, late=late)]
    lines += [_too_few(result, "cleared")] if result.too_few else []
    lines += [text("to_clear_how", level=level)] if result.curves else []
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
    names = ", ".join(result.names[group] for group in result.too_few)
    return text("too_few", least=result.least_spells, end=end, names=names)


def lapse_incidence(result: Any) -> str:
    """Return how to read the shares that ended by clearing and by lapse."""
    if not result.curves and not result.too_few:
        return text("no_beginning", count=result.n_left_out)
    left = counted(result.n_left_out, "spell")
    lines = [text("ended_how", by=result.by, left=left)]
    lines += [_too_few(result, "ended")] if result.too_few else []
    lines += [text("bands_narrow")] if result.by != "rung" else []
    return " ".join(lines)


def slowest(table: pd.DataFrame, least_spells: int) -> str:
    """Return the rung with the fewest clearings for the time at risk, or why none can be named."""
    some = table[table["spells"] >= least_spells]
    if some.empty:
        return text("slowest_none", least=least_spells)
    if len(some) == 1:
        return text("slowest_one", rung=some["rung_name"].iloc[0], least=least_spells)
    some = some[some["cleared"] > 0]
    if some.empty:
        return text("slowest_uncleared")
    slow = some.iloc[int(some["weeks_per_clearing"].argmax())]
    every = some["weeks_logged"].sum() / some["cleared"].sum()
    return text("slowest", slow=slow, least=least_spells, every=every)


def bottlenecks(result: Any) -> str:
    """Return which rungs take most of the time."""
    some = result.table[result.table["spells"] >= result.least_spells]
    if len(some) < 2:
        return str(result.slowest)
    most = some.iloc[int(some["share_logged"].argmax())]
    half = f"median {most['median_weeks']:.0f} weeks"
    if not np.isfinite(most["median_weeks"]):
        half = text("half_not_cleared")
    flat, rated = text("flat_unknown"), some.dropna(subset="flat_share")
    if len(rated):
        one, gain = (
            rated.iloc[int(rated["flat_share"].argmax())],
            in_percent(result.flat_gain, ".1f"),
        )
        flat = text("flattest", one=one, share=in_percent(one["flat_share"]), gain=gain)
    share, left = in_percent(most["share_logged"]), counted(result.n_left_out, "spell")
    return text(
        "bottlenecks", slowest=result.slowest, most=most, share=share, half=half, flat=flat,
        left=left,
    )  # fmt: skip


def pace_and_difficulty(result: Any) -> str:
    """Return which rung is hardest, and how many athletes differ from the cohort."""
    athletes = result.athletes
    if (result.rungs["spells"] > 0).sum() < 2 and len(athletes) < 2:
        return text("pace_one")
    clear = athletes[(athletes["gain_low"] > 0) | (athletes["gain_high"] < 0)]
    return f"{_hardest(result)} {text('pace_many', clear=len(clear), all=len(athletes))}"


def _hardest(result: Any) -> str:
    enough = result.rungs["spells"] >= result.least_spells
    some = result.rungs[enough].dropna(subset="watched_weeks")
    if len(some) < 2:
        return text("hardest_unknown", least=result.least_spells)
    hard = some.iloc[int(some["weeks"].fillna(some["watched_weeks"]).argmax())]
    if np.isnan(hard["weeks"]):
        return text("hardest_open", hard=hard)
    high = hard["weeks_high"]
    ends = f"to {high:.0f}" if np.isfinite(high) else "or later"
    return text("hardest", hard=hard, level=in_percent(result.level), ends=ends)


def lapse_hazard(result: Any) -> str:
    """Return whether athletes who are flat stop sooner."""
    basis = text("lapse_basis", result=result)
    if result.effects.empty:
        return text("lapse_too_few", basis=basis, least=result.least_lapses)
    flat = result.effects.set_index("feature").loc["flat"]
    return text("lapse_flat", basis=basis, flat=flat, level=in_percent(result.level))


def lapse_chance(row: pd.Series) -> str:
    """Return how likely it is that an athlete stops logging within 12 and 26 weeks."""

    def by(week: int) -> str:
        """A chance with its range, unless both ends read the same."""
        ends = ("", "_low", "_high")
        chance, low, high = (say.percent(row[f"lapse_{week}{end}"]) for end in ends)
        return f"{week} weeks {chance}" + (f" ({low} to {high})" if low != high else "")

    told = f"Chance of having stopped logging within {by(12)}, within {by(26)}."
    if row["p_gone"] > 0.2:
        told += f" Away for {row['weeks_away']:.0f} weeks, perhaps already gone: worth a call."
    return told


def covariate_effects(result: Any) -> str:
    """Return which roster columns go with the time to clear."""
    # each reason once, with the columns it holds for
    why = result.skipped.groupby("reason", sort=False)["column"].agg(", ".join)
    skipped = "".join(f"{columns}: {reason}. " for reason, columns in why.items()).strip()
    if result.table.empty:
        return f"{text('roster_none')} {skipped}".strip()
    clear = result.table[result.table["p_holm"] <= 1 - result.level]
    effects = counted(len(result.table), "effect")
    lines = [text("roster_looked", effects=effects, clear=len(clear))]
    for row in clear.itertuples():
        lines.append(
            text("roster_one", row=row, faster="sooner" if row.hazard_ratio > 1 else "later")
        )
    lines += [f"Left out: {skipped}"] if skipped else []
    return " ".join([*lines, text("roster_end")])


def criterion_audit(result: Any) -> str:
    """Return what another mark would do, a line a step, and where the order looks wrong."""
    if result.rungs.empty:
        return f"{text('audit_none')}\n{text('audit_caution')}"
    basis = text("audit_basis", moves=counted(result.n_moves, "move"))
    basis += text("audit_little") if result.share_learnt < LITTLE else ""
    other = f"{in_percent(abs(result.change))} {'higher' if result.change > 0 else 'lower'}"
    lines = [text("audit_head", other=other, level=in_percent(result.level), basis=basis)]
    lines += list(result.frame()["text"])
    for row in result.order[result.order["verdict"] == "order looks wrong"].itertuples():
        first, later = (result.ladder.rung(key).name for key in (row.rung, row.next_rung))
        low, high = in_percent(row.share_low), in_percent(row.share_high)
        lines.append(text("audit_order", later=later, first=first, row=row, low=low, high=high))
    return "\n".join([*lines, text("audit_caution")])


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
