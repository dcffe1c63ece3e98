"""What changed in a club between two days, and what came of what was forecast."""

from forecast.changes.compare import KINDS, Changes, changes, changes_since, looking_back
from forecast.changes.diary import (
    DIARY,
    LOOK_AHEAD,
    came,
    came_true,
    entries,
    in_words,
    keep_entries,
    moved,
    own_diary,
    read_diary,
)
from forecast.changes.snapshot import Snapshot, keep, last_before, read_kept, snapshot

__all__ = [
    "DIARY", "KINDS", "LOOK_AHEAD", "Changes", "Snapshot", "came", "came_true", "changes",
    "changes_since", "entries", "in_words", "keep", "keep_entries", "last_before",
    "looking_back", "moved", "own_diary", "read_diary", "read_kept", "snapshot",
]  # fmt: skip
