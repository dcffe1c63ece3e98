"""The row: all that is known of one open rung on one date, after every rule.

Facts and figures, no sentence: `words` makes those, and every table, page, chart and export is
made from rows alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import pandas as pd
from pydantic import AfterValidator, PlainValidator

from forecast.ladder import Rung

STATES = (
    "pain", "paused", "new", "few", "no_success", "form", "help", "slipping", "flat", "at_mark",
    "climbing", "unclear",
)  # fmt: skip
"""Every state, in the order in which the rule asks for it: the first that holds decides."""
PAIN, PAUSED, NEW, FEW, NO_SUCCESS, FORM, HELP, SLIPPING, FLAT, AT_MARK, CLIMBING, UNCLEAR = STATES
STUCK = (SLIPPING, FLAT)
UNDATED = (FORM, HELP, NO_SUCCESS)
"""Before a first valid set there is no date."""
TRIAGE = (PAIN, SLIPPING, FLAT, FORM, HELP, NO_SUCCESS)
"""States that a coach looks at first, the most urgent first."""
KEYS = ["athlete", "rung"]
MARKS = (4, 8, 12, 26)
"""Weeks by which chances are given."""
DIGITS = 6
"""Decimals kept in tables: far below what matters, far above the last bits of floating sums."""
OBSTACLES = {"missed": NO_SUCCESS, "unclean": FORM, "helped": HELP}
"""States of records without a valid set; lighter loads than asked tell progress all the same."""
LIKELY = 0.5
"""Chance of climbing from which a rung that is not flagged counts as climbing (judgement)."""


def _between(low: float, high: float) -> AfterValidator:
    def check(value: float) -> float:
        if not (np.isnan(value) or low <= value <= high):
            raise ValueError(f"{value} is not between {low} and {high}")
        return value

    return AfterValidator(check)


Chance = Annotated[float, _between(0.0, 1.0)]
Weeks = Annotated[float, _between(0.0, 10_000.0)]
Figure = Annotated[float, _between(-1e12, 1e12)]
Count = Annotated[int, _between(0, 10**9)]
Day = Annotated[pd.Timestamp, PlainValidator(pd.Timestamp)]
"""Types of fields with their ranges, held where a kept row is read back; missing is allowed."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What the log shows of the rung.

    ``valid`` sets count; ``obstacle``: empty, or why none does (``missed, unclean, helped,
    underloaded``); ``weeks_since`` the last session, ``weeks_on`` since the first; ``per_week``
    sessions lately, breaks left out; ``clean_share`` of recent sets that count; ``best`` value that
    counted lately; ``met`` of the latest ``met_of`` sessions met where ``met_expected`` (give or
    take ``met_sd``) would have been expected; ``run`` sessions in a row met; ``more_sessions`` are
    missing to judge by; ``break_days`` the longest break lately; ``less_clean``: values rise while
    form slips; ``load_known``: false where the load asked for could not be checked.
    """

    sessions: Count
    sets: Count
    valid: Count
    obstacle: str
    last_on: Day | None
    weeks_since: Weeks
    weeks_on: Weeks
    per_week: Figure
    clean_share: Chance
    best: Figure
    met: Count
    met_of: Count
    met_expected: Figure
    met_sd: Figure
    run: Count
    more_sessions: Count
    break_days: Figure
    less_clean: bool
    load_known: bool


@dataclass(frozen=True, slots=True)
class Level:
    """The usual day.

    ``value`` in the rung's unit, never above what was shown, missing where no recent set counts;
    ``guess`` where it can only be guessed; ``before`` at the last session, and the ``value`` of
    those away for long; ``log`` is log(capacity / target) now.
    """

    value: Figure
    guess: Figure
    before: Figure
    log: Figure

    @property
    def shown(self) -> float:
        """The value, or where it is missing the guess."""
        return self.guess if np.isnan(self.value) else self.value


@dataclass(frozen=True, slots=True)
class Verdict:
    """Chances that the change over six weeks was enough, too little, or downward; they add to 1.

    ``since`` with its 10 and 90 % points and ``weeks`` only where flat or slipping; ``least`` the
    smallest gain a week that matters; ``changed`` at the same time, as (what, before, after).
    """

    state: str
    p_climbing: Chance
    p_flat: Chance
    p_slipping: Chance
    least: Figure
    since: Day | None = None
    since_low: Day | None = None
    since_high: Day | None = None
    weeks: Weeks = np.nan
    changed: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Gain:
    """Change of level a week: ``lately`` with its 80 % range, and ``ahead`` as expected."""

    lately: Figure
    low: Figure
    high: Figure
    ahead: Figure


@dataclass(frozen=True, slots=True)
class Wait:
    """When the rung is cleared, if training goes on as lately.

    ``chances`` by week of ``MARKS``; ``low, mid, high`` the 10, 50 and 90 % points, missing
    past ``horizon``, with their dates; ``never``: not within the horizon.
    """

    next_session: Chance
    chances: dict[int, Chance]
    low: Weeks
    mid: Weeks
    high: Weeks
    dates: tuple[Day, Day, Day]
    never: Chance
    horizon: int


@dataclass(frozen=True, slots=True)
class Away:
    """A pause, of the ``person`` or of this rung alone, ``long``: past the log's usual absence.

    Half of those ``like`` (absences as long that ended) were ``back`` within so many weeks; ``low,
    mid, high``: points in weeks *after coming back*, where long and not on hold.
    """

    person: bool
    long: bool
    back: Figure
    like: Count
    low: Weeks = np.nan
    mid: Weeks = np.nan
    high: Weeks = np.nan


@dataclass(frozen=True, slots=True)
class Reason:
    """What drives a forecast: its kind, a figure with its unit, and further ``figures``."""

    kind: str
    value: Figure
    unit: str
    figures: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Row:
    """One open rung on one date, after every rule.

    ``back`` names the rung to go back to when form breaks; ``wait`` is ``None`` under a ``hold``,
    which says why nothing ahead is given: ``pain``. ``pain`` is the highest noted lately, 0 where
    none was; ``away`` is ``None`` unless ``paused``; ``lapse`` and ``gone`` are chances of having
    stopped for good within 26 weeks, and by today; ``comparable`` counts cleared spells of others
    on this rung; ``record`` is how much there is to go by: ``good``, ``fair`` or ``thin``;
    ``reasons`` heaviest first.
    """

    athlete: str
    rung: Rung
    as_of: Day
    back: str | None
    seen: Seen
    level: Level
    verdict: Verdict
    gain: Gain
    wait: Wait | None
    hold: str | None
    pain: Figure
    away: Away | None
    lapse: Chance
    gone: Chance
    comparable: Count
    record: str
    reasons: tuple[Reason, ...]

    @property
    def state(self) -> str:
        """The state of the verdict."""
        return self.verdict.state

    @property
    def key(self) -> tuple[str, str]:
        """Athlete and rung."""
        return self.athlete, self.rung.key

    @property
    def who(self) -> str:
        """Label by which charts tell rows apart."""
        return f"{self.athlete} \u00b7 {self.rung.name}"

    @property
    def is_away(self) -> bool:
        """Whether the athlete has been away for longer than the log's absences usually last."""
        return self.away is not None and self.away.long


def state_of(fact: Any, verdict: Any, *, hurts: bool) -> str:
    """Return the state of an open rung: the only rule there is.

    Parameters
    ----------
    fact
        ``sessions, weeks_since, pause_weeks, more_sessions, obstacle, usual, target`` of a rung.
    verdict
        ``flagged, p_climbing, p_flat, p_slipping, gain, smallest_gain`` of ``plateau.verdicts``;
        not looked at where there are too few sessions.
    hurts
        Whether pain was noted lately.
    """
    if hurts:
        return PAIN
    if fact.weeks_since > fact.pause_weeks:
        return PAUSED
    if fact.sessions == 0:
        return NEW
    if fact.more_sessions > 0:
        return FEW
    if fact.obstacle in OBSTACLES:
        return OBSTACLES[fact.obstacle]
    if verdict.flagged and verdict.gain < 0 and verdict.p_slipping > verdict.p_flat:
        return SLIPPING
    if verdict.flagged and verdict.gain <= verdict.smallest_gain:
        return FLAT
    if fact.usual >= fact.target - 1e-9:
        return AT_MARK
    return CLIMBING if verdict.p_climbing >= LIKELY else UNCLEAR


def most_urgent_first(rows: Iterable[Row]) -> tuple[Row, ...]:
    """Return rows in the order of every list.

    Pain, then whoever is stuck, longest first, then whoever trains by who clears soonest; pauses
    after them, and whoever is away for long last, by name.
    """
    urgency = {PAIN: 0, SLIPPING: 1, FLAT: 2, FORM: 3, HELP: 3, NO_SUCCESS: 3}

    def order(row: Row) -> tuple[float, ...]:
        stuck = row.state in STUCK
        mid, low = (row.wait.mid, row.wait.low) if row.wait else (np.nan, np.nan)
        within = -row.verdict.weeks if stuck else mid
        place = 6 if row.is_away else 5 if row.state == PAUSED else urgency.get(row.state, 4)
        return place, *(np.inf if np.isnan(value) else value for value in (within, low))

    return tuple(sorted(rows, key=lambda row: (*order(row), row.athlete)))


_COLUMNS = {
    "athlete": "athlete", "rung": "rung.key", "rung_name": "rung.name",
    "sessions": "seen.sessions", "level": "level.log", "level_value": "level.shown",
    "target": "rung.criterion.target", "gain_per_week": "gain.lately",
    "weeks_low": "wait.low", "weeks_mid": "wait.mid", "weeks_high": "wait.high",
    "date_low": "wait.dates.0", "date_mid": "wait.dates.1", "date_high": "wait.dates.2",
    "p_next_session": "wait.next_session",
    **{f"p_{week}": f"wait.chances.{week}" for week in MARKS},
    "p_never_in_horizon": "wait.never", "state": "state", "on_hold": "hold",
    "p_climbing": "verdict.p_climbing", "p_flat": "verdict.p_flat",
    "p_slipping": "verdict.p_slipping", "gain_lately": "gain.lately",
    "gain_lately_low": "gain.low", "gain_lately_high": "gain.high", "gain_ahead": "gain.ahead",
    "met_lately": "seen.met", "met_expected": "seen.met_expected",
    "sessions_per_week": "seen.per_week", "p_lapse_26": "lapse", "comparable": "comparable",
    "confidence": "record",
}  # fmt: skip
"""Every column of a forecast's summary but ``warnings``, and where in a row it stands."""
_HELD = ("p_climbing", "p_flat", "p_slipping", "p_lapse_26")
"""What is not told under a hold, besides what lies ahead."""
_KINDS = dict.fromkeys(_COLUMNS, "float64") | {
    **dict.fromkeys(("athlete", "rung", "rung_name", "state", "on_hold", "confidence"), "str"),
    **dict.fromkeys(("sessions", "met_lately", "comparable"), "int64"),
    **dict.fromkeys(("date_low", "date_mid", "date_high"), "datetime64[ns]"),
}
SUMMARY_COLUMNS = (*_COLUMNS, "warnings")
"""Columns of a forecast's summary, in order; ``warnings`` are added in words."""
AHEAD_COLUMNS = tuple(name for name, at in _COLUMNS.items() if at.startswith("wait."))
"""What lies ahead, and is missing under a hold."""


def rows_table(rows: Sequence[Row]) -> pd.DataFrame:
    """Return the frame behind ``summary``, every export and every chart: one line a row.

    Columns are ``SUMMARY_COLUMNS`` but ``warnings``. Where ``on_hold`` is ``pain`` every chance,
    week and date is missing.

    Parameters
    ----------
    rows
        Of a view, in any order.
    """
    columns = {name: [_shown(row, name) for row in rows] for name in _COLUMNS}
    return rounded(pd.DataFrame(columns, dtype="object").astype(_KINDS))


def rounded(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with its floating columns rounded to ``DIGITS``."""
    return table.round(dict.fromkeys(table.select_dtypes("float").columns, DIGITS))


def _shown(row: Row, column: str) -> Any:
    """What a row shows in a column, missing where it is not told."""
    value: Any = None if row.hold and column in _HELD else row
    for name in _COLUMNS[column].split("."):
        if value is not None:
            value = value[int(name)] if name.isdigit() else getattr(value, name)
    return value
