"""The whole ladder ahead: rung after rung with one athlete draw, up to the top."""

from forecast.ahead.climbing import Climbing, learn_climbing
from forecast.ahead.going_back import fallbacks, retests
from forecast.ahead.ladder import ladder_ahead, what_if
from forecast.ahead.other_mark import what_if_mark
from forecast.ahead.result import LadderAhead, WhatIf
from forecast.ahead.times import RungTimes, Times

__all__ = [
    "Climbing",
    "LadderAhead",
    "RungTimes",
    "Times",
    "WhatIf",
    "fallbacks",
    "ladder_ahead",
    "learn_climbing",
    "retests",
    "what_if",
    "what_if_mark",
]
