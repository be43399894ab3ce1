"""House models kept in the store as plain tables of numbers and texts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet import __version__
from fleet.store.connection import utc_now
from fleet.store.store import Store

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class KeptModel:
    """One kept model.

    Attributes
    ----------
    model_id, revision, units : number of the model, data revision and units it was fitted on
    made_at, version : when, and by which version of fleet
    arrays, texts : its parts
    """

    model_id: int
    revision: int
    units: int
    made_at: str
    version: str
    arrays: dict[str, Floats]
    texts: dict[str, str]


def save_model(
    store: Store, *, revision: int, units: int, arrays: dict[str, Floats], texts: dict[str, str]
) -> int:
    """Keep a model; returns its number. Parts and record go in together or not at all."""
    parts = pd.DataFrame(
        {
            "name": list(arrays),
            "shape": [list(map(int, a.shape)) for a in arrays.values()],
            "numbers": [np.asarray(a, dtype=np.float64).ravel().tolist() for a in arrays.values()],
        }
    )
    with store.writer() as con:
        found = con.execute("select coalesce(max(model_id), 0) + 1 from model").fetchall()
        model_id = int(found[0][0])
        con.execute(
            "insert into model values (?, ?, ?, ?, ?)", [model_id, revision, units, utc_now(), __version__]
        ).fetchall()
        con.register("parts_in", parts)
        con.execute(
            "insert into model_array select ?, name, shape, numbers from parts_in", [model_id]
        ).fetchall()
        con.unregister("parts_in")
        for name, text in texts.items():
            con.execute("insert into model_text values (?, ?, ?)", [model_id, name, text]).fetchall()
    return model_id


def list_models(store: Store) -> pd.DataFrame:
    """Models kept, newest first: model_id, revision, units, made_at, version."""
    with store.reader() as con:
        frame: pd.DataFrame = con.sql(
            "select model_id, revision, units, made_at, version from model order by model_id desc"
        ).df()
        return frame


def newest_model(store: Store, model_id: int | None = None) -> KeptModel | None:
    """The newest model, or the one with this number; None if there is none."""
    with store.reader() as con:
        rows = con.execute(
            "select model_id, revision, units, cast(made_at as varchar), version from model "
            "where model_id = coalesce(?, (select max(model_id) from model))",
            [model_id],
        ).fetchall()
        if not rows:
            return None
        number, revision, units, made_at, version = rows[0]
        arrays = {
            name: np.array(numbers, dtype=np.float64).reshape(shape)
            for name, shape, numbers in con.execute(
                "select name, shape, numbers from model_array where model_id = ?", [number]
            ).fetchall()
        }
        texts = dict(con.execute("select name, text from model_text where model_id = ?", [number]).fetchall())
    return KeptModel(number, revision, units, made_at, version, arrays, texts)
