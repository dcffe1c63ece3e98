"""Are the pass marks and the order of the rungs right? The audit, and what it says in words."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from forecast.cohort.audit.hinge import HingeFit
from forecast.cohort.audit.moves import find_moves
from forecast.cohort.audit.order import order_table, return_table
from forecast.cohort.audit.pass_marks import (
    ALL_RUNGS,
    MARK,
    MIN_ATHLETES,
    MIN_CLEARED,
    MIN_CLEARED_PER_STEP,
    MIN_MOVES,
    NO_SIGN,
    PAYS,
    TOO_FEW,
    audit_rungs,
)
from forecast.cohort.records import Records, Shown, as_histories
from forecast.errors import check_level, check_seed
from forecast.ladder import Ladder
from forecast.log import counted, in_percent

_CAUTION = (
    "This is association: athletes held back longer differ in other ways, and only their earlier "
    "pace is allowed for. A pass mark is never a reason to hurry: straight-arm loading is slow on "
    "tendons, pain stops the session, and the coach on the floor decides; local rules come first."
)


LEAST_RANGE = 0.01
"""Of the values moved on at, in parts of the mark: less would be said as "1.00 to 1.00"."""


@dataclass(frozen=True, slots=True)
class CriterionAudit(Shown):
    """What the log says about pass marks, order, and going back.

    Attributes
    ----------
    rungs
        One row a rung that leads on to others and one for all rungs together: ``rung, moves,
        athletes, cleared_next, lapsed_next``, ``moves_used`` (those to a rung that four or more
        have cleared since); ``margin_low, margin_mid, margin_high`` (10, 50 and
        90 % points of value over target when moving on); ``confirming_mid``; ``weeks_factor``
        (weeks on the next rung per 10 % more margin, with ``_low``, ``_high``);
        ``confirm_factor`` (the same per further session that met the criterion);
        ``lapse_factor`` (rate of lapse from the next rung per 10 % more margin); ``mark,
        mark_low, mark_high`` (value over target from which on more margin no longer shortens
        the next rung); ``p_effect, p_bend, p_claim, p_holm``; ``shortage``; ``verdict``: ``mark``,
        ``keeps paying``, ``no sign`` or ``not enough data``.
    order
        See ``order.order_table``.
    returns
        See ``order.return_table``.
    fits
        Hinge fits by rung, with their profiles.
    no_margin
        Moves left out because the last sessions were stopped at the target.
    ladder
        The ladder audited.
    alpha, level
        Chance of a false pass mark on the whole ladder, and level of the intervals.
    """

    rungs: pd.DataFrame
    order: pd.DataFrame
    returns: pd.DataFrame
    fits: dict[str, HingeFit] = field(repr=False)
    no_margin: int
    ladder: Ladder = field(repr=False)
    alpha: float
    level: float

    def frame(self) -> pd.DataFrame:
        """Return the rungs' table with a sentence beside each verdict (``text``)."""
        return self.rungs.assign(text=[self._sentence(row) for _, row in self.rungs.iterrows()])

    def profile(self) -> pd.DataFrame:
        """Return ``rung, mark, loss``: twice the log likelihood lost by each mark, for charts."""
        parts = [
            pd.DataFrame(
                {"rung": key, "mark": np.exp(fit.profile[:, 0]), "loss": fit.profile[:, 1]}
            )
            for key, fit in self.fits.items()
        ]
        columns = ["rung", "mark", "loss"]
        return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)

    @property
    def text(self) -> str:
        """The audit in sentences: a line a rung with a verdict, one for all without."""
        told = self.frame()
        told = told[told["verdict"] != TOO_FEW]
        lines = [*told["text"], *self._without_verdict()]
        if self.no_margin:
            lines.append(
                f"{counted(self.no_margin, 'move')} left out: the last sessions before were "
                "stopped at the target, so what was in reserve is unknown."
            )
        for _, row in self.order[self.order["verdict"] == "order looks wrong"].iterrows():
            lines.append(
                f"{self._name(row['next_rung'])} was cleared before {self._name(row['rung'])} by "
                f"{row['cleared_first']} of {row['cleared_next']} ({_share_range(row)}) and no "
                "more slowly, as far as can be told: the order looks wrong, or the earlier "
                "rung is not needed."
            )
        for _, row in self.returns[self.returns["went_back"] > 0].iterrows():
            lines.append(
                f"{row['went_back']} of {row['moves']} went back from "
                f"{self._name(row['next_rung'])} to {self._name(row['rung'])} "
                f"({_share_range(row)}), "
                f"{row['below_target']} of them below its target."
            )
        return "\n".join([*lines, _CAUTION])

    def _without_verdict(self) -> list[str]:
        """Which rungs have no verdict and what one takes, in a sentence; none where all have."""
        rows = self.rungs[self.rungs["verdict"] == TOO_FEW]
        short = rows[rows["shortage"] != ""]
        takes = (
            f"a verdict takes {MIN_MOVES} moves, {MIN_CLEARED} of them cleared since, and "
            f"{MIN_ATHLETES} athletes who moved on at different values"
        )
        whole = self.rungs[self.rungs["rung"] == ALL_RUNGS].iloc[0]
        if not whole["moves_used"]:
            return [
                "Not enough data on any pass mark: there is no move to judge from, as one counts "
                f"once {MIN_CLEARED_PER_STEP} or more have cleared the next rung, and {takes}."
            ]
        if len(short) == len(self.rungs):
            return [
                f"Not enough data on any pass mark: {takes}, and all rungs together have "
                f"{counted(int(whole['moves_used']), 'move')} that can be used.",
                *self._what_fits(whole),
            ]
        lines = self._what_fits(whole) if whole["verdict"] == TOO_FEW else []
        if len(short):
            names = ", ".join(self._title(key) for key in short["rung"])
            lines.append(f"Not enough data, as {takes}: {names}.")
        vague = rows[rows["shortage"] == ""]["rung"]
        if len(vague):
            names = ", ".join(self._title(key) for key in vague)
            lines.append(f"Enough moves, but not enough data to tell an effect from none: {names}.")
        return lines

    def _what_fits(self, whole: pd.Series) -> list[str]:
        """What can be told of all rungs together without a verdict: the marks left possible."""
        low, high = whole["margin_low"], whole["margin_high"]
        if not high - low >= LEAST_RANGE:
            return []
        seen = (
            f"moved on at {low:.2f} to {high:.2f} of the mark (8 in 10 of them; by the best clean "
            "sets of their last sessions)"
        )
        if whole["shortage"]:
            return [
                f"What can be told over all rungs: athletes {seen}, and too few did to tell these "
                "values apart, so any mark between them fits this log as well as the present one."
            ]
        low, high = max(low, whole["mark_low"]), min(high, whole["mark_high"])
        return [
            f"What can be told over all rungs: athletes {seen}, and any mark between {low:.2f} and "
            f"{high:.2f} of the present one fits this log ({in_percent(self.level)} interval, as "
            "far as was tried)."
        ]

    def _title(self, key: str) -> str:
        return "all rungs together" if key == ALL_RUNGS else self._name(key)

    def _name(self, key: str) -> str:
        return self.ladder.rung(key).name

    def _value(self, key: str, ratio: float) -> str:
        """A margin as a value of the rung, or in per cent of the target over all rungs."""
        if key == ALL_RUNGS:
            return f"{in_percent(ratio)} of the target"
        mark = self.ladder.rung(key).criterion
        return f"{ratio * mark.target:.3g} {mark.measure}"

    def _sentence(self, row: pd.Series) -> str:
        key = str(row["rung"])
        name = "All rungs together" if key == ALL_RUNGS else self._name(key)
        if row["shortage"]:
            return f"{name}: not enough data ({row['shortage']})."
        mid, low, high = (
            in_percent(row[f"weeks_factor{end}"] - 1, "+.0f") for end in ("", "_low", "_high")
        )
        factor = f"{mid} weeks on the next rung per 10 % more ({low} to {high})"
        if row["verdict"] == MARK:
            return (
                f"{name}: moving on with more in reserve goes with less time on the next rung up "
                f"to about {self._value(key, row['mark'])} ({self._limits(key, row)}); beyond it, "
                f"waiting longer shows no further gain."
            )
        if row["verdict"] == PAYS:
            return (
                f"{name}: more in reserve goes with less time on the next rung over all values "
                f"seen ({factor}); no mark beyond which it stops can be told."
            )
        if row["verdict"] == NO_SIGN:
            return f"{name}: no sign that more in reserve shortens the next rung ({factor})."
        if not np.isfinite(row["weeks_factor_high"]):
            return f"{name}: not enough data to tell, with {row['moves_used']} moves to go by."
        return f"{name}: not enough data to tell ({factor} from {row['moves_used']} moves)."

    def _limits(self, key: str, row: pd.Series) -> str:
        """The interval of the mark in words; an end left open is named as such."""
        low, high = row["mark_low"], row["mark_high"]
        start = "no lower limit" if low <= 0 else self._value(key, low)
        end = "no upper limit" if np.isinf(high) else self._value(key, high)
        return f"{in_percent(self.level)} interval {start} to {end}"


def _share_range(row: pd.Series) -> str:
    return f"{in_percent(row['share_low'])} to {in_percent(row['share_high'])}"


def criterion_audit(
    records: Records,
    as_of: pd.Timestamp | str | None = None,
    *,
    alpha: float = 0.05,
    level: float = 0.9,
    seed: int = 0,
) -> CriterionAudit:
    """Audit pass marks, the order of rungs, and going back.

    The margin of a move is what the athlete could usually show when starting the next rung: the
    mean log of the best clean value over the target in the last three sessions on the cleared
    rung, those after clearing included. Where waiting longer went with a higher margin but not
    with less time on the next rung, waiting has stopped paying.

    Parameters
    ----------
    records
        A log, or histories made from one.
    as_of
        Cut date for a log; the day after the last set where left out.
    alpha
        Chance of naming any pass mark on a ladder where margins do not matter, at most.
    level
        Level of all intervals.
    seed
        Of the simulated null laws.

    Raises
    ------
    HistoryError
        The log holds no usable set before ``as_of``.
    FitError
        ``alpha`` or ``level`` is out of range, or a regression can't be solved.

    Notes
    -----
    Log weeks on the next rung, known to lie between two sessions or to be longer than seen, are
    regressed on min(margin - mark, 0) with the step of the ladder and the athlete's pace on rungs
    cleared earlier as controls. A mark is named when both "margins do not matter" and "the fall
    goes on at one rate" are rejected (the larger p-value counts: Berger 1982, Technometrics
    24:295), Holm-adjusted over the rungs; see ``hinge.fit_hinge``.
    """
    check_level("alpha", alpha)
    check_level("level", level)
    check_seed(seed)
    histories = as_histories(records, as_of)
    moves = find_moves(histories)
    rungs, fits = audit_rungs(moves.table, histories.ladder, alpha=alpha, level=level, seed=seed)
    return CriterionAudit(
        rungs=rungs,
        order=order_table(histories, level),
        returns=return_table(histories, level),
        fits=fits,
        no_margin=moves.no_margin,
        ladder=histories.ladder,
        alpha=alpha,
        level=level,
    )
