"""Fuzz every reader: ``python tests/bench/fuzz_readers.py --seconds 3600``.

Prints, for each kind of file, the cases tried, read and refused, those that ended in anything but
a sentence (each different place once, with the seed that shows it), and the slowest of them.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "log"))

from fuzzing import SEEDS, damaged, read

from forecast.errors import ModelFileError
from forecast.model import load_model


def main() -> int:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--seconds", type=float, default=60.0, help="CPU seconds over all kinds")
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--kind", choices=list(SEEDS), action="append")
    asked.add_argument("--model", type=Path, help="a saved model: it is damaged and loaded too")
    options = asked.parse_args()
    warnings.simplefilter("error")
    if options.model:
        SEEDS["model"] = options.model.read_bytes()
    kinds = options.kind or list(SEEDS)
    faults: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            fuzz(kind, options.seconds / len(kinds), options.seed, Path(folder), faults)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    print(f"peak memory {peak} MB; {sum(faults.values())} faults in {len(faults)} places")
    for place, count in faults.most_common():
        print(f"{count:6d}  {place}")
    return bool(faults)


def fuzz(kind: str, seconds: float, seed: int, folder: Path, faults: Counter[str]) -> None:
    found: Counter[str] = Counter()
    slowest, n = 0.0, 0
    end = time.process_time() + seconds
    while time.process_time() < end:
        name, start = f"{kind} {seed} {n}", time.process_time()
        try:
            content = damaged(kind, random.Random(name))
            found[load(content, folder) if kind == "model" else read(kind, content, folder)] += 1
        except Exception as error:  # a fuzzer is there to catch whatever comes
            found["fault"] += 1
            last = traceback.extract_tb(error.__traceback__)[-1]
            faults[
                f"{kind}: {type(error).__name__} at {Path(last.filename).name}:{last.lineno}"
            ] += 1
            if found["fault"] <= 3:
                print(f"  {name}: {traceback.format_exception_only(error)[-1].strip()[:200]}")
        slowest = max(slowest, time.process_time() - start)
        n += 1
    print(f"{kind:8s} {n:7d} cases, {dict(found)}, slowest {slowest:.2f} s", flush=True)


def load(content: bytes, folder: Path) -> str:
    """Load a saved model: ``"read"``, or ``"refused"`` with a sentence."""
    path = folder / "fuzzed.zip"
    path.write_bytes(content)
    try:
        load_model(path)
    except ModelFileError:
        return "refused"
    return "read"


if __name__ == "__main__":
    sys.exit(main())
