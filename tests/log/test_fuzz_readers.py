"""Damaged files are read or refused in a sentence; ``tests/bench/fuzz_readers.py`` runs longer."""

from __future__ import annotations

import random

import pytest
from fuzzing import SEEDS, damaged, read
from hypothesis import given, settings
from hypothesis import strategies as st


@pytest.mark.parametrize("kind", SEEDS)
def test_the_sound_file_is_read(tmp_path, kind):
    assert read(kind, SEEDS[kind], tmp_path) == "read"


def read_damaged(tmp_path_factory, kind, rng):
    folder = tmp_path_factory.getbasetemp() / "fuzzed"
    folder.mkdir(exist_ok=True)
    read(kind, damaged(kind, rng), folder)


@pytest.mark.parametrize("kind", SEEDS)
@settings(max_examples=5, deadline=None, derandomize=True)
@given(rng=st.randoms(use_true_random=False))
def test_a_damaged_file_is_read_or_refused_in_a_sentence(tmp_path_factory, kind, rng):
    read_damaged(tmp_path_factory, kind, rng)


@pytest.mark.nightly
@pytest.mark.parametrize("kind", SEEDS)
@settings(max_examples=200, deadline=None, derandomize=True)
@given(rng=st.randoms(use_true_random=False))
def test_many_damaged_files_are_read_or_refused_in_a_sentence(tmp_path_factory, kind, rng):
    read_damaged(tmp_path_factory, kind, rng)


def test_the_damage_is_drawn_from_the_seed():
    assert damaged("csv", random.Random(1)) == damaged("csv", random.Random(1))
    assert damaged("csv", random.Random(1)) != damaged("csv", random.Random(2))
