"""Every sentence: a row in words for each reader, and a module of sentences a room.

``say`` has one way to write a number, a date, a range and a chance; ``captions`` what stands beside
charts, ``pages`` and ``screens`` what stands beside rows. A room with sentences of its own has them
in a module of its name here. All take figures or rows, and return text.
"""

from forecast.words import ahead, backtest, captions, changes, cohort, pages, say, screens, setup
from forecast.words.rows import (
    HEADINGS,
    ON_HOLD,
    RowWords,
    for_analyst,
    for_athlete,
    for_coach,
    reason,
)
from forecast.words.screens import CAUTION

__all__ = [
    "CAUTION",
    "HEADINGS",
    "ON_HOLD",
    "RowWords",
    "ahead",
    "backtest",
    "captions",
    "changes",
    "cohort",
    "for_analyst",
    "for_athlete",
    "for_coach",
    "pages",
    "reason",
    "say",
    "screens",
    "setup",
]
