"""What the workers of one run share: models fitted once, and files that each takes whole."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from locket import lock_file
from xdist.scheduler import LoadFileScheduling

from forecast import ReadinessForecaster, load_model


class ByFile(LoadFileScheduling):
    """Each worker takes whole files, in the order of the tests.

    What a file sets up for its tests is set up once, and the first worker compiles while the other
    is busy with a file that needs nothing compiled.
    """

    def __init__(self, config: pytest.Config, log: object) -> None:
        super().__init__(config, log)
        config.option.loadscopereorder = False


class SharedModels:
    """Models by name: fitted by the first worker that asks, read from its file by all.

    Tests hold that a model read from its file forecasts like the one just fitted.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def get(self, name: str, fit: Callable[[], ReadinessForecaster]) -> ReadinessForecaster:
        """Return the model of that name; ``fit`` makes it where nobody has yet."""
        path = self.folder / f"{name}.zip"
        with lock_file(f"{path}.lock"):
            if not path.exists():
                fit().save(path)
        return load_model(path)


def shared_folder(factory: pytest.TempPathFactory, config: pytest.Config) -> Path:
    """Return the run's own folder that all its workers see."""
    folder = factory.getbasetemp()
    return folder.parent if hasattr(config, "workerinput") else folder
