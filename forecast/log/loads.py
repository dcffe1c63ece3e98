"""Was a set loaded enough? What a criterion asks for, what was noted, and what can't be told."""

from __future__ import annotations

import pandas as pd

from forecast.ladder import Ladder

SLACK_KG = 0.5
"""Plates and pound conversions never match to the gram."""

_NAMED = 8
"""Athletes named in one sentence; the rest are counted."""


def load_marks(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> pd.DataFrame:
    """Say for every set whether it was loaded enough, and on what ground.

    A load never noted for an athlete on a rung is presumed to be the one asked for: coaches write
    down what varies. Where loads are noted but body mass is not known, a load that is a fraction
    of it can't be checked: any noted load passes, and a set without one does not, since no body
    mass makes that enough.

    Parameters
    ----------
    sets
        Rows with ``athlete, rung, load_kg``; kilograms, missing where not noted.
    ladder
        The ladder whose criteria apply.
    roster
        Index ``athlete``; ``body_mass_kg`` is used where it is there.

    Returns
    -------
    DataFrame
        On the index of ``sets``: ``load_asked`` (kg; 0 where none is, missing where it can't be
        known), ``load_noted`` (some load was noted for this athlete on this rung) and ``loaded``.
    """
    marks = {rung.key: rung.criterion for rung in ladder.rungs}
    fraction = sets["rung"].map({key: c.load_bodyweight or 0.0 for key, c in marks.items()})
    fixed = sets["rung"].map({key: c.load_kg or 0.0 for key, c in marks.items()}).astype(float)
    mass = pd.Series(float("nan"), index=sets.index)
    if "body_mass_kg" in roster.columns:
        mass = sets["athlete"].map(roster["body_mass_kg"]).astype(float)
    asked = fixed.where(fraction == 0, fraction.astype(float) * mass)
    noted = sets.groupby(["athlete", "rung"])["load_kg"].transform("count") > 0
    carried = sets["load_kg"].fillna(0.0)
    enough = (carried >= asked - SLACK_KG).where(asked.notna(), carried > 0)
    return pd.DataFrame(
        {"load_asked": asked, "load_noted": noted, "loaded": (asked == 0) | ~noted | enough}
    )


def load_warnings(sets: pd.DataFrame, ladder: Ladder, roster: pd.DataFrame) -> list[str]:
    """Return a sentence for each rung whose load was taken on trust: for whom, and what to do.

    Parameters are those of ``load_marks``.
    """
    asking = [r.key for r in ladder.rungs if r.criterion.load_kg or r.criterion.load_bodyweight]
    sets = sets[sets["rung"].isin(asking)]
    marks = load_marks(sets, ladder, roster).join(sets[["athlete", "rung"]])
    marks["unknown"] = marks["load_asked"].isna()
    trusted = marks[marks["unknown"] | ((marks["load_asked"] > 0) & ~marks["load_noted"])]
    trusted = trusted[["athlete", "rung", "unknown", "load_noted"]].drop_duplicates()
    said = []
    for rung in ladder.rungs:
        here, mark = trusted[trusted["rung"] == rung.key], rung.criterion
        asks = f"{mark.load_kg:g} kg" if mark.load_kg else ""
        if mark.load_bodyweight:
            asks = f"{100 * mark.load_bodyweight:g} % of body mass"
        start = f"{rung.key!r} asks for a load of {asks}"
        light = _people(here.loc[here["unknown"] & here["load_noted"], "athlete"])
        if light:
            said.append(
                f"{start}, and no body mass is known for {light}: any load noted was taken as "
                "enough. Add body_mass_kg to the roster."
            )
        bare = _people(here.loc[~here["load_noted"], "athlete"])
        if bare:
            unknown = here.loc[~here["load_noted"], "unknown"].any()
            mass = ", and add body_mass_kg to the roster" if unknown else ""
            said.append(
                f"{start}, and none was ever noted there for {bare}: it was taken as carried. Note "
                f"load_kg where that is not so{mass}."
            )
    return said


def _people(athletes: pd.Series) -> str:
    names = sorted(athletes.unique())
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(map(repr, names[:_NAMED])) + more
