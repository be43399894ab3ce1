"""What sheets read against what their kind should read, the unit's own sheet left out.

Leaving a unit out of its own reference is closed form: with leverage h the expectation without it is
``(fit - h·reading) / (1 - h)`` and its variance ``v / (1 - h)``.  A reading beyond the cut never was in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from fleet.house_model.chain import (
    FACTOR_COLUMNS,
    FACTORS,
    JUDGED,
    LINK,
    PAIR,
    PAIRED,
    factor_labels,
    observe,
)
from fleet.house_model.family_facts import SPEC_FACTORS
from fleet.house_model.house import CUT_SIGMAS, House, LinkFit
from fleet.house_model.variance_function import nearest_covariance
from fleet.statistics.blas_threads import in_threads
from fleet.statistics.gram import Floats

LARGEST_LEVERAGE: Final = 0.95
CHUNK: Final = 8_000


@dataclass(frozen=True)
class Residuals:
    """Residuals of m sheets in the order of `JUDGED`.

    Attributes
    ----------
    value : (m, 7) reading minus expectation, NaN where not read
    expected : (m, 7) what the kind should read
    covariance : (m, 7, 7) of the residuals of a sound unit: reading noise, unit spread, what the fleet leaves
        unknown about family, source and material
    observed : the sheets as the links see them (see `observe`)
    seen : per factor (m,) whether the fleet knows the level
    """

    value: Floats
    expected: Floats
    covariance: Floats
    observed: pd.DataFrame
    seen: dict[str, NDArray[np.bool_]]


def residuals(house: House, sheets: pd.DataFrame, *, taught: NDArray[np.bool_] | None = None) -> Residuals:
    """Residuals of sheets against the house model without their own unit.

    Parameters
    ----------
    house : House
    sheets : bench sheets, canonical columns
    taught : (m,) whether the sheet is one that teaches (a unit's newest); default none is. One that came in
        after the model was fitted did not teach it

    Returns
    -------
    Residuals
    """
    observed = observe(sheets, house.facts.fill(_make_up(sheets)))
    m = len(observed)
    cells = _Cells(observed)
    own = np.zeros(m, dtype=bool) if taught is None else np.asarray(taught, dtype=bool)
    own = own & _was_there(house, sheets, cells)
    value, expected = np.full((m, len(JUDGED)), np.nan), np.full((m, len(JUDGED)), np.nan)
    variance = np.zeros((m, len(JUDGED)))

    def fill(j: int) -> None:
        y = observed[f"y_{JUDGED[j]}"].to_numpy()
        fit = house.links[JUDGED[j]]
        expected[:, j], variance[:, j] = _left_out(house, fit, cells, observed, y, own)
        value[:, j] = y - expected[:, j]

    in_threads(fill, [j for j, n in enumerate(JUDGED) if n not in PAIRED and n in house.links])
    angles = _pair_left_out(house, cells, observed, own)
    read = observed[[f"y_{n}" for n in PAIRED]].to_numpy(dtype=float)
    pair = None
    if angles is not None:
        expected[:, :2], pair = angles
        tracking, unknown = _left_out(house, house.links[PAIRED[0]], cells, observed, read[:, 0], own)
        alone = np.isnan(read[:, 1])
        expected[alone, 0], pair[alone, 0, 0] = tracking[alone], unknown[alone]
        value[:, :2] = read - expected[:, :2]
    covariance = _covariance(house, np.sqrt(unit_variance(house, observed)), variance, pair)
    levels = {f: set(house.facts.combos[f].astype(str)) for f in FACTORS}
    seen = {f: np.array([x in levels[f] for x in cells.levels[f]], dtype=bool)[cells.code] for f in FACTORS}
    return Residuals(value, expected, covariance, observed, seen)


def _covariance(house: House, sd: Floats, known: Floats, pair: Floats | None) -> Floats:
    """Covariances (m, 7, 7) from the sds of sound units (m, 7) and what is unknown of the kind.

    That is a variance for each link, (m, 7), and a covariance for the pair, (m, 2, 2).
    """
    m, d = sd.shape
    out = np.empty((m, d, d))

    def fill(start: int) -> None:
        rows = slice(start, start + CHUNK)
        np.multiply(sd[rows, :, None], sd[rows, None, :], out=out[rows])
        out[rows] *= house.correlation
        for j in range(len(PAIRED), d):
            out[rows, j, j] += known[rows, j]
        if pair is not None:
            out[rows, : len(PAIRED), : len(PAIRED)] += pair[rows]

    in_threads(fill, range(0, m, CHUNK))
    return out


def _was_there(house: House, sheets: pd.DataFrame, cells: _Cells) -> NDArray[np.bool_]:
    """Whether the model can have learnt from each sheet: by its intake, its day and its factors."""
    known = set(house.facts.combos[list(FACTORS)].astype(str).itertuples(index=False, name=None))
    combinations = zip(*(cells.levels[f] for f in FACTORS), strict=True)
    out = np.array([c in known for c in combinations], dtype=bool)[cells.code]
    if house.last_intake is not None and "intake_id" in sheets:
        out &= pd.to_numeric(sheets["intake_id"]).le(house.last_intake).to_numpy(dtype=bool)
    first, end = house.span
    if first or end:
        day = pd.to_datetime(sheets["measured_on"])
        out &= (day >= pd.Timestamp(first or "1677-09-22")).to_numpy()
        out &= (day < pd.Timestamp(end or "2262-04-11")).to_numpy()
    return out


def _make_up(sheets: pd.DataFrame) -> pd.DataFrame:
    """Make-up of the sheets' families, for those that the fleet may not know."""
    first = sheets.drop_duplicates(FACTOR_COLUMNS["family"])
    columns = {f: factor_labels(first[FACTOR_COLUMNS[f]]) for f in (*SPEC_FACTORS, "family")}
    return pd.DataFrame(columns).set_index("family")


def unit_variance(house: House, observed: pd.DataFrame) -> Floats:
    """Variance of a sound unit's reading about its expectation, (m, 7): unit spread and reading noise."""
    s = observed["s_kind"].to_numpy(dtype=float)
    typical = float(np.nanmedian(s)) if np.isfinite(s).any() else 1.5
    s2 = np.where(np.isnan(s), typical, s) ** 2
    source, names = pd.factorize(observed["source"].to_numpy(dtype=object))
    out = np.ones((len(observed), len(JUDGED)))
    for j, name in enumerate(JUDGED):
        if name in house.links:
            fit = house.links[name]
            own = fit.spread.source_factors(names)[source] * fit.spread.plain(s2)
            out[:, j] = (fit.spread.noise + own) * float((fit.posterior.sigma**2).mean())
    return out


class _Cells:
    """Unique combinations of levels among the sheets, so that designs are looked up once each."""

    def __init__(self, observed: pd.DataFrame) -> None:
        grouped = observed.groupby(list(FACTORS), sort=False)
        self.code = grouped.ngroup().to_numpy()
        first = pd.Series(self.code).drop_duplicates().index
        self.levels = {f: observed[f].iloc[first].astype(str).to_numpy(dtype=object) for f in FACTORS}
        self.source, self.sources = pd.factorize(observed["source"].to_numpy(dtype=object))
        self.size = len(first)


def _expect(fit: LinkFit, cells: _Cells, observed: pd.DataFrame) -> tuple[Floats, Floats]:
    """Expectation (less the link's centre) and its variance, per sheet."""
    mean, cov, sds = fit.centre
    design = fit.gram.design
    found = design.columns_of(cells.levels, cells.size)
    columns = list(fit.link.columns)
    place = {c: i for i, c in enumerate(["1", *columns])}
    k = len(place)
    level = np.zeros((cells.size, k))
    fixed = {name: design.q + j for j, name in enumerate(design.fixed)}
    for name, j in fixed.items():
        level[:, place[name]] += mean[j]
    quad = np.zeros((cells.size, k, k))
    groups = [(place[t.covariate], i) for t, i in zip(design.terms, found, strict=True)]
    groups += [(place[name], np.full(cells.size, j)) for name, j in fixed.items()]
    for t, (ka, ia) in enumerate(groups):
        safe_a, on_a = np.maximum(ia, 0), ia >= 0
        if t < len(design.terms):
            level[:, ka] += np.where(on_a, mean[safe_a], 0.0)
            quad[:, ka, ka] += np.where(on_a, 0.0, sds[t] ** 2)
        for kb, ib in groups:
            safe_b, on_b = np.maximum(ib, 0), ib >= 0
            quad[:, ka, kb] += np.where(on_a & on_b, cov[safe_a, safe_b], 0.0)
    expectation, variance = level[cells.code, 0], quad[cells.code, 0, 0]
    values = {place[c]: np.nan_to_num(observed[c].to_numpy(dtype=float)) for c in columns}
    for a, by in values.items():
        expectation += by * level[cells.code, a]
        variance += by * (quad[:, 0, a] + quad[:, a, 0])[cells.code]
        for b, also in values.items():
            variance += by * also * quad[cells.code, a, b]
    return expectation, np.maximum(variance, 1e-12)


def _left_out(
    house: House, fit: LinkFit, cells: _Cells, observed: pd.DataFrame, y: Floats, own: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Expectation and its variance without the sheet itself, where it was among the teachers."""
    expectation, variance = _expect(fit, cells, observed)
    expectation += fit.link.centre
    for column in fit.link.columns:
        expectation[np.isnan(observed[column].to_numpy(dtype=float))] = np.nan
    total = _total(house, fit, cells, observed)
    leverage = np.minimum(variance / total, LARGEST_LEVERAGE)
    inside = own & (np.abs(y - expectation) <= CUT_SIGMAS * np.sqrt(total)) & ~np.isnan(y)
    free = 1.0 - leverage
    without = (expectation - leverage * y) / free
    return np.where(inside, without, expectation), np.where(inside, variance / free, variance)


def _total(house: House, fit: LinkFit, cells: _Cells, observed: pd.DataFrame) -> Floats:
    """Variance that a sheet was weighted by in the fit: that of its class of the sag scale."""
    s2 = house.scale_s2[observed["scale_class"].to_numpy(dtype=int)]
    own = fit.spread.source_factors(cells.sources)[cells.source] * fit.spread.plain(s2)
    return (fit.spread.noise + own) * float((fit.posterior.sigma**2).mean())


def _pair_left_out(
    house: House, cells: _Cells, observed: pd.DataFrame, own: NDArray[np.bool_]
) -> tuple[Floats, Floats] | None:
    """Expected tracking and built-in angle (m, 2) and the covariance of that expectation (m, 2, 2)."""
    if not set(PAIR) <= set(house.links):
        return None
    centres = np.array([LINK[n].centre for n in PAIRED])
    readings = observed[[f"y_{n}" for n in PAIRED]].to_numpy(dtype=float) - centres
    turned = readings @ house.turn.T
    expected, variance = np.empty(turned.shape), np.empty(turned.shape)

    def fill(i: int) -> None:
        fit = house.links[PAIR[i]]
        expected[:, i], variance[:, i] = _left_out(house, fit, cells, observed, turned[:, i], own)

    in_threads(fill, range(len(PAIR)))
    back = np.linalg.inv(house.turn)
    cov = variance @ np.einsum("ij,kj->jik", back, back).reshape(len(PAIR), -1)
    return expected @ back.T + centres, cov.reshape(-1, len(PAIR), len(PAIR))


def whitened(cov: Floats) -> Floats:
    """Lower Cholesky factors of covariances (m, d, d), made safely positive definite."""
    d = cov.shape[-1]
    scale = np.sqrt(np.einsum("mii->mi", cov))
    correlation = cov / scale[:, :, None] / scale[:, None, :]
    try:
        factor = np.linalg.cholesky(correlation + 1e-9 * np.eye(d))
    except np.linalg.LinAlgError:
        factor = np.linalg.cholesky(nearest_covariance(correlation, floor=1e-6) + 1e-9 * np.eye(d))
    return np.asarray(factor * scale[:, :, None])
