"""House models kept in the store as plain tables of numbers and texts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from fleet import __version__
from fleet.errors import NoModelError
from fleet.store.connection import Connection, utc_now
from fleet.store.store import Store

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

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


_IN_USE = """coalesce(
    (select u.model_id from model_use u join model m on m.model_id = u.model_id order by use_id desc limit 1),
    (select max(model_id) from model))"""
_USE = (
    "insert into model_use select coalesce(max(use_id), 0) + 1, $model_id, $now, $reason from model_use "
    "having $model_id is not null"
)
_ARRAYS = """
insert into model_array
with named as (
    select unnest($names) as name, unnest($shapes::integer[][]) as shape, unnest(range(len($names))) as part
), lists as (
    select part, list(coalesce(number, 'nan'::double) order by place) as numbers from numbers_in group by part
)
select $model_id, name, shape, coalesce(numbers, []) from named left join lists using (part)
"""


def save_model(
    store: Store,
    *,
    revision: int,
    units: int,
    arrays: dict[str, Floats],
    texts: dict[str, str],
    use: bool = True,
    beside: Callable[[Connection], None] | None = None,
) -> int:
    """Keep a model; returns its number. Parts and record go in together or not at all.

    Parameters
    ----------
    store, revision, units, arrays, texts : where, and what `KeptModel` says of it
    use : whether it answers from now on; otherwise the model in use stays so
    beside : what else goes in with it
    """
    import numpy as np

    flat = [np.asarray(a, dtype=np.float64).ravel() for a in arrays.values()]
    numbers = np.concatenate([*flat, np.empty(0)])
    part = np.repeat(np.arange(len(flat)), [len(a) for a in flat])
    columns = {"part": part, "place": np.arange(len(numbers)), "number": numbers}
    named = {"names": list(arrays), "shapes": [list(map(int, a.shape)) for a in arrays.values()]}
    with store.writer() as con:
        if beside is not None:
            beside(con)
        found = con.execute("select coalesce(max(model_id), 0) + 1 from model").fetchall()
        model_id = int(found[0][0])
        before = con.execute(f"select {_IN_USE}").fetchall()[0][0]
        con.execute(
            "insert into model values (?, ?, ?, ?, ?)", [model_id, revision, units, utc_now(), __version__]
        ).fetchall()
        con.register("numbers_in", columns)
        con.execute(_ARRAYS, {"model_id": model_id, **named}).fetchall()
        con.unregister("numbers_in")
        for name, text in texts.items():
            con.execute("insert into model_text values (?, ?, ?)", [model_id, name, text]).fetchall()
        chosen = {"model_id": model_id if use else before, "now": utc_now(), "reason": "newest fit"}
        con.execute(_USE, chosen).fetchall()
    return model_id


def model_in_use(store: Store) -> int | None:
    """Number of the model that answers; None if there is none."""
    with store.reader() as con:
        found = con.execute(f"select {_IN_USE}").fetchall()[0][0]
    return None if found is None else int(found)


def revision_in_use(store: Store) -> int | None:
    """Revision that the model that answers stands for; None if there is none."""
    with store.reader() as con:
        found = con.execute(f"select revision from model where model_id = {_IN_USE}").fetchall()
    return int(found[0][0]) if found else None


def answers_from(store: Store) -> str:
    """A word that changes with whatever answers stand on: sheets, the model in use, a correction of quotes.

    A verdict or a kept quote leaves it as it is.
    """
    with store.reader() as con:
        rows = con.execute(
            f"""
            select revision - (select count(*) from verdict), key_check,
                   (select max(taken_in_at) from intake), {_IN_USE},
                   (select max(made_at) from model where model_id = {_IN_USE}),
                   (select max(made_at) from recalibration)
            from store_state
            """
        ).fetchall()
        return "/".join(str(part) for part in (store.file.stat().st_ino, *rows[0]))


def use_model(store: Store, model_id: int, *, reason: str) -> None:
    """Let a kept model answer from now on.

    Raises
    ------
    FleetError
        If there is no model of that number.
    """
    with store.writer() as con:
        if not con.execute("select 1 from model where model_id = ?", [model_id]).fetchall():
            raise NoModelError(
                f"no house model {model_id} in the store: `fleet model --list` names those kept"
            )
        con.execute(_USE, {"model_id": model_id, "now": utc_now(), "reason": reason}).fetchall()


def list_models(store: Store) -> pd.DataFrame:
    """Models kept, newest first: model_id, revision, units, made_at, version, and which is in use."""
    with store.reader() as con:
        frame: pd.DataFrame = con.sql(
            "select model_id, revision, units, made_at, version, "
            f"case when model_id = {_IN_USE} then 'in use' else '' end as answers "
            "from model order by model_id desc"
        ).df()
        return frame


def newest_model(store: Store, model_id: int | None = None) -> KeptModel | None:
    """The model in use (the newest, unless another was chosen), or the one with this number; None if none."""
    import numpy as np

    with store.reader() as con:
        rows = con.execute(
            "select model_id, revision, units, cast(made_at as varchar), version from model "
            f"where model_id = coalesce(?, {_IN_USE})",
            [model_id],
        ).fetchall()
        if not rows:
            return None
        number, revision, units, made_at, version = rows[0]
        own = "from model_array where model_id = $number order by name"
        parts = con.execute(f"select name, shape, len(numbers) {own}", {"number": number}).fetchall()
        flat = f"select unnest(numbers) as flat from (select numbers {own})"
        numbers = con.sql(flat, params={"number": number}).fetchnumpy()["flat"]
        each = np.split(numbers, np.cumsum([size for _, _, size in parts]))
        arrays = {name: x.reshape(shape) for (name, shape, _), x in zip(parts, each, strict=False)}
        texts = dict(con.execute("select name, text from model_text where model_id = ?", [number]).fetchall())
    return KeptModel(number, revision, units, made_at, version, arrays, texts)
