"""An invented, branching ladder to simulate on, and the TOML that says the same."""

from __future__ import annotations

import json
from typing import Any

from forecast.ladder import Criterion, Ladder, Measure, Rung

_WRISTS = "Warm up the wrists; sharp or growing pain in wrist, elbow or shoulder ends the session."
_SLOW = (
    "Straight-arm pressing loads tendons that adapt over months, not weeks; add volume slowly. "
    "Pain ends the session; if it stays, see a licensed clinician."
)
_FALL = "Clear the floor and know how to come down; local rules on spotting come first."
_HAMSTRINGS = "Do not bounce into the fold; pulling pain behind the thigh ends the session."


def _rung(
    key: str,
    name: str,
    stage: str,
    measure: Measure,
    target: float,
    needs: tuple[str, ...],
    form: str,
    caution: str,
    **more: Any,
) -> Rung:
    """Make a rung; form that breaks sends an athlete back to the last rung it needs."""
    return Rung(
        key=key,
        name=name,
        stage=stage,
        criterion=Criterion(measure, target, more.pop("confirm", 1), more.pop("load_kg", None)),
        needs=needs,
        fallback=needs[-1] if needs else None,
        form=form,
        caution=caution,
        **more,
    )


def default_ladder() -> Ladder:
    """Return an invented ladder of 12 rungs in three stages: holds, repetitions, one with load.

    Its pass marks (5 to 20 s, 3 to 10 repetitions) and standards are common practice, no source.
    """
    return Ladder(name="Press to handstand", rungs=(*_base(), *_balance_and_press(), *_top()))


def _base() -> tuple[Rung, ...]:
    return (
        _rung(
            "wall_line",
            "Handstand facing the wall",
            "base",
            "seconds",
            20,
            (),
            "Nose and toes touch the wall, elbows locked, ribs in.",
            _WRISTS,
            equipment="wall",
        ),
        _rung(
            "pike_lifts",
            "Seated pike leg lifts",
            "base",
            "reps",
            10,
            (),
            "Hands beside the knees, knees straight, heels leave the floor together.",
            _HAMSTRINGS,
        ),
        _rung(
            "toe_pulls",
            "Sliding toe pulls",
            "base",
            "reps",
            6,
            ("pike_lifts",),
            "Feet slide to the hands, elbows locked, shoulders over the fingers.",
            _SLOW,
            equipment="smooth floor, socks",
        ),
        _rung(
            "weighted_lifts",
            "Pike leg lifts with ankle weights",
            "base",
            "reps",
            8,
            ("pike_lifts",),
            "As without weights; the load counts both ankles together.",
            _HAMSTRINGS,
            load_kg=2.0,
            equipment="ankle weights, 2 kg in all",
        ),
    )


def _balance_and_press() -> tuple[Rung, ...]:
    return (
        _rung(
            "free_start",
            "Free handstand, first balance",
            "balance",
            "seconds",
            5,
            ("wall_line",),
            "Both feet off the wall, no step of the hands, elbows locked.",
            _FALL,
            confirm=2,
        ),
        _rung(
            "slow_lower",
            "Slow straddle lowering",
            "press",
            "seconds",
            6,
            ("wall_line", "toe_pulls"),
            "From handstand to the first toe on the floor, evenly, elbows locked.",
            _SLOW,
        ),
        _rung(
            "free_line",
            "Free handstand, straight line",
            "balance",
            "seconds",
            12,
            ("free_start",),
            "Ears between the arms, legs together, no step of the hands.",
            _FALL,
            confirm=2,
            min_weeks=1,
        ),
        _rung(
            "block_press",
            "Straddle press from a block",
            "press",
            "reps",
            5,
            ("slow_lower",),
            "Feet start on a block of hand height, no jump, elbows locked.",
            _SLOW,
            min_weeks=1,
            equipment="block",
        ),
    )


def _top() -> tuple[Rung, ...]:
    return (
        _rung(
            "wall_press",
            "Straddle press with the back to the wall",
            "press",
            "reps",
            4,
            ("block_press",),
            "From the floor, the back may touch the wall, elbows locked.",
            _SLOW,
            min_weeks=1,
            equipment="wall",
        ),
        _rung(
            "straddle_press",
            "Straddle press to handstand",
            "press",
            "reps",
            3,
            ("free_line", "wall_press"),
            "From the floor without a jump, two seconds still at the top, elbows locked.",
            _SLOW,
            confirm=2,
            min_weeks=2,
        ),
        _rung(
            "pike_press",
            "Pike press to handstand",
            "press",
            "reps",
            3,
            ("weighted_lifts", "straddle_press"),
            "Legs together and straight all the way, elbows locked.",
            _SLOW,
            confirm=2,
            min_weeks=2,
        ),
        _rung(
            "press_hold",
            "Pike press, then hold",
            "press",
            "seconds",
            10,
            ("pike_press",),
            "Time runs from the moment the line is straight.",
            _SLOW,
            confirm=2,
        ),
    )


def ladder_toml(ladder: Ladder) -> str:
    """Write a ladder as TOML, one table a rung; what is at its default is left out."""
    lines = ["[ladder]", f"name = {_text(ladder.name)}"]
    for rung in ladder.rungs:
        mark = rung.criterion
        lines += ["", "[[rung]]", f"key = {_text(rung.key)}", f"name = {_text(rung.name)}"]
        lines += [f"stage = {_text(rung.stage)}"] if rung.stage else []
        lines += [f"measure = {_text(mark.measure)}", f"target = {mark.target:g}"]
        if mark.confirm_sessions != 1:
            lines.append(f"confirm_sessions = {mark.confirm_sessions}")
        for name in ("load_kg", "load_bodyweight"):
            if getattr(mark, name) is not None:
                lines.append(f"{name} = {getattr(mark, name):g}")
        lines += [f"min_weeks = {rung.min_weeks:g}"] if rung.min_weeks else []
        lines.append(f"needs = [{', '.join(_text(key) for key in rung.needs)}]")
        for name in ("fallback", "equipment", "form", "caution"):
            lines += [f"{name} = {_text(getattr(rung, name))}"] if getattr(rung, name) else []
    return "\n".join(lines) + "\n"


def _text(text: str) -> str:
    # a JSON string is a valid TOML basic string
    return json.dumps(text, ensure_ascii=False)
