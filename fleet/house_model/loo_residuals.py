"""What sheets read against what their kind should read, the unit's own sheet left out.

Leaving a unit out of its own reference is closed form: with leverage h the expectation without it is
``(fit - h·reading) / (1 - h)`` and its variance ``v / (1 - h)``.  A reading beyond the cut never was in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.columns import HELD_BACK
from fleet.house_model.chain import (
    FACTOR_COLUMNS,
    FACTORS,
    JUDGED,
    LINK,
    PAIR,
    PAIRED,
    RAKE,
    SPHERICAL,
    factor_labels,
    responses,
)
from fleet.house_model.family_facts import SPEC_FACTORS
from fleet.house_model.house import CUT_SIGMAS, House, LinkFit
from fleet.house_model.variance_function import nearest_covariance
from fleet.statistics.gram import Design, Floats
from fleet.statistics.solves import in_threads

LARGEST_LEVERAGE: Final = 0.95
CHUNK: Final = 8_000
TOGETHER: Final = (*PAIRED, RAKE)
"""Links whose expectations come from the two angles together."""
_PLACES: Final = [JUDGED.index(n) for n in TOGETHER]


@dataclass(frozen=True)
class Residuals:
    """Residuals of m sheets in the order of `JUDGED`.

    Attributes
    ----------
    value : (m, 8) reading minus expectation, NaN where not read
    expected : (m, 8) what the kind should read
    covariance : (m, 8, 8) of the residuals of a sound unit: reading noise, unit spread, what the fleet leaves
        unknown about family, source and material
    share : (m, 8) part of each variance that is units' own scatter
    doubt : (m, 8) sd of the log of that part, as far as the factors of source and family are not known
    observed : the sheets as the links see them (see `responses`)
    seen : per factor (m,) whether the fleet knows the level
    """

    value: Floats
    expected: Floats
    covariance: Floats
    share: Floats
    doubt: Floats
    observed: pd.DataFrame
    seen: dict[str, NDArray[np.bool_]]

    @cached_property
    def spherical(self) -> NDArray[np.bool_]:
        """(m,) whether the stylus is spherical."""
        return (self.observed["profile"] == SPHERICAL).to_numpy(dtype=bool)

    @cached_property
    def pattern(self) -> NDArray[np.int64]:
        """(m,) a number for which residuals were read, 0 for none."""
        return np.asarray(np.packbits(~np.isnan(self.value), axis=1, bitorder="little")[:, 0], dtype=np.int64)

    @cached_property
    def farthest(self) -> Floats:
        """(m,) the largest residual over its own sd, 0 where nothing was read."""
        z = np.abs(self.value) / np.sqrt(np.einsum("mii->mi", self.covariance))
        return np.asarray(np.nan_to_num(z).max(axis=1))

    def take(self, rows: NDArray[np.int64]) -> Residuals:
        """The same of some of the sheets."""
        return Residuals(
            self.value[rows],
            self.expected[rows],
            self.covariance[rows],
            self.share[rows],
            self.doubt[rows],
            self.observed.iloc[rows].reset_index(drop=True),
            {f: seen[rows] for f, seen in self.seen.items()},
        )


def residuals(
    house: House,
    sheets: pd.DataFrame,
    *,
    taught: NDArray[np.bool_] | None = None,
    fill: pd.DataFrame | None = None,
) -> Residuals:
    """Residuals of sheets against the house model without their own unit.

    Parameters
    ----------
    house : House
    sheets : bench sheets, canonical columns
    taught : (m,) whether the sheet is one that teaches (a unit's newest); default none is. One that came in
        after the model was fitted did not teach it
    fill : `stand_ins` of the sheets, where these are some of many

    Returns
    -------
    Residuals
    """
    observed = responses(sheets, stand_ins(house, sheets) if fill is None else fill, judged=True)
    m = len(observed)
    cells = _Cells(observed)
    _soften_scale(house, observed, sheets, cells)
    own = np.zeros(m, dtype=bool) if taught is None else taught & _was_there(house, sheets, cells)
    value, expected, variance = (_columns(m, x) for x in (np.nan, np.nan, 0.0))

    def reckon(j: int) -> None:
        y = observed[f"y_{JUDGED[j]}"].to_numpy()
        fit = house.links[JUDGED[j]]
        expected[:, j], variance[:, j] = _left_out(house, fit, cells, observed, y, own)
        value[:, j] = y - expected[:, j]

    in_threads(reckon, [j for j, n in enumerate(JUDGED) if n not in TOGETHER and n in house.links])
    angles, known = _angles_left_out(house, cells, observed, own)
    for j, mean in zip(_PLACES, angles, strict=True):
        expected[:, j] = mean
        value[:, j] = observed[f"y_{JUDGED[j]}"].to_numpy() - mean
    total, own, doubt = unit_variance(house, observed, cells)
    covariance = _covariance(house, np.sqrt(total), variance, known)
    share, combos = own / np.einsum("mii->mi", covariance), house.facts.combos
    seen = {f: pd.Index(cells.levels[f]).isin(combos[f].astype(str))[cells.code] for f in FACTORS}
    return Residuals(value, expected, covariance, share, doubt, observed, seen)


def _soften_scale(house: House, observed: pd.DataFrame, sheets: pd.DataFrame, cells: _Cells) -> None:
    """Take compliances told at a frequency that the fleet never saw as quotes do, in place."""
    softer = house.facts.softness(pd.Series(cells.levels["frequency"]))
    if (softer == 1.0).all() or "compliance_um_per_mn" not in sheets:
        return
    told = pd.to_numeric(sheets["compliance_um_per_mn"]).notna().to_numpy()
    for name in ("s", "s_warm", "s_aged", "s_kind"):
        observed[name] *= np.where(told, softer[cells.code], 1.0)


def _covariance(house: House, sd: Floats, known: Floats, angles: Floats) -> Floats:
    """Covariances (m, 8, 8) from the sds of sound units (m, 8) and what is unknown of the kind.

    That is a variance for each link, (m, 8), and a covariance for the angles `TOGETHER`, (3, 3, m).  How a
    rake by itself goes with the other readings follows from its two parts, tracking and built-in angle.
    """
    m, d = sd.shape
    whole = np.empty((d, d, m))
    t, b, r = _PLACES

    def fill(start: int) -> None:
        rows = slice(start, start + CHUNK)
        out, scatter = whole[..., rows], sd[rows].T
        for i in range(d):
            for j in range(i + 1):
                np.multiply(scatter[i], scatter[j], out=out[i, j])
                out[i, j] *= house.correlation[i, j]
                out[j, i] = out[i, j]
        parts = out[t] + out[b]
        own = parts[t] + parts[b]
        if RAKE in house.links:
            parts *= scatter[r] / np.sqrt(own)
            own = scatter[r] ** 2
        out[r], out[:, r] = parts, parts
        out[r, r] = own
        for j in range(d):
            out[j, j] += known[rows, j]
        for i, one in enumerate(_PLACES):
            for j, other in enumerate(_PLACES):
                out[one, other] += angles[i, j, rows]

    in_threads(fill, range(0, m, CHUNK))
    return np.moveaxis(whole, -1, 0)


def _columns(m: int, value: float) -> Floats:
    """(m, 8) of one value, each column's figures together in memory."""
    return np.full((len(JUDGED), m), value).T


def _was_there(house: House, sheets: pd.DataFrame, cells: _Cells) -> NDArray[np.bool_]:
    """Whether the model can have learnt from each sheet: by its intake, its day, its factors, its marks."""
    known = set(house.facts.combos[list(FACTORS)].astype(str).itertuples(index=False, name=None))
    combinations = zip(*(cells.levels[f] for f in FACTORS), strict=True)
    out = np.array([c in known for c in combinations], dtype=bool)[cells.code]
    if house.last_intake is not None and "intake_id" in sheets:
        out &= pd.to_numeric(sheets["intake_id"]).le(house.last_intake).to_numpy(dtype=bool)
    out &= ~_held_back(sheets)
    first, end = house.span
    if first or end:
        day = pd.to_datetime(sheets["measured_on"])
        out &= (day >= pd.Timestamp(first or "1677-09-22")).to_numpy()
        out &= (day < pd.Timestamp(end or "2262-04-11")).to_numpy()
    return out


def _held_back(sheets: pd.DataFrame) -> NDArray[np.bool_]:
    """Which sheets bear marks of what doesn't teach; none where marks aren't there."""
    if "marks" not in sheets:
        return np.zeros(len(sheets), dtype=bool)
    code, found = pd.factorize(sheets["marks"])
    held = [not set(HELD_BACK).isdisjoint(str(m).split(";")) for m in found]
    return np.array([*held, False], dtype=bool)[code]


def stand_ins(house: House, sheets: pd.DataFrame) -> pd.DataFrame:
    """What stands in for figures not told; of a family that the fleet doesn't know by its first sheet."""
    first = sheets.drop_duplicates(FACTOR_COLUMNS["family"])
    columns = {f: factor_labels(first[FACTOR_COLUMNS[f]]) for f in (*SPEC_FACTORS, "family")}
    return house.facts.fill(pd.DataFrame(columns).astype("str").set_index("family"))


def unit_variance(
    house: House, observed: pd.DataFrame, cells: _Cells | None = None
) -> tuple[Floats, Floats, Floats]:
    """Variance of a sound unit's reading about its expectation (m, 8), the units' part of it, and its doubt.

    The variance is unit spread and reading noise; the doubt is the sd of the log of the spread.
    """
    s2 = observed["s_kind"].to_numpy(dtype=float) ** 2
    cells = cells or _Cells(observed)
    out, own, doubt = (_columns(len(observed), x) for x in (1.0, 1.0, 0.0))
    for j, name in enumerate(JUDGED):
        if name in house.links:
            fit = house.links[name]
            sigma2 = float((fit.posterior.sigma**2).mean())
            log_factor, sd = fit.spread.log_factors(*cells.whose)
            own[:, j] = sigma2 * (np.exp(log_factor)[cells.code] * fit.spread.plain(s2))
            out[:, j] = own[:, j] + sigma2 * fit.spread.noise
            doubt[:, j] = sd[cells.code]
    return out, own, doubt


class _Cells:
    """Unique combinations of levels among the sheets, so that designs are looked up once each."""

    def __init__(self, observed: pd.DataFrame) -> None:
        self.code = np.zeros(len(observed), dtype=np.int64)
        for level, levels in (pd.factorize(observed[f]) for f in FACTORS):
            self.code = pd.factorize(self.code * len(levels) + level)[0]
        first = pd.Series(self.code).drop_duplicates().index
        self.levels = {f: observed[f].iloc[first].astype(str).to_numpy(dtype=object) for f in FACTORS}
        self.size = len(first)
        self.whose = self.levels["source"], self.levels["family"]
        self.scale_class = observed["scale_class"].to_numpy(dtype=int)


def _expect(fit: LinkFit, cells: _Cells, observed: pd.DataFrame) -> tuple[Floats, Floats]:
    """Expectation (less the link's centre) and its variance, per sheet."""
    mean, cov, sds = fit.centre
    expectation, variance = _quadratic(fit.gram.design, fit.link.columns, mean, cov, sds**2, cells, observed)
    return expectation, np.maximum(variance, 1e-12)


def _quadratic(
    design: Design,
    columns: tuple[str, ...],
    mean: Floats,
    cov: Floats,
    between: Floats,
    cells: _Cells,
    observed: pd.DataFrame,
) -> tuple[Floats, Floats]:
    """Each sheet's row x of the design: x'mean, and x'cov x with the spread of levels never seen."""
    found = design.columns_of(cells.levels, cells.size)
    place = {c: i for i, c in enumerate(["1", *columns])}
    k = len(place)
    level = np.zeros((k, cells.size))
    fixed = {name: design.q + j for j, name in enumerate(design.fixed)}
    for name, j in fixed.items():
        level[place[name]] += mean[j]
    quad = np.zeros((k, k, cells.size))
    groups = [(place[t.covariate], i) for t, i in zip(design.terms, found, strict=True)]
    groups += [(place[name], np.full(cells.size, j)) for name, j in fixed.items()]
    for t, (ka, ia) in enumerate(groups):
        safe_a, on_a = np.maximum(ia, 0), ia >= 0
        if t < len(design.terms):
            level[ka] += np.where(on_a, mean[safe_a], 0.0)
            quad[ka, ka] += np.where(on_a, 0.0, between[t])
        for kb, ib in groups:
            safe_b, on_b = np.maximum(ib, 0), ib >= 0
            quad[ka, kb] += np.where(on_a & on_b, cov[safe_a, safe_b], 0.0)
    expectation, variance = level[0][cells.code], quad[0, 0][cells.code]
    values = {place[c]: np.nan_to_num(observed[c].to_numpy(dtype=float)) for c in columns}
    for a, by in values.items():
        expectation += by * level[a][cells.code]
        variance += by * (quad[0, a] + quad[a, 0])[cells.code]
        for b, also in values.items():
            variance += by * also * quad[a, b][cells.code]
    return expectation, variance


def _left_out(
    house: House, fit: LinkFit, cells: _Cells, observed: pd.DataFrame, y: Floats, own: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Expectation and its variance without the sheet itself, where it was among the teachers."""
    expectation, variance = _expect(fit, cells, observed)
    expectation += fit.link.centre
    for column in fit.link.columns:
        expectation[np.isnan(observed[column].to_numpy(dtype=float))] = np.nan
    total = _total(house, fit, cells)
    leverage = np.minimum(variance / total, LARGEST_LEVERAGE)
    inside = own & (np.abs(y - expectation) <= CUT_SIGMAS * np.sqrt(total)) & ~np.isnan(y)
    free = 1.0 - leverage
    without = (expectation - leverage * y) / free
    return np.where(inside, without, expectation), np.where(inside, variance / free, variance)


def _total(house: House, fit: LinkFit, cells: _Cells) -> Floats:
    """Variance that a sheet was weighted by in the fit: that of its class of the sag scale."""
    log_factor, _ = fit.spread.log_factors(*cells.whose)
    each = fit.spread.noise + np.exp(log_factor)[:, None] * fit.spread.plain(house.scale_s2)
    return np.asarray((each * float((fit.posterior.sigma**2).mean()))[cells.code, cells.scale_class])


def _angles_left_out(
    house: House, cells: _Cells, observed: pd.DataFrame, own: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Expected tracking, built-in angle and rake (3, m), and the covariance of that expectation (3, 3, m)."""
    joint = house.angles
    middle, blocks, between = joint.centre
    columns = house.links[PAIR[0]].link.columns
    mean, cov = np.empty((2, len(observed))), np.empty((2, 2, len(observed)))

    def fill(pair: tuple[int, int]) -> None:
        i, j = pair
        found, cov[i, j] = _quadratic(
            joint.design, columns, middle[i], blocks[i, j], between[i, j], cells, observed
        )
        cov[j, i] = cov[i, j]
        if i == j:
            mean[i] = found

    in_threads(fill, [(0, 0), (1, 1), (0, 1)])
    for i in range(2):
        cov[i, i] = np.maximum(cov[i, i], 1e-12)
    t, b, r = (observed[f"y_{n}"].to_numpy(dtype=float) - LINK[n].centre for n in TOGETHER)
    turned = house.turn @ np.stack([t, b])
    lone = np.where(np.isnan(b), t, np.nan)
    told = [(np.eye(2)[i], turned[i], PAIR[i]) for i in range(2)]
    told += [(joint.loading(np.array([1.0, 0.0])), lone, PAIRED[0])]
    told += [(joint.loading(np.array([1.0, 1.0])), r, RAKE)]
    for loading, y, name in told:
        if name in house.links:
            _remove(mean, cov, loading, y, _total(house, house.links[name], cells), own)
    back = np.vstack([np.linalg.inv(house.turn), joint.loading(np.array([1.0, 1.0]))])
    centres = np.array([LINK[n].centre for n in TOGETHER])
    return back @ mean + centres[:, None], np.tensordot(back, np.tensordot(back, cov, (1, 1)), (1, 1))


def _remove(
    mean: Floats, cov: Floats, loading: Floats, y: Floats, total: Floats, own: NDArray[np.bool_]
) -> None:
    """Take a sheet's own reading out of the expectation it taught, in place.

    The reading is ``loading @ combinations`` with variance ``total``; one beyond the cut never was in.
    """
    gain = loading[0] * cov[:, 0] + loading[1] * cov[:, 1]
    variance = loading @ gain
    off = y - loading @ mean
    inside = own & ~np.isnan(y) & (np.abs(off) <= CUT_SIGMAS * np.sqrt(total))
    free = np.maximum(total - variance, (1.0 / LARGEST_LEVERAGE - 1.0) * variance)
    mean -= gain * np.where(inside, off / free, 0.0)
    cov += gain[:, None] * gain * np.where(inside, 1.0 / free, 0.0)


def cholesky_factors(cov: Floats) -> Floats:
    """Lower Cholesky factors of covariances (m, d, d), made safely positive definite.

    Each entry's m figures lie together in memory, so that whole vectors are added up.
    """
    part, d = np.moveaxis(cov, 0, -1), cov.shape[-1]
    scale = np.sqrt(np.einsum("mii->im", cov))
    lower, sound = np.zeros((d, d, len(cov))), np.ones(len(cov), dtype=bool)
    with np.errstate(invalid="ignore", divide="ignore"):
        for j in range(d):
            for i in range(j, d):
                left = part[i, j] / (scale[i] * scale[j]) + (1e-9 if i == j else 0.0)
                for k in range(j):
                    left -= lower[i, k] * lower[j, k]
                lower[i, j] = np.sqrt(left) if i == j else left / lower[j, j]
            sound &= lower[j, j] > 0.0
        lower *= scale[:, None]
    if not sound.all():
        own, sd = cov[~sound], scale[:, ~sound].T
        correlation = nearest_covariance(own / sd[:, :, None] / sd[:, None, :], floor=1e-6)
        factor = np.linalg.cholesky(correlation + 1e-9 * np.eye(d)) * sd[:, :, None]
        lower[..., ~sound] = np.moveaxis(factor, 0, -1)
    return np.moveaxis(lower, -1, 0)
