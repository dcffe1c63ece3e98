"""The whole ladder ahead: rung after rung with one athlete draw, up to the top."""

from forecast.ahead.climbing import Climbing, learn_climbing
from forecast.ahead.going_back import fallbacks
from forecast.ahead.ladder import climbing_of, ladder_ahead
from forecast.ahead.result import LadderAhead
from forecast.ahead.retests import retests
from forecast.ahead.what_if import WhatIf, what_if

__all__ = [
    "Climbing",
    "LadderAhead",
    "WhatIf",
    "climbing_of",
    "fallbacks",
    "ladder_ahead",
    "learn_climbing",
    "retests",
    "what_if",
]
