"""Files of every kind, damaged in known ways, and what the readers make of them."""

from __future__ import annotations

import datetime as dt
import io
import random
import zipfile
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd

from forecast.errors import ForecastError
from forecast.ladder import Criterion, Ladder, Rung
from forecast.ladder_file import read_ladder
from forecast.log import describe_log, load_mapping, read_club, read_log

LADDER = Ladder("Invented", (Rung("press", "Strict press", "", Criterion("reps", 8.0)),))
TABLE = pd.DataFrame(
    {
        "athlete": ["Ana", "Bo", "Bo", "Cy"],
        "date": pd.to_datetime(["2026-04-03", "2026-04-17", "2026-04-17", "2026-04-20"]),
        "rung": "press",
        "value": [12.5, 9.0, 7.0, 4.0],
        "clean": [True, False, True, True],
        "assist": ["none", "band", "none", "none"],
        "note": ["", "tight; slow, steady", '"so"', "x"],
    }
)
LADDER_TOML = b"""[ladder]
name = "Invented"
[[rung]]
key = "press"
measure = "reps"
target = 8
confirm_sessions = 2
needs = []
[[rung]]
key = "hang"
measure = "seconds"
target = 10.5
needs = ["press"]
"""
MAPPING_TOML = b"""[columns]
athlete = "athlete"
value = ["value"]
[values.clean]
"ok" = true
[read]
date_order = "dmy"
last_date = 2026-05-01
"""
CLUB_TOML = b"""name = "Club"
ladder = "ladder.toml"
as_of = 2026-05-01
[[log]]
file = "sets.csv"
"""
TOKENS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"'", b'"', b'"""', b"[", b"[[", b"]", b"{", b"=", b",",
    b";", b"\n", b"\r", b"-1", b"1e999", b"nan", b"9" * 5000, b"[" * 2000, b"0000-00-00",
    b"2999-12-31", b"\xed\xa0\x80", b"<", b"</row>", b'<c t="s"><v>99999</v></c>', b'r="A0"',
    b'<row r="2000000000">', b"&amp;", b"&#0;", b't="d"', b"<v>1e400</v>", b"true", b"inf",
]  # fmt: skip
"""Bytes put in beside random ones: what parsers stumble over."""


def _book() -> bytes:
    packed = io.BytesIO()
    TABLE.to_excel(packed, index=False)
    return packed.getvalue()


NOTE = b"""2026-04-03 Ana
press: 5, 6, 4
2026-04-10, Bo
press 8 8 7 (band)
Cy
press = 4
"""
ROSTER = b"athlete,age,body_mass_kg,height_cm,squad\nAna,31,62.5,170,a\nBo,44,80,1.81 m,b\n"
CELLS = [
    Decimal("sNaN"), Decimal("1e500"), np.timedelta64("NaT"), np.datetime64("NaT"), pd.NaT, pd.NA,
    pd.Timedelta("1 day"), dt.timedelta(days=10**6), "\ud800", "\x00", "x" * 5000, 10**400, -1,
    complex(1, 2), b"\xff", [], {}, object, float("inf"), dt.time(1, 2), dt.datetime(1, 1, 1), True,
    pd.Timestamp("1677-09-22"), np.bool_(False), Fraction(1, 3), "=1+1", "3x10", "10/9", "5+2 band",
    "1:05", "12-15",
    "5'3\"", "\u202e5", "", " ", "-", "\u0663", 1e-320, "9" * 400, (1, 2), np.array([1]),
]  # fmt: skip
"""Cells of a table in memory that readers stumble over."""

SEEDS: dict[str, bytes] = {
    "csv": TABLE.to_csv(index=False).encode(),
    "xlsx": _book(),
    "parquet": TABLE.to_parquet(),
    "ladder": LADDER_TOML,
    "mapping": MAPPING_TOML,
    "club": CLUB_TOML,
    "note": NOTE,
    "roster": ROSTER,
    "frame": b"0123456789",
}
"""A sound file of each kind, and numbers to draw a table in memory from."""


def mutated(content: bytes, rng: random.Random) -> bytes:
    """Return the bytes with one to six of them changed, cut, doubled, moved or put in."""
    data = bytearray(content)
    for _ in range(rng.randint(1, 6)):
        at, to = (rng.randrange(len(data) + 1) for _ in range(2))
        match rng.randrange(6):
            case 0:
                data[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                del data[at : at + rng.choice([1, 4, 100])]
            case 2:
                data[at:at] = rng.choice(TOKENS)
            case 3:
                data[at : at + 4] = rng.choice(TOKENS)
            case 4:
                data[at:at] = data[to : to + rng.choice([4, 60])]
            case 5:
                del data[max(at, 1) :]
    return bytes(data)


def odd_table(rng: random.Random) -> pd.DataFrame:
    """Return a table in memory with odd cells, columns, types and order."""
    table = TABLE.astype(object).sample(frac=3, replace=True, random_state=rng.randrange(2**32))
    for _ in range(rng.randint(1, 8)):
        row, column = rng.randrange(len(table)), rng.randrange(table.shape[1])
        cells = list(table.iloc[:, column])
        cells[row] = rng.choice(CELLS)
        table.isetitem(column, pd.Series(cells, table.index, dtype=object))
    match rng.randrange(6):
        case 0:
            table.columns = [
                rng.choice([c, c.upper(), 5, None, "", "value"]) for c in table.columns
            ]
        case 1:
            table = table.set_index("athlete")
        case 2:
            table = table.iloc[:0]
        case 3:
            table = table.T
        case 4:
            table = pd.concat([table, table], axis=1)
    return table


def damaged(kind: str, rng: random.Random) -> bytes:
    """Return a damaged file; a workbook is as often damaged inside its packing as outside."""
    content = SEEDS[kind]
    if kind not in {"xlsx", "model"} or rng.random() < 0.3:
        return mutated(content, rng)
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(packed, "w") as new:
        names = old.namelist()
        chosen = rng.choice([name for name in names if name.endswith(".xml")] + [names[-1]] * 3)
        packing = zipfile.ZIP_DEFLATED if kind == "model" else zipfile.ZIP_STORED
        for name in names:
            inner = old.read(name)
            new.writestr(name, mutated(inner, rng) if name == chosen else inner, packing)
    return packed.getvalue()


def read(kind: str, content: bytes, folder: Path) -> str:
    """Read a file of this kind: ``"read"``, or ``"refused"`` with a sentence.

    Any other exception goes on; so does a row that is lost, or a message of undue length.
    """
    endings = dict.fromkeys(("ladder", "mapping", "club"), "toml") | {
        "note": "txt",
        "roster": "csv",
    }
    path = folder / f"fuzzed.{endings.get(kind, kind)}"
    path.write_bytes(content)
    try:
        if kind == "ladder":
            read_ladder(path)
        elif kind == "mapping":
            load_mapping(path)
        else:
            log = _log(kind, path, folder)
            assert log.rows_in == len(log.sets) + len(log.rejected), "a row is lost"
            describe_log(log)
    except ForecastError as error:
        said = str(error)
    else:
        return "read"
    assert 0 < len(said) < 20_000, f"a message of {len(said)} characters"
    return "refused"


def _log(kind, path, folder):
    if kind == "roster":
        return read_log(TABLE, LADDER, roster=path)
    if kind == "frame":
        return read_log(odd_table(random.Random(path.read_bytes())), LADDER)
    if kind != "club":
        return read_log(path, LADDER)
    (folder / "ladder.toml").write_bytes(LADDER_TOML)
    (folder / "sets.csv").write_bytes(SEEDS["csv"])
    return read_club(path).log
