"""Alien worlds: invented clubs that share no code and no assumption with the forecaster.

Written from their descriptions and frozen before the forecaster was run on any of them: twelve
in November 2026 (``OLD``), looked at since, and seven in December (``NEW``).
"""

from alien.club import FIRST_DAY, World, digest, futures, make_world, true_change
from alien.first_six import (
    AdditiveSeconds,
    BestOnly,
    CoarseHolds,
    HeavyDays,
    OffSeasons,
    SuccessesOnly,
)
from alien.habits import (
    Insight,
    Loads,
    Periodised,
    Reserve,
    Returners,
    SchoolYears,
    Sparse,
)
from alien.law import Law
from alien.second_six import ChangingLaw, Mess, SetBacks, Spurts, Staircase, StricterCoach

__all__ = ["FIRST_DAY", "NEW", "OLD", "WORLDS", "Law", "World",
           "digest", "futures", "make_world", "true_change"]  # fmt: skip

WORLDS: dict[str, type[Law]] = {
    kind.name: kind
    for kind in (
        AdditiveSeconds, HeavyDays, BestOnly, SuccessesOnly, CoarseHolds, OffSeasons,
        SetBacks, StricterCoach, Spurts, Staircase, ChangingLaw, Mess,
        Reserve, Periodised, Insight, SchoolYears, Returners, Sparse, Loads,
    )
}  # fmt: skip
OLD, NEW = tuple(WORLDS)[:12], tuple(WORLDS)[12:]
