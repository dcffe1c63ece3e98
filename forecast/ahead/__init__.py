"""The whole ladder ahead: rung after rung with one athlete draw, up to the top."""

from forecast.ahead.going_back import continued, fallbacks, retests
from forecast.ahead.ladder import (
    ladder_ahead,
    look_up,
    rates_now,
    settings_of,
    walk_at,
    what_if,
    what_if_mark,
)
from forecast.ahead.standing import (
    Climbing,
    ladder_plan,
    last_needs,
    learn_climbing,
    learn_factor,
    spread_of_logits,
    stand,
)
from forecast.ahead.tables import LadderAhead, WhatIf, chances_by_day, log_levels
from forecast.ahead.walk import Rhythm, chain, match_quantiles, scaled_first_gaps, scaled_gaps, walk

__all__ = [
    "Climbing", "LadderAhead", "Rhythm", "WhatIf", "chain", "chances_by_day", "continued",
    "fallbacks", "ladder_ahead", "ladder_plan", "last_needs", "learn_climbing", "learn_factor",
    "log_levels", "look_up", "match_quantiles", "rates_now", "retests", "scaled_first_gaps",
    "scaled_gaps", "settings_of", "spread_of_logits", "stand", "walk", "walk_at", "what_if",
    "what_if_mark",
]  # fmt: skip
