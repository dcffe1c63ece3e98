"""A club opened: its records, its model, fitted now or when last asked, and what the model sees."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from html import escape
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from forecast import inline, words
from forecast.errors import ForecastError, ModelFileError
from forecast.log import Club, TrainingLog, code_digest, read_club

if TYPE_CHECKING:
    from forecast.model import ReadinessForecaster, View

NAME = "last_model-{}.zip"
PACKAGE = Path(__file__).parent


@dataclass(frozen=True, slots=True)
class OpenClub:
    """A club's records (``name, log, as_of``), a forecaster fitted to them, and the log it sees.

    ``view.rows``, ``view.forecast()`` and every other question are asked of ``view``.
    """

    club: Club
    model: ReadinessForecaster
    view: View

    def before(self, weeks: int) -> View:
        """Return what the same forecaster sees of a day so many weeks before, in hindsight.

        Its constants were learnt from the whole log. The day is a week after the first set or more.
        """
        first = self.club.log.sets["date"].min() + pd.Timedelta(weeks=1)
        day = max(first, self.view.as_of - pd.Timedelta(weeks=weeks))
        return self.model.in_hindsight().view(self.club.log, min(day, self.view.as_of))

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self))}</p>{inline.rows_html(self.view.rows)}"

    def __repr__(self) -> str:
        return words.screens.opened(self.club, len(self.view.rows), self.view.as_of)


def open_club(
    path: str | Path, as_of: pd.Timestamp | str | None = None, *, horizon_weeks: int = 52,
    random_state: int = 0, fresh: bool = False, progress: Callable[[str], None] | None = None,
) -> OpenClub:  # fmt: skip
    """Read a club, take the model kept beside it or fit and keep one, and look through it.

    Parameters
    ----------
    path
        A folder that holds ``club.toml``, or a club file; ``ForecastError`` if it can't be read.
    as_of
        Cut date; the club file's where left out, else the day after the last set.
    horizon_weeks, random_state, progress
        As for ``ReadinessForecaster``.
    fresh
        Fit anew, whatever model is kept.
    """
    from forecast.model import ReadinessForecaster  # takes seconds to load

    club, home = read_club(path), Path(path)
    cut = club.as_of if as_of is None else pd.Timestamp(as_of)
    asked = ReadinessForecaster(horizon_weeks=horizon_weeks, random_state=random_state)
    folder = home if home.is_dir() else home.parent
    model = fit_or_kept(asked, club.log, cut, folder, fresh=fresh, progress=progress)
    return OpenClub(club, model, model.view(club.log, cut, progress=progress))


def kept_path(
    home: Path, settings: Mapping[str, int], log: TrainingLog, as_of: pd.Timestamp | None
) -> Path:
    """Return where a model of these records is kept, in the club's folder.

    The name tells records, cut date, the command's settings and the package's own code apart, so
    a model there is the one that a fit would give.
    """
    digest = hashlib.sha256()
    ladder = replace(log.ladder, source="")  # by whatever path the club was reached
    for fact in (version("rungwise"), ladder, as_of, sorted(settings.items())):
        digest.update(repr(fact).encode())
    for frame in (log.sets, log.roster.reset_index()):
        digest.update(repr(list(frame.columns)).encode())
        digest.update(pd.util.hash_pandas_object(frame, index=False).to_numpy().tobytes())
    digest.update(code_digest(PACKAGE))
    return home / NAME.format(digest.hexdigest()[:16])


def settings_of(model: ReadinessForecaster) -> dict[str, int]:
    """Return a model's settings as the commands name them, and any other that is not as usual."""
    mine, usual = model.get_params(), type(model)().get_params()
    named = {"horizon": mine.pop("horizon_weeks"), "seed": mine.pop("random_state")}
    return named | {name: value for name, value in mine.items() if value != usual[name]}


def fit_or_kept(
    model: ReadinessForecaster, log: TrainingLog, as_of: pd.Timestamp | None, home: Path, *,
    fresh: bool = False, progress: Callable[[str], None] | None = None,
    say: Callable[[str], None] = print,
) -> ReadinessForecaster:  # fmt: skip
    """Return the model kept in the club's folder for these records, or fit and keep one.

    ``say`` is called where a kept model can't be read, or the new one not be kept.
    """
    from forecast.model import load_model  # takes seconds to load

    path = kept_path(home, settings_of(model), log, as_of)
    if path.exists() and not path.is_symlink() and not fresh:
        try:
            return load_model(path)
        except ModelFileError as error:
            say(words.say.text("not_read", error=error))
    fitted = model.fit(log, as_of, progress=progress)
    if trouble := keep_model(path, fitted):
        say(trouble)
    return fitted


def keep_model(path: Path, model: ReadinessForecaster) -> str:
    """Keep the model in place of the one before; return why not, where it can't be kept."""
    try:
        if path.is_symlink():
            path.unlink()  # kept here, not wherever a link points
        model.save(path)
        for old in path.parent.glob(NAME.format("*")):
            if old != path:
                old.unlink(missing_ok=True)
    except (ForecastError, OSError) as error:
        return words.say.text("not_kept", error=error)
    return ""
