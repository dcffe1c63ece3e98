"""A saved model that somebody changed is refused in one sentence, before memory is spent on it."""

from __future__ import annotations

import copy
import json
import math
import random
import time
import zipfile

import pytest

from forecast.errors import ModelFileError
from forecast.model import load_model

ENTRY = "rungwise.json"


@pytest.fixture(scope="module")
def content(small_model, tmp_path_factory):
    """What a saved model holds."""
    path = small_model.save(tmp_path_factory.mktemp("saved") / "model.zip")
    with zipfile.ZipFile(path) as archive:
        return json.loads(archive.read(ENTRY))


@pytest.fixture
def load(content, tmp_path):
    """Return a function: load the model after a change of its content."""

    def tampered(change):
        changed = copy.deepcopy(content)
        change(changed)
        return load_model(packed(tmp_path, json.dumps(changed)))

    return tampered


def packed(folder, text, compression=zipfile.ZIP_DEFLATED):
    path = folder / "tampered.zip"
    with zipfile.ZipFile(path, "w", compression, compresslevel=1) as archive:
        archive.writestr(ENTRY, text)
    return path


def engines(content):
    return content["learnt"]["map"]["engines_"]["fields"]


def hazard(content):
    return engines(content)["learnt"]["map"]["survival"]["fields"]["ridge"]["fields"]


def weights(content):
    return hazard(content)["weights"]


def club_verdict(content):
    return content["learnt"]["map"]["club_verdict_"]["fields"]


def growth_fit(content):
    return engines(content)["learnt"]["map"]["growth"]["fields"]["fit"]["fields"]


def test_what_is_not_changed_is_loaded(load, small_model):
    assert load(lambda content: None).get_params() == small_model.get_params()


CHANGES = {
    "horizon huge": lambda c: c["settings"].update(horizon_weeks=10**9),
    "horizon below": lambda c: c["settings"].update(horizon_weeks=-1),
    "horizon a text": lambda c: c["settings"].update(horizon_weeks="52"),
    "paths huge": lambda c: c["settings"].update(paths=10**12),
    "paths few": lambda c: c["settings"].update(paths=4),
    "draws odd": lambda c: c["settings"].update(draws=63),
    "lapse nan": lambda c: c["settings"].update(lapse_weeks=math.nan),
    "seed below": lambda c: c["settings"].update(random_state=-1),
    "settings a list": lambda c: c.update(settings=[1]),
    "weights of objects": lambda c: weights(c).update(dtype="object"),
    "weights of text": lambda c: weights(c).update(
        array=["1"] * 3, shape=[3]
    ),
    "weights whole": lambda c: weights(c).update(
        array=[1, 2], shape=[2]
    ),
    "weights huge shape": lambda c: weights(c).update(
        shape=[10**12, 10**12]
    ),
    "weights infinite": lambda c: weights(c)["array"].__setitem__(
        0, math.inf
    ),
    "weights few": lambda c: weights(c).update(
        array=[1.0], shape=[1]
    ),
    "scale zero": lambda c: hazard(c)["scale"]["array"].__setitem__(0, 0.0),
    "rungs many": lambda c: growth_fit(c).update(n_rungs=10**9),
    "rungs true": lambda c: growth_fit(c).update(n_rungs=True),
    "chol not square": lambda c: growth_fit(c)["chol"].update(array=[[1.0]], shape=[1, 1]),
    "evidence nan": lambda c: growth_fit(c).update(log_evidence=math.nan),
    "constant lost": lambda c: growth_fit(c)["constants"]["fields"]["values"]["map"].pop("fatigue"),
    "constant huge": lambda c: growth_fit(c)["constants"]["fields"]["values"]["map"].update(
        fatigue=1e300
    ),
    "fit another record": lambda c: engines(c)["learnt"]["map"]["growth"]["fields"].update(
        fit=engines(c)["lapse"]
    ),
    "engine lost": lambda c: engines(c)["learnt"]["map"].pop("survival"),
    "engine strange": lambda c: engines(c)["learnt"]["map"].update(third=engines(c)["lapse"]),
    "engine another's": lambda c: engines(c)["learnt"]["map"].update(survival=engines(c)["lapse"]),
    "pool of three": lambda c: engines(c)["combiner"]["fields"]["weights"].update(
        array=[[0.0] * 3, [0.0] * 3], shape=[2, 3]
    ),
    "field strange": lambda c: growth_fit(c).update(stranger=1),
    "edges back": lambda c: engines(c)["edges"]["array"].reverse(),
    "date out of range": lambda c: c["learnt"]["map"]["as_of_"].update(date="9999-99-99"),
    "date a number": lambda c: c["learnt"]["map"]["as_of_"].update(date=[5]),
    "method": lambda c: c["learnt"]["map"].update(forecast=1),
    "rungs lost": lambda c: c["learnt"]["map"]["rungs_"]["tuple"].pop(),
    "engines lost": lambda c: c["learnt"]["map"].pop("engines_"),
    "engines a number": lambda c: c["learnt"]["map"].update(engines_=5),
    "shares beyond one": lambda c: club_verdict(c)["shares"]["array"].__setitem__(0, 2.0),
}  # fmt: skip


@pytest.mark.parametrize("name", CHANGES)
def test_tampering_is_one_sentence(load, name):
    with pytest.raises(ModelFileError, match=r"tampered\.zip: ") as caught:
        load(CHANGES[name])
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[" * 1_000_000, "nested without end"),
        ('{"a":' * 1_000_000, "nested without end"),
        (" " * 50_000_000 + "{}", "unpacks to 50000002 bytes"),
        ("9" * 10_000, "damaged"),
        ("\ud800".encode("utf-8", "surrogatepass"), "damaged"),
    ],
    ids=range(5),
)
def test_deep_or_bloated_files_are_refused_at_once(tmp_path, text, words):
    path = packed(tmp_path, text)
    start = time.process_time()
    with pytest.raises(ModelFileError, match=words):
        load_model(path)
    assert time.process_time() - start < 2


@pytest.mark.parametrize(("at", "value"), [(6, b"\x01"), (8, b"\x63")], ids=["locked", "method"])
def test_locked_files_and_unknown_packings_are_refused(tmp_path, at, value):
    path = packed(tmp_path, "{}")
    data = bytearray(path.read_bytes())
    for head, offset in ((b"PK\x03\x04", at), (b"PK\x01\x02", at + 2)):
        place = data.find(head) + offset
        data[place : place + 1] = value
    path.write_bytes(data)
    with pytest.raises(ModelFileError, match="damaged"):
        load_model(path)


LEAVES = [0, -1, 1e308, 10**30, math.nan, True, None, "x", [], {}, [[1.0], [2.0, 3.0]], {"map": 3},
          {"array": [1], "dtype": "int64", "shape": [-1]}, {"date": "x"}, {"tuple": 5}]  # fmt: skip


def test_no_leaf_of_a_model_makes_it_fail_otherwise(load):
    """100 changes at random places of the tree: each is loaded or refused in a sentence."""
    rng = random.Random(5)
    outcomes = {"loaded": 0, "refused": 0}
    for _ in range(100):

        def change(content):
            node = content
            while True:
                keys = list(node) if isinstance(node, dict) else list(range(len(node)))
                key = rng.choice(keys)
                below = node[key]
                if not isinstance(below, dict | list) or not below or rng.random() < 0.15:
                    node[key] = rng.choice(LEAVES)
                    return
                node = below

        try:
            load(change)
            outcomes["loaded"] += 1
        except ModelFileError:
            outcomes["refused"] += 1
    assert outcomes["refused"] > 25
