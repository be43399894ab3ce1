"""Tallies for other benches as a file, and read from one: sums over groups of units, plain numbers."""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from fleet.errors import FleetError, UnreadableFileError
from fleet.files.door import RefusedError
from fleet.house_model.angle_sums import JOINT
from fleet.house_model.cell_sums import Sums
from fleet.house_model.chain import (
    FACTORS,
    JUDGED,
    LINK,
    PAIR_COVARIATES,
    PAIRED,
    READINGS,
    SAG_EDGES,
    SHARED,
    YEARS,
)
from fleet.house_model.family_facts import SPECIFICATIONS
from fleet.sharing.blur import added_products
from fleet.sharing.content import CROSSED, as_cells
from fleet.store.sharing import CUT, FAULTY, FORMAT, REPEATS, UNITS, Published
from fleet.tallies.files import arrays_of
from fleet.tallies.pooling import SharedTallies

"""Bytes that a tallies file may unpack to; a ring of a thousand benches needs a hundredth of it."""
CODE: Final = re.compile(r"[A-Za-z0-9_.-]{1,24}")
BLOCKS: Final[dict[str, tuple[str, ...]]] = {
    name: tuple(c for c in columns if c != YEARS)
    for name, columns in (
        *((name, ("1", *LINK[name].columns, name)) for name in SHARED),
        (JOINT, ("1", *PAIR_COVARIATES, *PAIRED)),
    )
}
_CROSS: Final = tuple(f"{a} {b}" for a, b in CROSSED)


@dataclass(frozen=True)
class Exported:
    """A tallies file's contents.

    Attributes
    ----------
    bench : code that the bench goes by, "" for none
    identity : what tells its tallies from others', made by chance
    made_on : day on which it was made
    smallest : fewest units of a group
    tallies : the sums
    """

    bench: str
    identity: str
    made_on: dt.date
    smallest: int
    tallies: SharedTallies


def tallies_of(published: Published) -> SharedTallies:
    """Sums of all groups that may be published, groups with the same factors as one cell."""
    groups = [g for g in published.of(UNITS) if g.labels["source"] or g.labels["profile"]]
    if not groups:
        raise FleetError(
            f"no {published.smallest} units are alike yet, so nothing can be exported; take more sheets in"
        )
    cells, members = as_cells([(dict(g.labels), dict(g.content), g.units) for g in groups])
    content = [[groups[i].content for i in m] for m in members]
    sums = {name: _sums(columns, name, content) for name, columns in BLOCKS.items()}
    for name in SPECIFICATIONS:
        cells[name] = [_mean(name, [groups[i] for i in m]) for m in members]
    repeats = {r: _repeats(published, r) for r in READINGS}
    return SharedTallies(
        cells.assign(bench=""),
        sums,
        _products(cells, content),
        repeats,
        _cut(published),
        _faulty(published),
        added_products(),
    )


def _sums(columns: tuple[str, ...], name: str, content: list[list[Mapping[str, Any]]]) -> Sums:
    k = len(columns)
    upper = np.triu_indices(k)
    moments = np.zeros((len(content), k, k))
    for i, parts in enumerate(content):
        flat = np.sum([c["links"].get(name, np.zeros(len(upper[0]))) for c in parts], axis=0)
        moments[i][upper] = flat
        moments[i].T[upper] = flat
    return Sums(columns, moments, moments[:, 0, 0].copy())


def _mean(name: str, groups: list[Any]) -> float:
    told = [(g.units, g.content["figures"][name]) for g in groups if name in g.content["figures"]]
    if not told:
        return float("nan")
    return float(np.average([v for _, v in told], weights=[n for n, _ in told]))


def _products(cells: pd.DataFrame, content: list[list[Mapping[str, Any]]]) -> pd.DataFrame:
    rows = []
    for i, parts in enumerate(content):
        source, klass = cells["source"].iloc[i], int(cells["scale_class"].iloc[i])
        for pair in _CROSS:
            a, b = pair.split()
            told = [c["cross"][pair] for c in parts if pair in c["cross"]]
            if told:
                rows.append((source, klass, a, b, sum(n for n, _ in told), sum(n * mean for n, mean in told)))
    frame = pd.DataFrame(rows, columns=["source", "scale_class", "a", "b", "n", "total"])
    keys = ["source", "scale_class", "a", "b"]
    return frame.groupby(keys, sort=True, as_index=False)[["n", "total"]].sum()


def _repeats(published: Published, reading: str) -> tuple[float, float]:
    told = [g.content[reading] for g in published.of(REPEATS) if reading in g.content]
    pairs = sum(n for n, _ in told)
    return (pairs, sum(n * square for n, square in told) / pairs) if told else (0.0, 0.0)


def _cut(published: Published) -> pd.DataFrame:
    rows = {}
    for link in SHARED:
        told = [g.content for g in published.of(CUT + link)]
        cut = sum(c["cut"] for c in told)
        size = sum(c["cut"] * c["cut_size"] for c in told) / cut if cut else 0.0
        rows[link] = {"cut": float(cut), "cut_size": float(size)}
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("link")


def _faulty(published: Published) -> dict[str, float]:
    out: dict[str, float] = {}
    for group in published.of(FAULTY):
        for source, n in group.content.items():
            out[source] = out.get(source, 0.0) + float(n)
    return out


def tallies_bytes(exported: Exported) -> bytes:
    """The bytes of a tallies file: NumPy's ``.npz`` of arrays and one text."""
    told = exported.tallies
    head = {
        "fleet tallies": FORMAT,
        "bench": exported.bench,
        "identity": exported.identity,
        "made_on": exported.made_on.isoformat(),
        "smallest": exported.smallest,
        "cells": json.loads(told.cells.drop(columns="bench").to_json(orient="split", double_precision=12)),
        "products": json.loads(told.products.to_json(orient="split", double_precision=12)),
        "repeats": {k: list(v) for k, v in told.repeats.items()},
        "cut": {str(k): [float(r["cut"]), float(r["cut_size"])] for k, r in told.cut.iterrows()},
        "faulty": dict(told.faulty),
        "blur": dict(told.blur),
    }
    buffer = io.BytesIO()
    arrays = {f"sums.{name}": s.moments for name, s in told.sums.items()}
    np.savez_compressed(buffer, allow_pickle=False, head=np.array(json.dumps(head)), **arrays)
    return buffer.getvalue()


def read_exported(raw: bytes, name: str) -> Exported:
    """What a tallies file tells.

    Parameters
    ----------
    raw : its bytes
    name : what the file is called, for the message

    Raises
    ------
    UnreadableFileError
        If it is no tallies file, is damaged, from another version, or says what can't be.
    """
    try:
        held = arrays_of(raw)
        head = json.loads(str(held["head"]))
        if head["fleet tallies"] == 1:
            raise UnreadableFileError(
                f"{name} is of an older format, out of which single units can be worked out; "
                "ask the bench that sent it to export again with this fleet, and delete this file"
            )
        if head["fleet tallies"] != FORMAT:
            raise UnreadableFileError(
                f"{name} was exported by another version of fleet; both benches need the same one"
            )
        exported = _exported(head, held)
    except UnreadableFileError:
        raise
    except RefusedError as error:
        raise UnreadableFileError(f"{name} is no file of `fleet export`: {error}") from None
    except Exception as error:  # a mangled file fails in any way at all
        raise UnreadableFileError(f"{name} is no file of `fleet export`, or is damaged") from error
    if wrong := _wrong(exported):
        raise UnreadableFileError(f"{name} is no file of `fleet export`, or is damaged: {wrong}")
    return exported


def _exported(head: dict[str, Any], held: dict[str, Any]) -> Exported:
    cells = _frame(head["cells"]).astype(dict.fromkeys((f for f in FACTORS if f != "bench"), object))
    cells = cells.astype(dict.fromkeys(("n", *SPECIFICATIONS), float)).astype({"scale_class": int})
    sums = {}
    for name, columns in BLOCKS.items():
        moments = np.asarray(held[f"sums.{name}"], dtype=np.float64)
        sums[name] = Sums(columns, moments, moments[:, 0, 0].copy())
    cut = pd.DataFrame.from_dict(head["cut"], orient="index", columns=["cut", "cut_size"])
    products = _frame(head["products"]).astype({"scale_class": int, "n": float, "total": float})
    repeats = {str(k): (float(n), float(square)) for k, (n, square) in head["repeats"].items()}
    faulty = {str(k): float(n) for k, n in head["faulty"].items()}
    blur = {str(k): float(v) for k, v in head["blur"].items()}
    cut = cut.rename_axis("link")
    tallies = SharedTallies(cells.assign(bench=""), sums, products, repeats, cut, faulty, blur)
    made_on = dt.date.fromisoformat(head["made_on"])
    return Exported(str(head["bench"]), str(head["identity"]), made_on, int(head["smallest"]), tallies)


def _frame(split: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(split["data"], columns=split["columns"])


def _wrong(exported: Exported) -> str:
    """What can't be in a file that `fleet export` wrote; empty if nothing."""
    told = exported.tallies
    cells = told.cells
    codes = {str(v) for f in FACTORS for v in cells[f]} | {exported.bench} | set(told.faulty)
    if any(code and not CODE.fullmatch(code) for code in codes):
        return "a code has characters that no code has"
    known = cells["scale_class"].between(0, len(SAG_EDGES) + 1)
    if not known.all() or not (cells["n"] >= exported.smallest).all():
        return "a cell has too few units or no class"
    for name, sums in told.sums.items():
        if wrong := _wrong_sums(sums, len(BLOCKS[name]), cells["n"].to_numpy(), exported.smallest):
            return f"the sums of {name} {wrong}"
    links = {*told.products["a"], *told.products["b"]}
    if not links <= set(JUDGED) or not set(told.cut.index) <= set(LINK):
        return "it names links that there are not"
    numbers = [told.cut.to_numpy(), *map(np.array, told.repeats.values()), told.products["n"].to_numpy()]
    if not all((v >= 0.0).all() and np.isfinite(v).all() for v in numbers):
        return "a figure is below nought or no number"
    products = [*told.products["total"], *told.blur.values()]
    if not np.isfinite(products).all() or any(told.blur.get(f"{n} {n}", 0.0) < 0.0 for n in SHARED):
        return "a figure is below nought or no number"
    return ""


def _wrong_sums(sums: Sums, k: int, units: Any, smallest: int) -> str:
    if sums.moments.shape != (len(units), k, k) or not np.isfinite(sums.moments).all():
        return "don't fit the cells"
    if (sums.counts < 0.0).any() or (sums.counts > units + smallest).any():
        return "count more units than there are"
    root = np.sqrt(np.maximum(np.einsum("mii->mi", sums.moments), 1e-12))
    with np.errstate(all="ignore"):
        scaled = sums.moments / root[:, :, None] / root[:, None, :]
    if not np.isfinite(scaled).all():
        return "are none that readings can have"
    uneven = np.abs(scaled - scaled.transpose(0, 2, 1)).max() > 1e-9
    return "are none that readings can have" if uneven or (np.linalg.eigvalsh(scaled) < -1e-6).any() else ""
