"""What sheets read against what their kind should read, the unit's own sheet left out.

Leaving a unit out of its own reference is closed form: with leverage h the expectation without it is
``(fit - h·reading) / (1 - h)`` and its variance ``v / (1 - h)``.  A reading beyond the cut never was in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.columns import HELD_BACK
from fleet.house_model.chain import (
    FACTORS,
    JUDGED,
    LINK,
    PAIR,
    PAIRED,
    RAKE,
    SPHERICAL,
    labels_of,
    responses,
)
from fleet.house_model.family_facts import Kinds
from fleet.house_model.house import CUT_SIGMAS, House, LinkFit
from fleet.rows import Columns, Floats, distinct, height, numbers, take_rows
from fleet.statistics.solves import in_threads

Rows = NDArray[np.int64] | slice
Which = NDArray[np.bool_]
LARGEST_LEVERAGE: Final = 0.95
CHUNK: Final = 8_000
ODD: Final = 0.25
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
    observed: Columns
    seen: dict[str, NDArray[np.bool_]]

    @cached_property
    def spherical(self) -> NDArray[np.bool_]:
        """(m,) whether the stylus is spherical."""
        return np.asarray(self.observed["profile"] == SPHERICAL, dtype=bool)

    @cached_property
    def pattern(self) -> NDArray[np.int64]:
        """(m,) a number for which residuals were read, 0 for none."""
        return np.packbits(~np.isnan(self.value), axis=1, bitorder="little")[:, 0].astype(np.int64)

    @property
    def variance(self) -> Floats:
        """(m, 8) of each residual."""
        return np.asarray(np.einsum("mii->mi", self.covariance))

    @cached_property
    def farthest(self) -> Floats:
        """(m,) the largest residual over its own sd, 0 where nothing was read."""
        z = np.abs(self.value) / np.sqrt(self.variance)
        return np.asarray(np.nan_to_num(z).max(axis=1))

    def take(self, rows: NDArray[np.int64]) -> Residuals:
        """The same of some of the sheets."""
        return Residuals(
            self.value[rows],
            self.expected[rows],
            self.covariance[rows],
            self.share[rows],
            self.doubt[rows],
            take_rows(self.observed, rows),
            {f: seen[rows] for f, seen in self.seen.items()},
        )


@dataclass(frozen=True, eq=False)
class Brief:
    """What the residuals of m sheets are made of, their covariances not written out yet.

    Attributes
    ----------
    value, expected, doubt, observed, seen : as in `Residuals`
    variance : (m, 8) of each residual
    sd, own : (m, 8) of sound units' readings, and units' part of their variance
    unknown, angles : variances of the expectations (m, 8), and covariances of those `TOGETHER` (3, 3, m)
    house : the model
    finish : what else is to be done to some that are written out, and which these are
    """

    value: Floats
    expected: Floats
    variance: Floats
    sd: Floats
    own: Floats
    doubt: Floats
    unknown: Floats
    angles: Floats
    observed: Columns
    seen: dict[str, NDArray[np.bool_]]
    house: House
    finish: Callable[[Residuals, Rows], Residuals] | None = None

    @property
    def pattern(self) -> NDArray[np.int64]:
        """(m,) a number for which residuals were read, 0 for none."""
        return np.packbits(~np.isnan(self.value), axis=1, bitorder="little")[:, 0].astype(np.int64)

    @property
    def odd(self) -> Which:
        """(m, 8) whether a variance is so much more, or less, that residuals may go together otherwise."""
        return np.asarray(np.abs(self.variance / self.sd**2 - 1.0) > ODD)

    def take(self, rows: Rows = slice(None)) -> Residuals:
        """Residuals of some of the sheets."""
        covariance = _covariance(self.house, self.sd[rows], self.unknown[rows], self.angles[..., rows])
        share = self.own[rows] / np.einsum("mii->mi", covariance)
        observed = self.observed if isinstance(rows, slice) else take_rows(self.observed, rows)
        seen, doubt = {f: there[rows] for f, there in self.seen.items()}, self.doubt[rows]
        out = Residuals(self.value[rows], self.expected[rows], covariance, share, doubt, observed, seen)
        return self.finish(out, rows) if self.finish else out


def residuals(
    house: House, sheets: Columns, *, taught: Which | None = None, kinds: Kinds | None = None
) -> Residuals:
    """Residuals of sheets against the house model without their own unit.

    Parameters
    ----------
    house : House
    sheets : bench sheets, canonical columns
    taught : (m,) whether the sheet is one that teaches (a unit's newest); default none is. One that came in
        after the model was fitted did not teach it
    kinds : of the sheets, where these are some of many

    Returns
    -------
    Residuals
    """
    return briefly(house, sheets, taught=taught, kinds=kinds).take()


def briefly(
    house: House, sheets: Columns, *, taught: Which | None = None, kinds: Kinds | None = None
) -> Brief:
    """The same before covariances are written out."""
    kinds = kinds or Kinds.of(house.facts, labels_of(sheets))
    observed = responses(sheets, kinds.fill, judged=kinds.labels)
    m = height(observed)
    _soften_scale(house, observed, sheets, kinds)
    own = np.zeros(m, dtype=bool)
    if taught is not None and taught.any():
        own = taught & _was_there(house, sheets, kinds)
    value, expected, variance = (_columns(m, x) for x in (np.nan, np.nan, 0.0))

    def reckon(j: int) -> None:
        y = np.asarray(observed[f"y_{JUDGED[j]}"])
        fit = house.links[JUDGED[j]]
        expected[:, j], variance[:, j] = _left_out(house, fit, kinds, observed, y, own)
        value[:, j] = y - expected[:, j]

    in_threads(reckon, [j for j, n in enumerate(JUDGED) if n not in TOGETHER and n in house.links])
    angles, known = _angles_left_out(house, kinds, observed, own)
    for j, mean in zip(_PLACES, angles, strict=True):
        expected[:, j] = mean
        value[:, j] = np.asarray(observed[f"y_{JUDGED[j]}"]) - mean
    total, own, doubt = unit_variance(house, observed, kinds)
    sd, seen = np.sqrt(total), kinds.seen(house.facts)
    whole = _variance(house, sd, variance, known)
    return Brief(value, expected, whole, sd, own, doubt, variance, known, observed, seen, house)


def _soften_scale(house: House, observed: Any, sheets: Columns, kinds: Kinds) -> None:
    """Take compliances told at a frequency that the fleet never saw as quotes do, in place."""
    softer = kinds.once("softer", lambda: house.facts.softness(kinds.levels["frequency"]))
    if (softer == 1.0).all():
        return
    told = ~np.isnan(numbers(sheets, "compliance_um_per_mn"))
    for name in ("s", "s_warm", "s_aged", "s_kind"):
        observed[name] *= np.where(told, softer[kinds.code], 1.0)


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


def _variance(house: House, sd: Floats, known: Floats, angles: Floats) -> Floats:
    """The diagonals of `_covariance`, (m, 8)."""
    t, b, r = _PLACES
    out = sd**2
    if RAKE not in house.links:
        out[:, r] = out[:, t] + out[:, b] + 2.0 * house.correlation[t, b] * sd[:, t] * sd[:, b]
    out += known
    for i, j in enumerate(_PLACES):
        out[:, j] += angles[i, i]
    return out


def _columns(m: int, value: float) -> Floats:
    """(m, 8) of one value, each column's figures together in memory."""
    return np.full((len(JUDGED), m), value).T


def _was_there(house: House, sheets: Columns, kinds: Kinds) -> NDArray[np.bool_]:
    """Whether the model can have learnt from each sheet: by its intake, its day, its factors, its marks."""

    def known() -> NDArray[np.bool_]:
        combos = set(zip(*(house.facts.kinds[f].tolist() for f in FACTORS), strict=True))
        return np.array([c in combos for c in zip(*(kinds.levels[f] for f in FACTORS), strict=True)])

    out = kinds.once("there", known)[kinds.code]
    if house.last_intake is not None and "intake_id" in sheets:
        out &= numbers(sheets, "intake_id") <= house.last_intake
    out &= ~_held_back(sheets)
    first, end = house.span
    if first or end:
        day = np.asarray(sheets["measured_on"], dtype="datetime64[s]")
        out &= day >= np.datetime64(first or "1677-09-22")
        out &= day < np.datetime64(end or "2262-04-11")
    return out


def _held_back(sheets: Columns) -> NDArray[np.bool_]:
    """Which sheets bear marks of what doesn't teach; none where marks aren't there."""
    if "marks" not in sheets:
        return np.zeros(height(sheets), dtype=bool)
    code, found = distinct(sheets["marks"])
    held = [not set(HELD_BACK).isdisjoint(str(m).split(";")) for m in found]
    return np.array([*held, False], dtype=bool)[code]


def unit_variance(
    house: House, observed: Columns, kinds: Kinds | None = None
) -> tuple[Floats, Floats, Floats]:
    """Variance of a sound unit's reading about its expectation (m, 8), the units' part of it, and its doubt.

    The variance is unit spread and reading noise; the doubt is the sd of the log of the spread.
    """
    s2 = np.asarray(observed["s_kind"], dtype=float) ** 2
    if kinds is None:
        kinds = Kinds.of(house.facts, {f: np.asarray(observed[f], dtype=object) for f in FACTORS})
    out, own, doubt = (_columns(len(s2), x) for x in (1.0, 1.0, 0.0))
    for j, name in enumerate(JUDGED):
        if name in house.links:
            fit = house.links[name]
            sigma2 = float((fit.posterior.sigma**2).mean())
            log_factor, sd = _log_factors(fit, kinds)
            own[:, j] = sigma2 * (np.exp(log_factor)[kinds.code] * fit.spread.plain(s2))
            out[:, j] = own[:, j] + sigma2 * fit.spread.noise
            doubt[:, j] = sd[kinds.code]
    return out, own, doubt


def _log_factors(fit: LinkFit, kinds: Kinds) -> tuple[Floats, Floats]:
    """Mean and sd of the log of how widely units of each combination scatter."""
    whose = kinds.levels["source"], kinds.levels["family"]
    return kinds.once(("spread", fit.link.name), lambda: fit.spread.log_factors(*whose))


def _left_out(
    house: House, fit: LinkFit, kinds: Kinds, observed: Columns, y: Floats, own: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Expectation and its variance without the sheet itself, where it was among the teachers."""
    mean, cov, sds = fit.centre
    moments = mean, cov, sds**2
    expectation, variance = kinds.quadratic(
        fit.link.name, fit.gram.design, fit.link.columns, moments, observed
    )
    variance = np.maximum(variance, 1e-12)
    expectation += fit.link.centre
    for column in fit.link.columns:
        expectation[np.isnan(np.asarray(observed[column], dtype=float))] = np.nan
    total = _total(house, fit, kinds, observed)
    leverage = np.minimum(variance / total, LARGEST_LEVERAGE)
    inside = own & (np.abs(y - expectation) <= CUT_SIGMAS * np.sqrt(total)) & ~np.isnan(y)
    free = 1.0 - leverage
    without = (expectation - leverage * y) / free
    return np.where(inside, without, expectation), np.where(inside, variance / free, variance)


def _total(house: House, fit: LinkFit, kinds: Kinds, observed: Columns) -> Floats:
    """Variance that a sheet was weighted by in the fit: that of its class of the sag scale."""

    def each() -> Floats:
        factor = np.exp(_log_factors(fit, kinds)[0])[:, None]
        variance = fit.spread.noise + factor * fit.spread.plain(house.scale_s2)
        return np.asarray(variance * float((fit.posterior.sigma**2).mean()))

    total: Floats = kinds.once(("total", fit.link.name), each)[kinds.code, observed["scale_class"]]
    return total


def _angles_left_out(
    house: House, kinds: Kinds, observed: Columns, own: NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Expected tracking, built-in angle and rake (3, m), and the covariance of that expectation (3, 3, m)."""
    joint = house.angles
    middle, blocks, between = joint.centre
    columns = house.links[PAIR[0]].link.columns
    mean, cov = np.empty((2, len(own))), np.empty((2, 2, len(own)))

    def fill(pair: tuple[int, int]) -> None:
        i, j = pair
        moments = middle[i], blocks[i, j], between[i, j]
        found, cov[i, j] = kinds.quadratic(f"{PAIR[i]} {j}", joint.design, columns, moments, observed)
        cov[j, i] = cov[i, j]
        if i == j:
            mean[i] = found

    in_threads(fill, [(0, 0), (1, 1), (0, 1)])
    for i in range(2):
        cov[i, i] = np.maximum(cov[i, i], 1e-12)
    t, b, r = (np.asarray(observed[f"y_{n}"], dtype=float) - LINK[n].centre for n in TOGETHER)
    turned = house.turn @ np.stack([t, b])
    lone = np.where(np.isnan(b), t, np.nan)
    told = [(np.eye(2)[i], turned[i], PAIR[i]) for i in range(2)]
    told += [(joint.loading(np.array([1.0, 0.0])), lone, PAIRED[0])]
    told += [(joint.loading(np.array([1.0, 1.0])), r, RAKE)]
    for loading, y, name in told:
        if name in house.links:
            _remove(mean, cov, loading, y, _total(house, house.links[name], kinds, observed), own)
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
