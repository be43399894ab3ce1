"""What a group of units gives away: sums over sets of its units, none smaller than the smallest group.

Rules, and why they hold (see ``fleet explain sharing``):

- Each quantity is summed over one set of a group's units, or over two disjoint ones; every set has at least
  the smallest group's number.  Tracking, built-in angle and sag share their covariates, so they share sets.
- How many of the group's units are in a set is told only to the nearest multiple of the smallest group below
  the group's own number, and the sums are scaled to it: a set that lacks one unit can't be told from one that
  lacks none, so the two can't be subtracted.
- Where a group joins units of several cells, what the fit knows of the cells' difference is taken off.
- Covariates that stand at nought where nothing was written down would single units out; their fitted effect
  is taken off, and they are told as nought.  The sag scale is told where every sum that it allows to be made
  rests on enough units.
- Readings are blurred before they come here, repeated ones here (`fleet.sharing.blur`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.angle_sums import JOINT
from fleet.house_model.chain import (
    ANGLES,
    FACTORS,
    JUDGED,
    LINK,
    PAIR_COVARIATES,
    PAIRED,
    READINGS,
    SHARED,
    YEARS,
    scale_class,
)
from fleet.house_model.family_facts import SPECIFICATIONS
from fleet.sharing.generalisation import Places, in_common
from fleet.sharing.units import NAMES, Floats, Repeats, Units

ALONE: Final = tuple(n for n in NAMES if n not in ANGLES)
CROSSED: Final = tuple(pair for pair in combinations([n for n in JUDGED if n in SHARED], 2) if pair != PAIRED)
"""Pairs of links whose residuals' products are told; the others follow from the moments."""
MOST_SETS: Final = 2
WITHHELD: Final = ("warm", "aged", "s_warm", "s_aged", "tilted", "conflict", YEARS)
"""Covariates that are told as nought, their fitted effect taken off.  Most stand at nought where nothing was
written down: where one unit of a group differs, its reading is a quotient of two sums.  The sums of the last
are published by attainment too, and the two could be subtracted.  What is told is told as of now: a file has
no column of years."""
DIGITS: Final = 12


def published_count(units: int, in_set: int, smallest: int) -> int:
    """How many of a group's units a set is said to have: the missing ones to the nearest multiple.

    Parameters
    ----------
    units, in_set : of the group, of the set
    smallest : smallest group
    """
    missing = units - in_set
    return units - smallest * ((2 * missing + smallest) // (2 * smallest))


def sums_of_units(units: Units, group: Places, smallest: int) -> dict[str, Any]:
    """What a group of units gives away, as plain JSON.

    Returns
    -------
    dict
        ``links``: per link (and for tracking with built-in angle) the moments, flat, scaled to the count that
        is told; ``cross``: per pair of links (count, mean product of residuals); ``figures``: means of the
        catalogue figures; ``scale_class``.
    """
    links: dict[str, list[float]] = {}
    size = len(group)
    for names, members in _angle_sets(units, group, smallest):
        count = published_count(size, len(members), smallest)
        for name in names:
            _add(links, name, _moments(units, (name,), members, count, smallest))
        if set(PAIRED) <= set(names):
            _add(links, JOINT, _moments(units, PAIRED, members, count, smallest))
    for name in ALONE:
        members = group[units.inside[name][group]]
        if len(members) >= smallest:
            count = published_count(size, len(members), smallest)
            _add(links, name, _moments(units, (name,), members, count, smallest))
    return {
        "links": links,
        "cross": _cross(units, group, smallest),
        "figures": _figures(units, group, smallest),
        "scale_class": _scale_class(units, group),
    }


def _angle_sets(units: Units, group: Places, smallest: int) -> Iterator[tuple[tuple[str, ...], Places]]:
    """Sets of units for the three angles: the links they all have, and the units, disjoint."""
    rest = group
    for _ in range(MOST_SETS):
        best: tuple[int, tuple[str, ...], Places] = (0, (), rest[:0])
        for k in range(len(ANGLES), 0, -1):
            for names in combinations(ANGLES, k):
                members = rest[np.all([units.inside[n][rest] for n in names], axis=0)]
                if len(members) >= smallest and k * len(members) > best[0]:
                    best = (k * len(members), names, members)
        if not best[0]:
            return
        yield best[1], best[2]
        rest = np.setdiff1d(rest, best[2])


def _moments(units: Units, names: tuple[str, ...], members: Places, count: int, smallest: int) -> Floats:
    """Moments of (1, covariates, responses) over some units, as if there were ``count`` of them."""
    design = rows_of_units(units, names, members, smallest)
    return np.asarray(design @ design.T * (count / len(members)))


def rows_of_units(units: Units, names: tuple[str, ...], members: Places, smallest: int) -> Floats:
    """What each unit of a set brings into its moments: 1, covariates, responses; one column a unit."""
    columns = PAIR_COVARIATES if names == PAIRED else LINK[names[0]].columns
    value = {c: units.observed[c].to_numpy(dtype=float)[members] for c in columns}
    level_at = {c: told_as(c, v, smallest) for c, v in value.items()}
    x = [
        np.ones(len(members)),
        *(v if (at := level_at[c]) is None else np.full(len(v), at) for c, v in value.items() if c != YEARS),
    ]
    for name in names:
        y = units.observed[f"y_{name}"].to_numpy(dtype=float)[members] - LINK[name].centre
        level = units.at_zero[name][members]
        y = y - (level - level.mean())
        for c, slope in units.slopes[name].items():
            own, at = slope[members], level_at[c]
            y = y - ((own - own.mean()) * value[c] if at is None else own * (value[c] - at))
        x.append(y)
    return np.stack(x)


def told_as(covariate: str, value: Floats, smallest: int) -> float | None:
    """The one value that a covariate is told as for all units of a set; None where each tells its own.

    With its own values told, sums can be combined so that units of one value, whichever, drop out; as many
    as the smallest group must be left.

    Parameters
    ----------
    covariate : its name
    value : of each unit of the set
    smallest : smallest group
    """
    if covariate in WITHHELD:
        return 0.0
    commonest = int(np.unique(value, return_counts=True)[1].max())
    return None if len(value) - commonest >= smallest else float(value.mean())


def _add(links: dict[str, list[float]], name: str, moments: Floats) -> None:
    flat = moments[np.triu_indices(len(moments))]
    total = flat + np.array(links[name]) if name in links else flat
    links[name] = [_short(v) for v in total]


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _cross(units: Units, group: Places, smallest: int) -> dict[str, list[float]]:
    out = {}
    for a, b in CROSSED:
        members = group[units.inside[a][group] & units.inside[b][group]]
        if len(members) >= smallest:
            mean = float((units.residual[a][members] * units.residual[b][members]).mean())
            out[f"{a} {b}"] = [float(published_count(len(group), len(members), smallest)), _short(mean)]
    return out


def _figures(units: Units, group: Places, smallest: int) -> dict[str, float]:
    out = {}
    for name in SPECIFICATIONS:
        value = units.sheets[name].to_numpy(dtype=float, na_value=np.nan)[group]
        value = value[~np.isnan(value)]
        if len(value) >= smallest:
            out[name] = _short(float(value.mean()))
    return out


def _scale_class(units: Units, group: Places) -> int:
    """Class of the sag scale that the group's mean square falls into; unknown where most are."""
    classes = units.observed["scale_class"].to_numpy(dtype=int)[group]
    unknown = int(scale_class(np.array([np.nan]))[0])
    if 2 * np.count_nonzero(classes == unknown) > len(group):
        return unknown
    s = units.observed["s_kind"].to_numpy(dtype=float)[group]
    return int(scale_class(np.array([np.sqrt(np.nanmean(s**2))]))[0])


def labels_of(units: Units, group: Places) -> dict[str, str]:
    """What a group's units have in common: factors as the model has them, and columns as tables show them.

    Returns
    -------
    dict
        Each factor (``""`` where they differ or don't tell it); ``by`` each of `PUBLISHED_BY` and ``by year``
        only where they all agree.
    """
    out = in_common(units.factors.iloc[group])
    sheets = units.sheets.iloc[group]
    for name in PUBLISHED_BY:
        values = sheets[name].astype("str").where(sheets[name].notna(), "(not told)").unique()
        if len(values) == 1:
            out[f"by {name}"] = str(values[0])
    years = pd.to_datetime(sheets["measured_on"]).dt.year.unique()
    if len(years) == 1:
        out["by year"] = str(years[0])
    return out


PUBLISHED_BY: Final = (
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "body_family",
    "generator",
    "bench",
)


def sums_of_repeats(
    found: Repeats, members: NDArray[np.bool_], smallest: int, blurred: Callable[[Floats, list[str]], Floats]
) -> dict[str, Any]:
    """What repeated readings of some units give away: per reading (pairs, mean squared difference).

    Parameters
    ----------
    found, members : pairs of readings, and which of them count
    smallest : smallest group
    blurred : blurs squared differences, given a text of each that is its own
    """
    out = {}
    for name in READINGS:
        d = found.difference[name].to_numpy(dtype=float)
        read = members & ~np.isnan(d)
        if len(set(found.unit[read])) >= smallest:
            pairs = published_count(int(members.sum()), int(read.sum()), smallest)
            own = [f"{found.record[u]}\0{name}\0{v}" for u, v in zip(found.unit[read], d[read], strict=True)]
            out[name] = [float(pairs), _short(float(blurred(d[read] ** 2, own).mean()))]
    return out


def sums_of_cut(units: Units, link: str, group: Places) -> dict[str, Any]:
    """What units beyond a link's cut give away: how many, and the mean size of their residuals."""
    size = np.abs(units.residual[link][group])
    return {"cut": float(len(group)), "cut_size": _short(float(size.mean()))}


def sums_of_faulty(units: Units, group: Places, smallest: int) -> dict[str, Any]:
    """How many units stood beyond a cut, by source where there are enough of one, else under no source."""
    source, count = np.unique(units.factors["source"].to_numpy(dtype=str)[group], return_counts=True)
    out = {str(s): float(n) for s, n in zip(source, count, strict=True) if n >= smallest}
    rest = float(len(group)) - sum(out.values())
    if 0.0 < rest < smallest:
        return {"": float(len(group))}
    return out | ({"": rest} if rest else {})


def as_cells(
    groups: list[tuple[dict[str, str], dict[str, Any], int]],
) -> tuple[pd.DataFrame, list[list[int]]]:
    """Cells that groups fall into: groups with the same factors and class are one.

    Parameters
    ----------
    groups : labels, content and units of each

    Returns
    -------
    cells, members
        One row a cell: `FACTORS`, ``scale_class``, ``n``; and which groups are in it.
    """
    keys = pd.DataFrame(
        [{f: labels[f] for f in FACTORS} | {"scale_class": c["scale_class"]} for labels, c, _ in groups]
    )
    keys["n"] = [n for _, _, n in groups]
    by = [*FACTORS, "scale_class"]
    code = keys.groupby(by, sort=True).ngroup().to_numpy()
    cells = keys.groupby(by, sort=True)["n"].sum().reset_index()
    return cells, [np.flatnonzero(code == i).tolist() for i in range(len(cells))]
