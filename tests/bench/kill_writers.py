"""Kill each writer at random moments: ``python tests/bench/kill_writers.py --kills 50``.

A child writes two versions of the same files by turns, for ever; it is killed (SIGKILL) at a random
moment of up to three writes, and every file at a final name must then be one of the two versions,
or open as what it is. Prints, for each writer, the kills, those that left a broken file, those that
fell into a write (a file put beside, not yet in its place), and the seconds of one write.
"""

from __future__ import annotations

import argparse
import dataclasses
import io
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout, suppress
from pathlib import Path

import openpyxl
import pandas as pd

from forecast.__main__ import main as command_line
from forecast.changes import keep, read_kept, snapshot
from forecast.commands.weeks import WRITERS
from forecast.kept import keep_model
from forecast.log import club_files, pseudonymise, read_log, write_all, write_rejected, write_whole
from forecast.model import ReadinessForecaster, load_model
from forecast.simulate import simulate_cohort

Write = Callable[[int], object]
"""Writes version 0 or 1."""


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=50)
    asked.add_argument("--seed", type=int, default=0)
    options = asked.parse_args()
    rng = random.Random(options.seed)
    broken = 0
    with tempfile.TemporaryDirectory() as made:
        for name, (folder, write) in writers(Path(made)).items():
            counts = killed(folder, write, options.kills, rng)
            broken += counts["broken"]
            print(f"{name:24s}", counts, flush=True)
    return bool(broken)


def writers(root: Path) -> dict[str, tuple[Path, Write]]:
    """Return each writer with the folder it writes to."""
    log = simulate_cohort("steady", 3, seed=1, weeks=20, follow_up=0, start="2024-01-01").log
    cut = log.sets["date"].max() + pd.Timedelta(days=1)
    view = ReadinessForecaster(horizon_weeks=8).fit(log, cut).view(log, cut)
    bad = pd.DataFrame({"athlete": "Bo", "date": "2024-01-05", "value": 1, "rung": ["no"] * 600})
    logs = [read_log(bad.iloc[:n], log.ladder) for n in (300, 600)]
    results = [view.forecast(), view.forecast("growth")]
    runs = [snapshot(view), dataclasses.replace(snapshot(view), as_of=cut - pd.Timedelta(days=7))]
    page = ["<p>" + letter * 200_000 for letter in "ab"]
    shared = [pseudonymise(log, key * 16) for key in (b"a", b"b")]
    (root / "sources").mkdir()
    files = [root / "sources" / f"log{n}.csv" for n in (0, 1)]
    for n, path in enumerate(files):
        bad.iloc[: 100 + n].assign(rung=f"no{n}").to_csv(path, index=False)
    ladder = root / "sources" / "ladder.toml"
    ladder.write_text('[ladder]\nname = "L"\n[[rung]]\nkey = "a"\nmeasure = "reps"\ntarget = 8\n')

    def draft(n: int, folder: Path) -> None:
        words = ["check", str(files[n]), "--ladder", str(ladder), "--draft"]
        with (
            redirect_stdout(io.StringIO()),
            redirect_stderr(io.StringIO()),
            suppress(SystemExit),
        ):
            command_line([*words, str(folder / "mapping.toml")])

    found: dict[str, Callable[[int, Path], object]] = {
        "check --rejected .csv": lambda n, f: write_rejected(logs[n], f / "rejected.csv"),
        "check --rejected .xlsx": lambda n, f: write_rejected(logs[n], f / "rejected.xlsx"),
        "check --draft": draft,
        "changes, last run": lambda n, f: keep(f / "last_run.json", [], runs[n]),
        "model.save": lambda n, f: view.model.save(f / "model.zip"),
        "model kept": lambda n, f: keep_model(f / f"last_model-{n}.zip", view.model),
        "report, 12 pages": lambda n, f: write_all(
            (f / f"{k}.html", page[n].encode()) for k in range(12)
        ),
        "pseudonymise": lambda n, f: write_all(club_files(shared[n], f, cut)),
    }
    for form, content in WRITERS.items():
        found[f"weeks --out .{form}"] = lambda n, f, form=form, content=content: write_whole(
            f / f"weeks.{form}", content(results[n])
        )
    return {
        name: ((root / str(at)), lambda n, write=write, at=at: write(n, root / str(at)))
        for at, (name, write) in enumerate(found.items())
    }


def killed(folder: Path, write: Write, kills: int, rng: random.Random) -> dict[str, float]:
    """Kill the writer so often; return the counts."""
    folder.mkdir()
    versions: dict[str, set[bytes]] = {}
    took = 0.0
    for n in (0, 1):
        start = time.perf_counter()
        write(n)
        took = max(took, time.perf_counter() - start)
        for path in folder.iterdir():
            versions.setdefault(path.name, set()).add(path.read_bytes())
    counts = {"kills": kills, "broken": 0, "in a write": 0, "seconds a write": round(took, 3)}
    for _ in range(kills):
        child = os.fork()
        while child == 0:
            for n in (0, 1):
                write(n)
        time.sleep(rng.uniform(0.0, 3.0 * took))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        there = {path for path in folder.iterdir() if path.name in versions}
        counts["broken"] += any(not whole(path, versions[path.name]) for path in there) or not there
        beside = set(folder.iterdir()) - there
        counts["in a write"] += bool(beside)
        for path in beside:
            path.unlink()
    shutil.rmtree(folder)
    return counts


def whole(path: Path, versions: set[bytes]) -> bool:
    """Whether a file is one of its versions; packed ones, which hold the time, open."""
    content = path.read_bytes()
    if content in versions:
        return True
    try:
        if path.suffix == ".xlsx":
            openpyxl.load_workbook(io.BytesIO(content)).close()
        elif path.name == "last_run.json":
            read_kept(path)
        elif path.suffix == ".zip":
            load_model(path)
        else:
            return False
    except Exception as error:  # whatever it is, the file is broken
        print(f"  {path.name}: {error!r}")
        return False
    return True


if __name__ == "__main__":
    sys.exit(main())
