"""Laws of progress: how a latent level moves with training.

Every law keeps its state in arrays and shares training time, detraining and regaining; its own
constants are fields, each drawn uniformly from its stated range.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar, Literal, Self

import numpy as np
from numpy.typing import ArrayLike

from forecast.errors import SimulationError
from forecast.types import YEAR as YEAR_DAYS
from forecast.types import Array, Flags

State = dict[str, Array]
Rng = np.random.Generator
Style = Literal["usual", "ragged", "seasonal"]

GRACE_DAYS = 12.0
"""Days after a session for which progress still accrues; detraining starts after them."""
MAX_LOST = 0.5
"""Detraining never takes more than this much level (about 40 % of the capacity)."""
LEAST_ROOM = 0.15
"""A spell has at least this much room between its start and its ceiling."""
MOVING_SHAPE, STALL_SD = 2.0, 0.4
USUAL_GAP, USUAL_RATE = 0.7, 2.5


def between(low: float, high: float) -> Any:
    """Return a dataclass field that is drawn uniformly from this range."""
    return field(metadata={"range": (low, high)})


def drawn_constants(kind: type[Any], rng: Rng) -> dict[str, float]:
    """Draw every field of a dataclass that has a range, in the order of the fields."""
    ranged = [f for f in fields(kind) if "range" in f.metadata]
    return {f.name: float(rng.uniform(*f.metadata["range"])) for f in ranged}


def brownian(size: float, weeks: Array, rng: Rng) -> Array:
    """Normal noise of standard deviation ``size`` per root week."""
    return size * np.sqrt(weeks) * rng.standard_normal(weeks.shape)


@dataclass(frozen=True, slots=True)
class Cells:
    """Starting values of spells, arrays of one shape.

    ``gap`` below the target in log units and usual ``pace`` per week of training, both positive;
    ``trait``: a second standard-normal trait of the athlete; ``rate``: usual sessions per week;
    ``day`` on which the spell opens, counted from 1 January 1970.
    """

    gap: Array
    pace: Array
    trait: Array
    rate: Array
    day: Array


@dataclass(frozen=True)
class Law(ABC):
    """A law of progress; its fields are population constants, the same for a whole cohort.

    States are dictionaries of equally shaped arrays. ``detrain`` is the level lost per week off,
    after the grace days; ``regain_days`` the time constant with which it comes back on return.
    """

    detrain: float = between(0.015, 0.05)
    regain_days: float = between(8.0, 20.0)

    name: ClassVar[str]
    form_df: ClassVar[float] = np.inf
    """Degrees of freedom of the form of the day; infinite is normal."""
    style: ClassVar[Style] = "usual"
    """Attendance style that goes with the law."""

    @classmethod
    def draw(cls, rng: Rng) -> Self:
        """Draw the population constants of one cohort from the stated ranges."""
        return cls(**drawn_constants(cls, rng))

    def initial(self, rng: Rng, cells: Cells) -> State:
        """Return the state of spells on their first day."""
        state: State = {"core": -cells.gap, "pace": cells.pace.copy(), "day": cells.day.copy()}
        state |= {name: np.zeros_like(cells.gap) for name in ("lost", "idle")}
        self._begin(state, rng, cells)
        return state

    def advance(self, state: State, days: ArrayLike, trained: ArrayLike, rng: Rng) -> State:
        """Return the state moved on by some days, at the end of which spells trained or not.

        ``days`` are 0 or more; a week at most keeps laws with hidden switches exact enough.
        """
        new = dict(state)
        passed = np.broadcast_to(np.asarray(days, dtype=float), new["idle"].shape)
        session = np.broadcast_to(np.asarray(trained, dtype=bool), new["idle"].shape)
        active = np.clip(GRACE_DAYS - new["idle"], 0.0, passed)
        self._progress(new, active / 7.0, session, rng)
        back = new["lost"] * np.exp(-active / self.regain_days)
        new["lost"] = np.minimum(back + (passed - active) / 7.0 * self.detrain, MAX_LOST)
        new["idle"] = np.where(session, 0.0, new["idle"] + passed)
        new["day"] = new["day"] + passed
        return new

    def level(self, state: State) -> Array:
        """Latent level, log(capacity / target): 0 is the target."""
        return state["core"] - state["lost"]

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:  # noqa: B027
        """Add the law's own fields to a fresh state, in place."""

    @abstractmethod
    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        """Let ``weeks`` of training time act on the (already copied) state, in place."""

    def gain(self, state: State) -> Array:
        """Expected gain per week of training from here on."""
        return state["pace"]


@dataclass(frozen=True)
class Steady(Law):
    """Level = start + pace x weeks + Brownian wiggle (``wiggle`` per root week)."""

    wiggle: float = between(0.01, 0.04)
    name: ClassVar[str] = "steady"

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        step = state["pace"] * weeks
        state["core"] = state["core"] + step + brownian(self.wiggle, weeks, rng)


@dataclass(frozen=True)
class Ceiling(Law):
    """Level tends to ``height`` + athlete part + spell part, at first at ``burst`` times the pace.

    A share of the ceilings lies below the target: those spells are cleared by a lucky day or never.
    """

    height: float = between(0.08, 0.25)
    athlete_sd: float = between(0.12, 0.22)
    spell_sd: float = between(0.12, 0.22)
    burst: float = between(1.5, 2.2)
    wiggle: float = between(0.005, 0.015)
    name: ClassVar[str] = "ceiling"

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:
        own = self.height + self.athlete_sd * cells.trait
        top = own + self.spell_sd * rng.standard_normal(cells.gap.shape)
        state["top"] = np.maximum(top, state["core"] + LEAST_ROOM)
        # the pace is kept for a middling spell: a low ceiling is not also a fast one
        state["speed"] = self.burst * cells.pace / (cells.gap + self.height)

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        left = (state["core"] - state["top"]) * np.exp(-state["speed"] * weeks)
        state["core"] = state["top"] + left + brownian(self.wiggle, weeks, rng)

    def gain(self, state: State) -> Array:
        """Expected gain per week of training: it fades as the ceiling nears."""
        return state["speed"] * (state["top"] - state["core"])


@dataclass(frozen=True)
class Jumps(Law):
    """Flat but for lognormal jumps at Poisson times; the mean gain is the pace.

    ``per_week`` jumps a week of mean size pace / per_week; log sizes have sd ``spread``.
    """

    per_week: float = between(0.12, 0.35)
    spread: float = between(0.7, 1.1)
    wiggle: float = between(0.003, 0.01)
    name: ClassVar[str] = "jumps"

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        counts = rng.poisson(self.per_week * weeks)
        core = state["core"] + brownian(self.wiggle, weeks, rng)
        where = np.flatnonzero(counts.ravel())
        owner = np.repeat(where, counts.ravel()[where])
        log_mean = np.log(state["pace"].ravel()[owner] / self.per_week) - self.spread**2 / 2
        sizes = np.exp(log_mean + self.spread * rng.standard_normal(owner.size))
        jumped = np.bincount(owner, weights=sizes, minlength=core.size)
        state["core"] = core + jumped.reshape(core.shape)


@dataclass(frozen=True)
class Stalls(Law):
    """Moving at ``burst`` times the pace (gamma lengths), then stalled (lognormal lengths).

    Lengths are in weeks of training: ``moving_weeks`` on average, ``stall_weeks`` in the median.
    """

    moving_weeks: float = between(4.0, 9.0)
    stall_weeks: float = between(9.0, 16.0)
    burst: float = between(2.0, 3.0)
    wiggle: float = between(0.005, 0.02)
    name: ClassVar[str] = "stalls"

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:
        shape = cells.gap.shape
        # a new exercise brings quick first gains more often than a stall
        state["moving"] = (rng.random(shape) < 0.75).astype(float)
        state["left"] = self._length(state["moving"], rng)

    def _length(self, moving: Array, rng: Rng) -> Array:
        going = rng.gamma(MOVING_SHAPE, self.moving_weeks / MOVING_SHAPE, moving.shape)
        stuck = self.stall_weeks * np.exp(STALL_SD * rng.standard_normal(moving.shape))
        return np.where(moving > 0, going, np.clip(stuck, 6.0, 30.0))

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        moving, left = state["moving"], state["left"] - weeks
        over = left <= 0
        # at most one switch a step (steps are short): the rest of the step runs in the new mode
        before = np.where(over, weeks + left, weeks)
        turned = np.where(over, 1.0 - moving, moving)
        step = self.burst * state["pace"] * (moving * before + turned * (weeks - before))
        state["core"] = state["core"] + step + brownian(self.wiggle, weeks, rng)
        state["moving"] = turned
        state["left"] = np.where(over, self._length(turned, rng), left)

    def gain(self, state: State) -> Array:
        """Expected gain per week of training in the mode of the moment."""
        return self.burst * state["pace"] * state["moving"]


@dataclass(frozen=True)
class Ragged(Steady):
    """Steady underneath; Student-t form of the day, many layoffs, more loss and fast return."""

    wiggle: float = between(0.02, 0.05)
    detrain: float = between(0.04, 0.09)
    regain_days: float = between(5.0, 10.0)
    name: ClassVar[str] = "ragged"
    form_df: ClassVar[float] = 3.0
    style: ClassVar[Style] = "ragged"


@dataclass(frozen=True)
class Learning(Law):
    """Level = start + slope x log(1 + sessions / ``earlier``).

    Newell & Rosenbloom (1981) is the usual source of the law (from memory). A spell with the usual
    gap takes as many sessions as its pace says.
    """

    earlier: float = between(4.0, 12.0)
    wiggle: float = between(0.005, 0.015)
    name: ClassVar[str] = "learning"

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:
        needed = USUAL_RATE * USUAL_GAP / cells.pace
        state["slope"] = USUAL_GAP / np.log1p(needed / self.earlier)
        state["practice"] = np.zeros_like(cells.gap, dtype=float)
        state["rate"] = np.asarray(cells.rate, dtype=float).copy()

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        done = state["practice"] + self.earlier
        step = state["slope"] * np.where(trained, np.log1p(1.0 / done), 0.0)
        state["core"] = state["core"] + step + brownian(self.wiggle, weeks, rng)
        state["practice"] = state["practice"] + trained

    def gain(self, state: State) -> Array:
        """Expected gain per week of training at the athlete's usual rate."""
        return state["slope"] * np.log1p(state["rate"] / (state["practice"] + self.earlier))


@dataclass(frozen=True)
class Wandering(Law):
    """The gain reverts to the pace; its stationary sd is ``swing``, so it may be negative.

    Taylor, Cumberland & Sy (1994) use this law for biomarkers.
    """

    memory_weeks: float = between(4.0, 12.0)
    swing: float = between(0.025, 0.07)
    name: ClassVar[str] = "wandering"

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:
        state["speed"] = cells.pace + self.swing * rng.standard_normal(cells.gap.shape)

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        keep = np.exp(-weeks / self.memory_weeks)
        noise = self.swing * np.sqrt(1.0 - keep**2) * rng.standard_normal(weeks.shape)
        after = state["pace"] + (state["speed"] - state["pace"]) * keep + noise
        # trapezoid rule: steps are short against the memory
        state["core"] = state["core"] + 0.5 * (state["speed"] + after) * weeks
        state["speed"] = after

    def gain(self, state: State) -> Array:
        """Gain per week of training at the moment."""
        return state["speed"]


@dataclass(frozen=True)
class Threshold(Law):
    """Level climbs a logistic curve from its start to ``margin`` above the target.

    Its middle comes after gap / pace weeks times a personal factor; large ``steep``: sudden.
    """

    margin: float = between(0.15, 0.35)
    steep: float = between(3.5, 6.5)
    spread: float = between(0.15, 0.35)
    wiggle: float = between(0.005, 0.015)
    name: ClassVar[str] = "threshold"

    def _begin(self, state: State, rng: Rng, cells: Cells) -> None:
        factor = np.exp(self.spread * rng.standard_normal(cells.gap.shape))
        state["middle"] = 0.8 * factor * cells.gap / cells.pace
        state["weeks"] = np.zeros_like(cells.gap, dtype=float)
        state["rise"] = cells.gap + self.margin

    def _share(self, weeks: Array, middle: Array) -> Array:
        """Part of the rise done after some weeks: 0 at the start, 1 in the end."""
        first = 1.0 / (1.0 + np.exp(np.full_like(weeks, self.steep)))
        now = 1.0 / (1.0 + np.exp(-self.steep * (weeks / middle - 1.0)))
        return (now - first) / (1.0 - first)

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        later = state["weeks"] + weeks
        done = self._share(later, state["middle"]) - self._share(state["weeks"], state["middle"])
        step = state["rise"] * done
        state["core"] = state["core"] + step + brownian(self.wiggle, weeks, rng)
        state["weeks"] = later

    def gain(self, state: State) -> Array:
        """Expected gain over the coming week of training."""
        ahead = self._share(state["weeks"] + 1.0, state["middle"])
        return state["rise"] * (ahead - self._share(state["weeks"], state["middle"]))


@dataclass(frozen=True)
class Seasonal(Law):
    """Gain = pace x (1 + ``depth`` cos(year angle - ``peak``)); holidays thin out attendance."""

    depth: float = between(0.5, 1.1)
    peak: float = between(0.0, 2 * np.pi)
    wiggle: float = between(0.01, 0.03)
    name: ClassVar[str] = "seasonal"
    style: ClassVar[Style] = "seasonal"

    def _season(self, day: Array) -> Array:
        return 1.0 + self.depth * np.cos(2 * np.pi * day / YEAR_DAYS - self.peak)

    def _progress(self, state: State, weeks: Array, trained: Flags, rng: Rng) -> None:
        step = state["pace"] * self._season(state["day"] + 3.5 * weeks) * weeks
        state["core"] = state["core"] + step + brownian(self.wiggle, weeks, rng)

    def gain(self, state: State) -> Array:
        """Expected gain per week of training at this time of the year."""
        return state["pace"] * self._season(state["day"])


_BY_NAME: dict[str, type[Law]] = {
    law.name: law
    for law in (Steady, Ceiling, Jumps, Stalls, Ragged, Learning, Wandering, Threshold, Seasonal)
}

LAWS: tuple[str, ...] = tuple(_BY_NAME)
"""Names of all laws of progress."""


def law_class(name: str) -> type[Law]:
    """Return the law of this name, or raise ``SimulationError`` if there is none."""
    if name not in _BY_NAME:
        raise SimulationError(f"There is no law of progress named {name!r}; use one of {LAWS}.")
    return _BY_NAME[name]
