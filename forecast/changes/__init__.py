"""What changed in a club between two days: one list, what can't wait first."""

from forecast.changes.compare import KINDS, Changes, changes, changes_since
from forecast.changes.snapshot import Snapshot, keep, last_before, read_kept, snapshot

__all__ = [
    "KINDS", "Changes", "Snapshot", "changes", "changes_since", "keep", "last_before",
    "read_kept", "snapshot",
]  # fmt: skip
