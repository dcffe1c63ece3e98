"""Alien worlds: invented clubs that share no code and no assumption with the forecaster.

Written from their descriptions and frozen before the forecaster was run on any of them. The
first six are for development. The other six are held back for a last run: nobody looks at what
the forecaster does there while it is still being changed.
"""

from alien.additive_seconds import AdditiveSeconds
from alien.best_only import BestOnly
from alien.changing_law import ChangingLaw
from alien.club import FIRST_DAY, World, make_world
from alien.coarse_holds import CoarseHolds
from alien.heavy_days import HeavyDays
from alien.law import Law
from alien.mess import Mess
from alien.off_seasons import OffSeasons
from alien.set_backs import SetBacks
from alien.spurts import Spurts
from alien.staircase import Staircase
from alien.stricter_coach import StricterCoach
from alien.successes_only import SuccessesOnly

__all__ = ["DEVELOPMENT", "FIRST_DAY", "HELD_BACK", "WORLDS", "Law", "World", "make_world"]

DEVELOPMENT = ("additive_seconds", "heavy_days", "best_only", "successes_only", "coarse_holds",
               "off_seasons")  # fmt: skip
HELD_BACK = ("set_backs", "stricter_coach", "spurts", "staircase", "changing_law", "mess")
"""Kept for a last run."""

WORLDS: dict[str, type[Law]] = {
    kind.name: kind
    for kind in (
        AdditiveSeconds, HeavyDays, BestOnly, SuccessesOnly, CoarseHolds, OffSeasons,
        SetBacks, StricterCoach, Spurts, Staircase, ChangingLaw, Mess,
    )
}  # fmt: skip
