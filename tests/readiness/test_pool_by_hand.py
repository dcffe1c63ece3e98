"""The pool's numbers one by one, a saved value of every kind, rungs behind, and shares of a log."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import joblib
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy.optimize import minimize
from scipy.special import expit, logit

from forecast import parts
from forecast.errors import ForecastError, ModelFileError
from forecast.histories import Absences
from forecast.ladder import Criterion, Ladder, Rung
from forecast.log import read_log
from forecast.model import ReadinessForecaster
from forecast.readiness import read_model, rungs_behind, save_model
from forecast.readiness.pool import Combiner, fit_combiner
from forecast.readiness.storage import check_record
from forecast.result import ReadinessForecast

# the pool -------------------------------------------------------------------------------------


def test_shares_of_three_engines_by_hand():
    """Eight weeks are where the log of time is nothing; after 12 weeks away log(1 + 12 / 4) is."""
    pool = Combiner(np.array([[0.4, 0.1, -0.3], [-0.7, -0.2, 0.5]]))
    weeks = np.array([0.1, 8.0, 16.0])
    for column, time in enumerate(np.log([0.5 / 8.0, 1.0, 2.0])):
        logs = [0.0, 0.4 + 0.1 * time - 0.3 * np.log(4), -0.7 - 0.2 * time + 0.5 * np.log(4)]
        expected = np.exp(logs) / np.exp(logs).sum()
        np.testing.assert_allclose(pool.shares(weeks, 12.0)[:, column], expected)


def test_a_pooled_chance_by_hand():
    chances = [np.array([[0.1, 0.3, 0.4]]), np.array([[0.2, 0.3, 0.6]])]
    weeks = np.array([4.0, 8.0, 16.0])
    pool = Combiner(np.array([[0.5, 0.2, 0.1]]), shift=0.3, drift=-0.1, log_stretch=0.2)
    time = np.log(weeks / 8.0)
    share = expit(0.5 + 0.2 * time + 0.1 * np.log(1.5))
    mixed = share * chances[1] + (1 - share) * chances[0]
    expected = expit(0.3 - 0.1 * time + np.exp(0.2) * logit(mixed))
    np.testing.assert_allclose(pool.combine(chances, weeks, np.array([2.0])), expected)


@pytest.mark.parametrize("known", ["all", "some"])
def test_the_pool_is_the_mode_of_its_censored_score_and_priors(known):
    """The score written out landmark by landmark, and climbed by a search that knows no slopes.

    A clearing in week u has the chance gained in it; an open record what is left; weeks past the
    sure ones count for a part; of an athlete's five landmarks each counts for three fifths.
    """
    rng = np.random.default_rng(6)
    weeks = np.arange(13.0)
    chances = [1 - np.exp(-np.outer(rng.uniform(0.03, 0.2, 25), weeks)) for _ in range(2)]
    time = rng.uniform(0.2, 14.0, 25)
    cleared = rng.random(25) < 0.5
    time[:2], cleared[:2] = (0.4, 1.0), True  # in the first week
    athlete = np.repeat(np.arange(5), 5)
    sure = None if known == "all" else 0.5 * time
    stays = 1.0 if known == "all" else 0.3
    away = rng.exponential(5.0, 25)
    # five athletes make the shares' variance a tenth larger
    sd, scale = np.sqrt(1.1) * np.array([0.3, 0.1, 0.1]), np.array([0.015, 0.0075, 0.01])

    def loss(vector):
        pool = Combiner(vector[:3][None], *vector[3:])
        pooled = pool.combine(chances, weeks, away)
        total = 0.5 * np.sum((vector[:3] / sd) ** 2) + np.log1p((vector[3:] / scale) ** 2).sum()
        for row, (end, met) in enumerate(zip(time, cleared, strict=True)):
            curve = pooled[row]
            if met and end <= 12:
                week = int(np.ceil(end))
                score = np.log(curve[week] - curve[week - 1])
            else:
                whole, early = (
                    np.log(1 - np.interp(min(at, 12.0), weeks, curve))
                    for at in (end, end if sure is None else sure[row])
                )
                score = early + stays * (whole - early)
            total -= 0.6 * score
        return total

    best = minimize(loss, np.zeros(6), method="Nelder-Mead",
                    options={"xatol": 1e-6, "fatol": 1e-9, "maxfev": 9000})  # fmt: skip
    found = fit_combiner(chances, time, cleared, athlete, None, sure, stays, away)
    ours = np.r_[found.weights.ravel(), found.shift, found.drift, found.log_stretch]
    assert loss(ours) == pytest.approx(best.fun, abs=1e-5)
    np.testing.assert_allclose(ours, best.x, atol=5e-3)
    assert (found.n_landmarks, found.n_athletes) == (25, 5)


# storage --------------------------------------------------------------------------------------


def test_a_value_of_every_kind_comes_back_as_it_was(tmp_path):
    law = Absences(np.array([30.0, 40.0]), np.array([1.0, 2.0]), np.array([0.1, 0.2]), 0.5)
    learnt = {
        "law": law, "day": pd.Timestamp("2025-03-10"), "pair": ("a", 2), "list": [1.5, ["b"], None],
        "numbers": np.arange(6, dtype=np.int64).reshape(2, 3), "flags": np.array([True, False]),
        "none": np.empty((0, 3)), "scalar": np.float64(2.5), "map": {"x": {"y": 1}}, "yes": True,
    }  # fmt: skip
    file = save_model({"paths": 64}, learnt, tmp_path / "m.zip")
    settings, found = read_model(file)
    assert settings == {"paths": 64}
    assert list(found) == sorted(learnt)
    for name in ("day", "pair", "list", "map", "yes", "scalar"):
        assert found[name] == learnt[name], name
        assert type(found[name]) is type(learnt[name]) or name == "scalar"
    for name in ("numbers", "flags", "none"):
        np.testing.assert_array_equal(found[name], learnt[name])
        assert found[name].dtype == learnt[name].dtype
        assert found[name].shape == learnt[name].shape
    for field in dataclasses.fields(law):
        np.testing.assert_array_equal(getattr(found["law"], field.name), getattr(law, field.name))


def test_what_is_written_does_not_hang_on_the_order_of_what_was_learnt(tmp_path):
    one = save_model({"paths": 64, "draws": 8}, {"a": 1, "b": {"c": 2, "d": 3}}, tmp_path / "one")
    two = save_model({"draws": 8, "paths": 64}, {"b": {"d": 3, "c": 2}, "a": 1}, tmp_path / "two")
    assert one.read_bytes() == two.read_bytes()


def test_records_have_the_shapes_signs_and_sizes_they_must_have():
    good = {"length": np.array([30.0]), "began": np.array([1.0]), "share": np.array([0.1]),
            "prior": 0.5}  # fmt: skip
    check_record(Absences, good)
    check_record(Absences, good | {"share": np.array([0.0]), "prior": 0.0})
    check_record(Absences, good | {"began": np.array([-1e9])})
    for change, words in [
        ({"share": np.array([0.1, 0.2])}, "shape"),
        ({"share": np.array([[0.1]])}, "shape"),
        ({"length": np.array([0.0])}, "not above 0"),
        ({"share": np.array([-0.1])}, "below 0"),
        ({"prior": -0.1}, "below 0"),
        ({"prior": float("nan")}, "not finite"),
        ({"began": np.array([1.1e9])}, "far too large"),
        ({"began": np.array([1])}, "not an array of float64"),
        ({"prior": "0.5"}, "not a number"),
        ({"stranger": 1}, "stranger"),
    ]:
        with pytest.raises(ValueError, match=words):
            check_record(Absences, good | change)
    with pytest.raises(ValueError, match="prior"):
        check_record(Absences, {k: v for k, v in good.items() if k != "prior"})


@pytest.mark.parametrize(
    ("name", "least", "most"),
    [("horizon_weeks", 1, 1040), ("random_state", 0, 2**63 - 1), ("paths", 4, 65536),
     ("draws", 2, 4096), ("lapse_weeks", 0.1, 1040.0)],
)  # fmt: skip
def test_settings_have_bounds(name, least, most):
    whole = name != "lapse_weeks"
    for beyond in (least - 1, most + 1, str(least), *([float(most)] if whole else [])):
        with pytest.raises(ForecastError, match=f"{name} = .*; give a"):
            ReadinessForecaster(**{name: beyond}).fit(None)


def test_a_folder_is_no_file(tmp_path):
    with pytest.raises(ModelFileError):
        read_model(tmp_path)


# rungs behind ---------------------------------------------------------------------------------


def ladder_of(*needs):
    return Ladder(
        "Branches",
        tuple(
            Rung(f"r{k}", "R", "", Criterion("reps", 5.0), needs=tuple(f"r{n}" for n in need))
            for k, need in enumerate(needs)
        ),
    )


def behind(ladder, done=(), begun=(), under_way=()):
    rungs = np.arange(len(ladder.rungs))
    flags = [np.isin(rungs, list(one))[None] for one in (done, [*done, *begun], under_way)]
    return np.flatnonzero(rungs_behind(*flags, ladder)[0]).tolist()


def test_rungs_behind_an_athlete():
    line = ladder_of((), (0,), (1,), (2,))
    assert behind(line, done=[0]) == [0]
    assert behind(line, begun=[2]) == [0, 1]  # what a rung begun needs is behind
    assert behind(line, done=[3]) == [0, 1, 2, 3]
    assert behind(line, begun=[1, 2], under_way=[1, 2]) == [0]  # still trained
    assert behind(line, done=[1], begun=[2], under_way=[1, 2]) == [0, 1]  # cleared all the same
    assert behind(line) == []


def test_rungs_before_the_first_that_the_log_shows_unless_it_is_a_foot():
    """Two legs (0, 2) and (1, 3): who begins at 3 was beyond 2; a foot says nothing of others."""
    legs = ladder_of((), (), (0,), (1,))
    assert behind(legs, begun=[3]) == [0, 1, 2]
    assert behind(legs, begun=[1]) == []


# shares of a log ------------------------------------------------------------------------------

PULL = Ladder("One", (Rung("pull", "Pull", "", Criterion("reps", 5.0), needs=()),))


class Counting:
    """Stands in for a forecaster: says which athletes it was shown, and is picklable."""

    def forecast(self, log, as_of=None, *, engine="pool", n_jobs=None):
        people = sorted(log.sets["athlete"].unique())
        assert n_jobs == 1
        table = pd.DataFrame({"athlete": people, "rung": "pull"})
        return ReadinessForecast(table, table, table, (), as_of, 9, f"{engine} of {len(people)}")


def log_of(names, days=(0, 5)):
    start = pd.Timestamp("2025-01-06")
    rows = [(n, start + pd.Timedelta(days=d), "pull", 2.0) for n in names for d in days]
    return read_log(pd.DataFrame(rows, columns=["athlete", "date", "rung", "value"]), PULL)


def test_athletes_are_shared_out_evenly_and_joined_in_order():
    log = log_of("EDCBA")
    with joblib.parallel_config(backend="threading"):
        found = parts.forecast_shared_out(Counting(), log, "2025-02-01", "growth", 2)
    assert found.summary["athlete"].tolist() == list("ABCDE")
    assert found.summary.index.tolist() == list(range(5))
    assert found.engine == "growth of 3"  # three and two
    alone = parts.forecast_shared_out(Counting(), log, "2025-02-01", "growth", 1)
    assert alone.engine == "growth of 5"


def test_only_athletes_before_the_cut_are_shared_out():
    """On the day of the first sets nothing is before it; a day on all of them are."""
    log = log_of("AB", days=(0,))
    late = log_of("CD", days=(9,))
    both = dataclasses.replace(log, sets=pd.concat([log.sets, late.sets], ignore_index=True))
    with joblib.parallel_config(backend="threading"):
        found = parts.forecast_shared_out(Counting(), both, "2025-01-15", "growth", 2)
    assert found.summary["athlete"].tolist() == ["A", "B"]
    assert found.engine == "growth of 1"


def test_a_log_shared_out_has_every_row_once_and_an_athlete_in_one_file(tmp_path, monkeypatch):
    monkeypatch.setattr(parts, "BATCH", 7)
    table = pd.DataFrame({"athlete": [f"a{k % 6}" for k in range(40)], "value": np.arange(40)})
    pq.write_table(pa.Table.from_pandas(table), tmp_path / "log.parquet")
    files = parts.share_out_log(tmp_path / "log.parquet", tmp_path / "out", 3)
    assert 1 < len(files) <= 3
    assert sorted((tmp_path / "out").iterdir()) == files
    read = [pd.read_parquet(file) for file in files]
    assert sorted(pd.concat(read)["value"]) == list(range(40))
    homes = [set(one["athlete"]) for one in read]
    assert sum(map(len, homes)) == 6
    assert all(len(one) for one in read)
    with pytest.raises(ForecastError, match="is there already"):
        parts.share_out_log(tmp_path / "log.parquet", tmp_path / "out", 3)
    again = parts.share_out_log(tmp_path / "log.parquet", tmp_path / "one" / "deep", 1)
    assert pd.read_parquet(again[0])["value"].tolist() == list(range(40))
    with pytest.raises(ForecastError, match="parts = 0"):
        parts.share_out_log(tmp_path / "log.parquet", tmp_path / "none", 0)


def test_parts_are_forecast_each_into_its_own_files(tmp_path):
    """Files of one name or of one athlete are refused; a folder in the way is made."""
    for name, people in (("one", "AB"), ("two", "CD"), ("three", "DE")):
        log_of(people).sets[["athlete", "date", "rung", "value"]].to_csv(
            tmp_path / f"{name}.csv", index=False
        )
    files = [tmp_path / f"{name}.csv" for name in ("one", "two")]
    ask = {"ladder": PULL, "as_of": "2025-02-01", "out": tmp_path / "a" / "b"}
    done = parts.forecast_parts(Counting(), files, **ask)
    assert [part.athletes for part in done] == [("A", "B"), ("C", "D")]
    assert [(part.sets, part.rejected) for part in done] == [(4, 0), (4, 0)]
    assert pd.read_parquet(done[1].summary)["athlete"].tolist() == ["C", "D"]
    assert done[0].curve.name == "one.curve.parquet"
    parts.forecast_parts(Counting(), files, **ask)  # done again: written over
    with pytest.raises(ForecastError, match=r"D is in .*two.* and in .*three"):
        parts.forecast_parts(Counting(), [*files, tmp_path / "three.csv"], **ask)
    with pytest.raises(ForecastError, match="Two parts are called one"):
        parts.forecast_parts(Counting(), [files[0], files[0]], **ask)
    with pytest.raises(ForecastError, match="No part is given"):
        parts.forecast_parts(Counting(), [], **ask)


def test_tables_without_rows_do_not_decide_types():
    """A part in which nobody has an open rung brings empty tables: the others' types stand."""
    full = pd.DataFrame({"athlete": ["A"], "value": [1]})
    empty = pd.DataFrame({"athlete": [], "value": []})
    made = [SimpleNamespace(summary=t, curve=t, reasons=t) for t in (empty, full)]
    forecasts = [
        ReadinessForecast(m.summary, m.curve, m.reasons, (), pd.Timestamp("2025-02-01"), 9)
        for m in made
    ]
    assert parts.joined(forecasts).summary["value"].dtype == np.int64
    assert parts.joined(forecasts[:1]).summary.empty
