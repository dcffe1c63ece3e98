"""A particle filter over the spells of a simulated cohort, told its law and constants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.simulate import Cells, Law, State
from forecast.simulate.population import NOISE_SHARES, Population
from forecast.types import Array
from reference.likelihood import SessionLikelihood

_JITTER = 0.1
"""Liu & West (2001) kernel width relative to the spread of the particles."""
_DRAWN_ONCE = {"threshold": "middle", "learning": "slope", "ceiling": "speed"}
"""The positive field of a law's state that is drawn once a spell, where it is not the pace."""


@dataclass(frozen=True, slots=True)
class Traits:
    """What an athlete carries from spell to spell, each of shape (athletes, particles)."""

    pace_effect: Array
    trait: Array
    noise_class: NDArray[np.intp]

    def take(self, rows: NDArray[np.intp]) -> Traits:
        """Return the traits of some athletes."""
        return Traits(self.pace_effect[rows], self.trait[rows], self.noise_class[rows])

    def put(self, rows: NDArray[np.intp], part: Traits) -> None:
        """Write the traits of some athletes back, in place."""
        self.pace_effect[rows] = part.pace_effect
        self.trait[rows] = part.trait
        self.noise_class[rows] = part.noise_class


@dataclass(frozen=True, slots=True)
class Steps:
    """Time steps of spells, each of shape (spells, steps); short spells end in empty steps.

    ``days`` pass, at the end ``trained`` or not; ``session`` is the session seen, or -1.
    """

    days: Array
    trained: NDArray[np.bool_]
    session: NDArray[np.intp]


def draw_traits(
    rng: np.random.Generator, population: Population, n_athletes: int, n_particles: int
) -> Traits:
    """Draw traits from the population."""
    shape = (n_athletes, n_particles)
    return Traits(
        pace_effect=population.athlete_sd * rng.standard_normal(shape),
        trait=rng.standard_normal(shape),
        noise_class=rng.choice(NOISE_SHARES.size, shape, p=NOISE_SHARES).astype(np.intp),
    )


def begin_spells(
    rng: np.random.Generator,
    law: Law,
    population: Population,
    traits: Traits,
    rung: NDArray[np.intp],
    rate: Array,
    day: Array,
) -> State:
    """Draw states of spells at their start given the traits; shape (spells, particles)."""
    shape = traits.trait.shape
    log_pace = (
        population.log_pace
        + traits.pace_effect
        + population.rung_effects[rung][:, None]
        + population.spell_sd * rng.standard_normal(shape)
    )
    cells = Cells(
        gap=population.usual_gap * np.exp(population.gap_sd * rng.standard_normal(shape)),
        pace=np.exp(log_pace),
        trait=traits.trait,
        rate=np.broadcast_to(rate[:, None], shape),
        day=np.broadcast_to(day[:, None], shape),
    )
    return law.initial(rng, cells)


def filter_spells(
    rng: np.random.Generator,
    law: Law,
    state: State,
    traits: Traits,
    steps: Steps,
    likelihood: SessionLikelihood,
) -> tuple[State, Traits]:
    """Run the bootstrap filter over the steps of spells, all spells side by side.

    Parameters
    ----------
    rng
        Source of chance.
    law
        The law of progress.
    state, traits
        Particles at the start, equally weighted.
    steps
        What happened.
    likelihood
        Table of session likelihoods.

    Returns
    -------
    State
        Equally weighted particles after the last step.
    Traits
        The traits that go with them.
    """
    weight = np.zeros(traits.trait.shape)
    for step in range(steps.days.shape[1]):
        state = law.advance(state, steps.days[:, step, None], steps.trained[:, step, None], rng)
        seen = np.flatnonzero(steps.session[:, step] >= 0)
        if not seen.size:
            continue
        level = law.level(state)[seen]
        session = steps.session[seen, step][:, None]
        weight[seen] += likelihood.at(session, traits.noise_class[seen], level)
        state, traits = _resample(rng, law, state, traits, weight, 0.5)
    return _resample(rng, law, state, traits, weight, np.inf)


def _resample(
    rng: np.random.Generator,
    law: Law,
    state: State,
    traits: Traits,
    weight: Array,
    threshold: float,
) -> tuple[State, Traits]:
    """Resample spells whose effective share of particles is below the threshold.

    ``weight`` (log) is reset in place for them.
    """
    share = np.exp(weight - weight.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    rows = np.flatnonzero(1.0 / (share**2).sum(axis=1) < threshold * share.shape[1])
    if not rows.size:
        return state, traits
    picked = _systematic(rng, share[rows])
    weight[rows] = 0.0
    state = {name: _pick(values, rows, picked) for name, values in state.items()}
    traits = Traits(
        pace_effect=_pick(traits.pace_effect, rows, picked),
        trait=_pick(traits.trait, rows, picked),
        noise_class=_pick(traits.noise_class, rows, picked),
    )
    _shake(rng, law, state, traits, rows)
    return state, traits


def _shake(
    rng: np.random.Generator, law: Law, state: State, traits: Traits, rows: NDArray[np.intp]
) -> None:
    """Move resampled copies apart as Liu & West do, in place.

    Each particle is drawn a little to the mean and pushed by another one's distance from it, the
    same for all fields at once: mean and covariance of the fields stay what they are.
    """
    shape = (rows.size, traits.trait.shape[1])
    other = rng.permuted(np.broadcast_to(np.arange(shape[1]), shape), axis=1)
    keep = np.sqrt(1.0 - _JITTER**2)

    def moved(values: Array) -> Array:
        off = values - values.mean(axis=1, keepdims=True)
        return values - off + keep * off + _JITTER * np.take_along_axis(off, other, axis=1)

    name = _DRAWN_ONCE.get(law.name, "pace")
    state[name][rows] = np.exp(moved(np.log(state[name][rows])))
    for name in ("core", "top") if law.name == "ceiling" else ("core",):
        state[name][rows] = moved(state[name][rows])
    traits.pace_effect[rows] = moved(traits.pace_effect[rows])
    traits.trait[rows] = moved(traits.trait[rows])


def _pick(values: np.ndarray, rows: NDArray[np.intp], picked: NDArray[np.intp]) -> np.ndarray:
    out = values.copy()
    out[rows] = np.take_along_axis(values[rows], picked, axis=1)
    return out


def _systematic(rng: np.random.Generator, share: Array) -> NDArray[np.intp]:
    """Systematic resampling of each row at once: one sorted search over offset rows."""
    n_rows, n = share.shape
    points = (np.arange(n) + rng.random((n_rows, 1))) / n
    edges = np.cumsum(share, axis=1)
    edges /= edges[:, -1:]
    offset = np.arange(n_rows)[:, None]
    place = np.searchsorted((edges + offset).ravel(), (points + offset).ravel(), side="left")
    return np.clip(place.reshape(n_rows, n) - offset * n, 0, n - 1).astype(np.intp)
