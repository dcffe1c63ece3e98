"""An invented, branching ladder to simulate on: floor strength to a press handstand."""

from __future__ import annotations

from forecast.ladder import Criterion, Ladder, Measure, Rung


def default_ladder() -> Ladder:
    """Return an invented ladder of 12 rungs in three stages: holds, repetitions, one with load.

    Its pass marks (3 to 20 s, 3 to 10 repetitions) are common practice, no source.
    """
    seconds: Measure = "seconds"
    reps: Measure = "reps"
    return Ladder(
        name="Press to handstand",
        rungs=(
            Rung("wall_line", "Handstand facing the wall", "base", Criterion(seconds, 20)),
            Rung("pike_lifts", "Seated pike leg lifts", "base", Criterion(reps, 10)),
            Rung(
                "toe_pulls",
                "Sliding toe pulls",
                "base",
                Criterion(reps, 6),
                needs=("pike_lifts",),
            ),
            Rung(
                "free_start",
                "Free handstand, first balance",
                "balance",
                Criterion(seconds, 5, confirm_sessions=2),
                needs=("wall_line",),
                fallback="wall_line",
            ),
            Rung(
                "weighted_lifts",
                "Pike leg lifts with ankle weights",
                "base",
                Criterion(reps, 8, load_kg=2.0),
                needs=("pike_lifts",),
                fallback="pike_lifts",
            ),
            Rung(
                "slow_lower",
                "Slow straddle lowering",
                "press",
                Criterion(seconds, 6),
                needs=("wall_line", "toe_pulls"),
                fallback="toe_pulls",
            ),
            Rung(
                "free_line",
                "Free handstand, straight line",
                "balance",
                Criterion(seconds, 12, confirm_sessions=2),
                needs=("free_start",),
                min_weeks=1,
                fallback="free_start",
            ),
            Rung(
                "block_press",
                "Straddle press from a block",
                "press",
                Criterion(reps, 5),
                needs=("slow_lower",),
                min_weeks=1,
                fallback="slow_lower",
            ),
            Rung(
                "wall_press",
                "Straddle press with the back to the wall",
                "press",
                Criterion(reps, 4),
                needs=("block_press",),
                min_weeks=1,
                fallback="block_press",
            ),
            Rung(
                "straddle_press",
                "Straddle press to handstand",
                "press",
                Criterion(reps, 3, confirm_sessions=2),
                needs=("wall_press", "free_line"),
                min_weeks=2,
                fallback="wall_press",
            ),
            Rung(
                "pike_press",
                "Pike press to handstand",
                "press",
                Criterion(reps, 3, confirm_sessions=2),
                needs=("straddle_press", "weighted_lifts"),
                min_weeks=2,
                fallback="straddle_press",
            ),
            Rung(
                "press_hold",
                "Pike press, then hold",
                "press",
                Criterion(seconds, 10, confirm_sessions=2),
                needs=("pike_press",),
                fallback="pike_press",
            ),
        ),
    )
