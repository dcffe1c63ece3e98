"""A club forecast in parts: by workers, from files, on a cluster that loses one of them."""

from __future__ import annotations

import dataclasses
import importlib.util
import os

import joblib
import pandas as pd
import pytest

import forecast as fc
from forecast.errors import ForecastError


def same(one, other):
    for name in ("summary", "curve", "reasons"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


def test_workers_change_no_byte_of_a_forecast(small_model, small_log, small_cut, small_result):
    same(small_model.forecast(small_log, small_cut, n_jobs=2), small_result)


def test_any_backend_of_joblib_is_used(small_model, small_log, small_cut, small_result):
    with joblib.parallel_config(backend="threading", n_jobs=3):
        same(small_model.forecast(small_log, small_cut), small_result)


def test_more_workers_than_athletes_are_no_matter(small_model, small_log, small_cut, small_result):
    first = small_result.summary["athlete"].iloc[0]
    one = small_log.sets[small_log.sets["athlete"] == first].reset_index(drop=True)
    alone = dataclasses.replace(small_log, sets=one)
    with joblib.parallel_config(backend="threading", n_jobs=3):
        same(small_model.forecast(alone, small_cut), small_result.for_athlete(first))


@pytest.fixture
def parquet(tmp_path, small_log):
    """The small log as one Parquet file."""
    sets = small_log.sets.drop(columns=["file", "row", "assisted"])
    path = tmp_path / "log.parquet"
    sets.to_parquet(path, index=False)
    return path


def gathered(done, name):
    table = pd.concat([pd.read_parquet(getattr(part, name)) for part in done])
    return table.sort_values(["athlete", "rung"], kind="stable").reset_index(drop=True)


def by_key(table):
    return table.sort_values(["athlete", "rung"], kind="stable").reset_index(drop=True)


def test_a_log_in_parts_is_forecast_as_the_whole(
    tmp_path, parquet, small_model, small_log, small_cut, small_result, monkeypatch
):
    monkeypatch.setattr("forecast.parts.BATCH", 500)  # several batches go to each part
    files = fc.share_out_log(parquet, tmp_path / "parts", 3)
    assert len(files) > 1
    out = tmp_path / "out"
    done = fc.forecast_parts(small_model, files, small_log.ladder, as_of=small_cut, out=out)
    assert sum(part.sets + part.rejected for part in done) == len(small_log.sets)
    for name in ("summary", "curve"):
        pd.testing.assert_frame_equal(
            gathered(done, name), by_key(getattr(small_result, name)), check_exact=True
        )


def test_an_athlete_in_two_parts_is_refused(tmp_path, parquet, small_model, small_log, small_cut):
    half = tmp_path / "half.parquet"
    pd.read_parquet(parquet).iloc[:300].to_parquet(half)
    with pytest.raises(ForecastError, match=r"is in .*half\.parquet and in .*log\.parquet"):
        fc.forecast_parts(
            small_model, [half, parquet], small_log.ladder, as_of=small_cut, out=tmp_path
        )


def test_what_makes_no_sense_is_refused(tmp_path, parquet, small_model, small_log, small_cut):
    with pytest.raises(ForecastError, match="there is no column 'client'"):
        fc.share_out_log(parquet, tmp_path / "parts", 2, athlete="client")
    with pytest.raises(ForecastError, match="parts = 0"):
        fc.share_out_log(parquet, tmp_path / "parts", 0)
    fc.share_out_log(parquet, tmp_path / "parts", 1)
    with pytest.raises(ForecastError, match="is there already"):
        fc.share_out_log(parquet, tmp_path / "parts", 1)
    for files, said in (([], "No part"), ([parquet, parquet], "Two parts are called log")):
        with pytest.raises(ForecastError, match=said):
            fc.forecast_parts(small_model, files, small_log.ladder, as_of=small_cut, out=tmp_path)


class Mortal:
    """A forecaster whose first worker is killed at its work, once."""

    def __init__(self, model, mark):
        self.model, self.mark = model, mark

    def forecast(self, log, as_of=None, **asked):
        try:
            os.close(os.open(self.mark, os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            return self.model.forecast(log, as_of, **asked)
        os._exit(1)


@pytest.mark.nightly
def test_a_cluster_gives_the_same_and_survives_a_killed_worker(
    tmp_path, parquet, small_model, small_log, small_cut, small_result
):
    if importlib.util.find_spec("distributed") is None:
        pytest.skip("dask.distributed is not installed: pip install -e '.[distributed]'")
    from distributed import Client, LocalCluster

    files = fc.share_out_log(parquet, tmp_path / "parts", 4)
    mark = tmp_path / "killed"
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": None}
    with (
        LocalCluster(processes=True, **options) as cluster,
        Client(cluster),
        joblib.parallel_config(backend="dask"),
    ):
        done = fc.forecast_parts(
            Mortal(small_model, mark), files, small_log.ladder, as_of=small_cut,
            out=tmp_path / "out",
        )  # fmt: skip
    assert mark.exists()
    for name in ("summary", "curve"):
        pd.testing.assert_frame_equal(
            gathered(done, name), by_key(getattr(small_result, name)), check_exact=True
        )
