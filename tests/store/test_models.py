"""Kept models: plain numbers in, the same numbers out, all or nothing."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.store import Store
from fleet.store.models import list_models, newest_model, save_model

ARRAYS = {
    "flat": np.array([1.0, 1e-300, -0.1 + 0.2 * np.pi]),
    "cube": np.arange(24.0).reshape(2, 3, 4) / 7.0,
    "empty": np.empty((0, 3)),
    "not a number": np.array([np.nan, np.inf]),
}
TEXTS = {"head": '{"name": "a \'quoted\' π"}', "empty": ""}


def test_numbers_and_texts_come_back_as_they_were(store: Store) -> None:
    """Bit for bit, shapes and all."""
    number = save_model(store, revision=3, units=40, arrays=ARRAYS, texts=TEXTS)
    kept = newest_model(store)
    assert kept is not None
    assert (kept.model_id, kept.revision, kept.units, kept.texts) == (number, 3, 40, TEXTS)
    assert set(kept.arrays) == set(ARRAYS)
    for name, array in ARRAYS.items():
        assert kept.arrays[name].shape == array.shape
        assert np.array_equal(kept.arrays[name], array, equal_nan=True), name


def test_an_empty_store_has_no_model(store: Store) -> None:
    """None, not an error: who asks decides what that means."""
    assert newest_model(store) is None
    assert list_models(store).empty


def test_the_newest_is_given_and_the_older_stay(store: Store) -> None:
    """Numbers count up; the list is newest first; an older one is there by its number."""
    for revision in (1, 2, 5):
        save_model(store, revision=revision, units=revision, arrays=ARRAYS, texts=TEXTS)
    newest, first, none = newest_model(store), newest_model(store, 1), newest_model(store, 9)
    assert newest is not None
    assert first is not None
    assert (newest.revision, first.revision, none) == (5, 1, None)
    assert list_models(store)[["model_id", "revision"]].to_numpy().tolist() == [[3, 5], [2, 2], [1, 1]]


def test_keeping_a_model_is_no_change_of_the_sheets(store: Store) -> None:
    """The revision that tells a model from older data stays."""
    before = store.revision()
    save_model(store, revision=before, units=0, arrays=ARRAYS, texts=TEXTS)
    assert store.revision() == before


def test_a_model_goes_in_whole_or_not_at_all(store: Store) -> None:
    """A text that can't be kept leaves no record and no part behind."""
    with pytest.raises(Exception, match="NOT NULL"):
        save_model(store, revision=1, units=1, arrays=ARRAYS, texts={"head": None})  # type: ignore[dict-item]
    assert newest_model(store) is None
    with store.reader() as con:
        assert con.execute("select count(*) from model_array").fetchall() == [(0,)]
