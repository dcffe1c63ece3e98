"""Names no page may trip over."""

HOSTILE = '<img src="//x.invalid/a" onerror="alert(1)"> & \u00d6sk'
SLASHED = "../Ann/O'Neil"
