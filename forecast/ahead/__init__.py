"""The whole ladder ahead: rung after rung with one athlete draw, up to the top."""

from forecast.ahead.going_back import fallbacks, retests
from forecast.ahead.ladder import ladder_ahead, what_if, what_if_mark
from forecast.ahead.learning import Climbing, learn_climbing
from forecast.ahead.tables import LadderAhead, WhatIf

__all__ = [
    "Climbing",
    "LadderAhead",
    "WhatIf",
    "fallbacks",
    "ladder_ahead",
    "learn_climbing",
    "retests",
    "what_if",
    "what_if_mark",
]
