"""Fault signatures: where in the space of the links' residuals each fault would put a unit.

A fault moves the residuals r along a direction d by a plausible range of sizes; a slip of the pen is a
reading that can be undone.  For each the likelihood ratio against a sound unit is in closed form.  With
a = d'Σ⁻¹r and b = d'Σ⁻¹d, a bump of sizes N(mu, tau²) gives

    (1 + b tau²)^(-1/2) exp((a² tau² + 2 a mu - b mu²) / (2 (1 + b tau²)))

and a reading c that moves the residuals by c·d when it is put right gives exp(-c a - c² b / 2), the density
of the residuals put right over that of the residuals as written (both derived).  A reading that is missing
has no row in r, d and Σ: it is marginalised, not filled in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from fleet.house_model.chain import JUDGED, TYPICAL_DRAG_RATIO
from fleet.physics.sag import soften
from fleet.statistics.solves import backward, precision

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Bumps = tuple[tuple[float, float], ...]
Moves = tuple[tuple[int, Floats], ...]
Given = tuple[Mapping[str, float], float, NDArray[np.int64]]
MECHANICAL: Final = (
    "rake_set_wrong",
    "stylus_twisted",
    "stylus_canted",
    "generator_rolled",
    "assembly_rolled",
    "cantilever_angle",
    "suspension_soft",
    "suspension_stiff",
    "weak_channel",
)
FAULTS: Final = (*MECHANICAL, "misread", "other")
TRACKING, BUILT_IN, SAG, ZENITH, SEEN, ELECTRICAL, BALANCE, RAKE = range(len(JUDGED))

_ROLL: Final[Bumps] = ((2.2, 0.6), (3.5, 0.8), (5.0, 1.2))
SIZES: Final[Mapping[str, Bumps]] = {
    "rake_set_wrong": ((3.0, 0.8), (5.0, 1.2), (7.5, 1.5)),
    "stylus_twisted": ((3.5, 0.9), (5.5, 1.2), (8.0, 1.5)),
    "stylus_canted": _ROLL,
    "generator_rolled": _ROLL,
    "assembly_rolled": _ROLL,
    "cantilever_angle": ((4.0, 0.8), (5.5, 1.0), (7.5, 1.5)),
    "weak_channel": ((1.5, 0.4), (2.6, 0.6), (4.0, 1.0)),
}
"""Bumps of sizes (middle, sd) in degrees or dB, either sign: from what is only just a fault to what is plain
(common practice, no source)."""
SOFTER: Final = (1.4, 1.8, 2.3, 3.0)
STIFFER: Final = (0.18, 0.27, 0.38, 0.55)
"""Times as soft as its kind (common practice, no source)."""
SUSPENSION_BUMP: Final[Bumps] = ((1.0, 0.2),)
SLIP_SIZES: Final[Bumps] = ((4.0, 1.5), (9.0, 1.0), (18.0, 6.0))
FAR_SIZES: Final[Bumps] = ((14.0, 4.0),)
"""A wrong digit moves a reading by some units, by nine or ten, or by tens (common practice, no source)."""
OTHER_SIGMAS: Final = 3.0
LEAST_SIGN: Final = {ZENITH: 1.0, SEEN: 0.8, ELECTRICAL: 0.8, BALANCE: 0.5}
"""A reading smaller than this says nearly the same with either sign [degrees, dB]."""
NEAR: Final = 2.5
"""Sds within which a rough score makes up for sound units' being rarer than normal ones."""
STILLS: Final = np.linspace(5.0, 50.0, 91)
SAGS: Final = np.geomspace(0.05, 10.0, 60)
"""Angles and sags [degrees] that directions are told at where they need not be exact."""
WRITTEN: Final = 1e-6
"""Readings come as expectation plus residual: one written as the limit itself must not hang on rounding."""
SIGNED: Final = {
    ZENITH: "zenith_deg",
    SEEN: "azimuth_optical_deg",
    ELECTRICAL: "azimuth_electrical_deg",
    BALANCE: "channel_balance_db",
}
ALONE: Final = (
    ("sra_static_deg", {TRACKING: 1.0, SAG: 1.0, RAKE: 1.0}, {SAG: True}),
    ("sra_dynamic_deg", {TRACKING: -1.0, SAG: -1.0, BUILT_IN: 1.0}, {SAG: True}),
    ("sra_dynamic_deg", {BUILT_IN: 1.0, RAKE: 1.0}, {SAG: False}),
    ("vta_dynamic_deg", {TRACKING: 1.0, BUILT_IN: -1.0}, {TRACKING: True}),
)
"""Which residuals one wrong reading moves, and which must be there or not for it to be so: without both rakes
there is no sag, and the tracking angle leans on a guess of it; the one rake may be either."""


@dataclass(frozen=True, eq=False)
class Signature:
    """One way in which a sheet may not be sound.

    Attributes
    ----------
    fault : one of `FAULTS`
    vector : (m, 8) or (8,) direction in the residuals of `JUDGED`
    bumps : sizes along it; empty for a reading that is undone
    both : whether the opposite sense is as likely
    weight : share within its fault
    undo : link whose reading, times the vector, is put right; None for a bump
    column : bench-sheet column that would be wrong
    given : links that must have been read (True) or not (False) for this to be so
    """

    fault: str
    vector: Floats
    bumps: Bumps = ()
    both: bool = True
    weight: float = 1.0
    undo: int | None = None
    column: str = ""
    given: Mapping[int, bool] = field(default_factory=dict)

    def draw(self, rng: np.random.Generator, readings: Floats) -> Floats:
        """Sizes (...) of this fault in units with these readings (..., 8); a slip's is the reading itself."""
        if self.undo is not None:
            return readings[..., self.undo]
        size = readings.shape[:-1]
        middle, sd = np.moveaxis(np.array(self.bumps)[rng.integers(len(self.bumps), size=size)], -1, 0)
        sense = np.where(rng.random(size) < 0.5, -1.0, 1.0) if self.both else 1.0
        return np.asarray(sense * (middle + sd * rng.standard_normal(size)))


def signatures(expected: Floats, canted_to_electrical: float) -> list[Signature]:
    """All signatures for sheets with these expectations.

    Parameters
    ----------
    expected : (m, 8) expectation of each link [degrees, dB]
    canted_to_electrical : part of a cant that the electrical azimuth follows, learnt from sound units
    """
    unit = np.eye(len(JUDGED))
    kappa = canted_to_electrical
    out = [
        Signature("rake_set_wrong", unit[BUILT_IN] + unit[RAKE], SIZES["rake_set_wrong"]),
        Signature("stylus_twisted", unit[ZENITH], SIZES["stylus_twisted"]),
        Signature("generator_rolled", unit[ELECTRICAL], SIZES["generator_rolled"]),
        Signature("assembly_rolled", unit[SEEN] + unit[ELECTRICAL], SIZES["assembly_rolled"]),
        Signature("weak_channel", unit[BALANCE], SIZES["weak_channel"]),
    ]
    follows = (0.6 * kappa, kappa, min(1.4 * kappa, 0.75))
    out += [
        Signature("stylus_canted", unit[SEEN] + k * unit[ELECTRICAL], SIZES["stylus_canted"]) for k in follows
    ]
    out.append(_cantilever(expected))
    out += _suspension(expected, "suspension_soft", SOFTER)
    out += _suspension(expected, "suspension_stiff", STIFFER)
    return out + _slips(unit)


def _slips(unit: Floats) -> list[Signature]:
    swapped = -2.0 * unit[SAG] - 2.0 * unit[TRACKING] + unit[BUILT_IN] - unit[RAKE]
    out = [Signature("misread", swapped, weight=2.0, undo=SAG, column="sra_static_deg")]
    for link, column in SIGNED.items():
        out.append(Signature("misread", -2.0 * unit[link], weight=0.5, undo=link, column=column))
        if link != BALANCE:
            out.append(Signature("misread", unit[link], FAR_SIZES, weight=0.25, column=column))
    for column, moves, given in ALONE:
        vector = sum(size * unit[link] for link, size in moves.items())
        out.append(Signature("misread", np.asarray(vector), SLIP_SIZES, column=column, given=given))
    return out


def _cantilever(expected: Floats) -> Signature:
    """A cantilever set steeper or flatter: the sag follows the angle as tan θ / cos θ does."""
    still, sag = _still_and_sag(expected)
    theta = np.radians(still)
    vector = np.zeros(expected.shape[::-1]).T
    vector[:, TRACKING] = vector[:, RAKE] = 1.0
    vector[:, SAG] = np.radians(sag) * (1.0 + np.sin(theta) ** 2) / (np.sin(theta) * np.cos(theta))
    return Signature("cantilever_angle", vector, SIZES["cantilever_angle"])


def _suspension(expected: Floats, fault: str, factors: tuple[float, ...]) -> list[Signature]:
    """Softer or stiffer than its kind: it sinks or rises *and* its sag changes, by the equilibrium."""
    still, sag = _still_and_sag(expected)
    deflection = sag / (TYPICAL_DRAG_RATIO * np.tan(np.radians(still)))
    out = []
    for new_still, new_sag in zip(*soften(still, sag, deflection, np.array(factors)[:, None]), strict=True):
        vector = np.zeros(expected.shape[::-1]).T
        vector[:, TRACKING] = vector[:, RAKE] = np.nan_to_num(new_still - still)
        vector[:, SAG] = np.nan_to_num(new_sag - sag)
        out.append(Signature(fault, vector, SUSPENSION_BUMP, both=False))
    return out


def _still_and_sag(expected: Floats) -> tuple[Floats, Floats]:
    still = np.clip(np.nan_to_num(expected[:, TRACKING], nan=22.0), STILLS[0], STILLS[-1])
    return still, np.clip(np.nan_to_num(expected[:, SAG], nan=0.6), SAGS[0], None)


def _shown(items: list[Signature], read: NDArray[np.int64]) -> Iterator[tuple[int, Signature, Moves]]:
    """Signatures that readings can show, each with its number and what it moves of what was read."""
    for i, item in enumerate(items):
        there = all((link in read) == told for link, told in item.given.items())
        moves = tuple((k, item.vector[..., j]) for k, j in enumerate(read) if np.any(item.vector[..., j]))
        if there and moves and (item.undo is None or item.undo in read):
            yield i, item, moves


@dataclass(frozen=True, eq=False)
class Whitened:
    """Signatures of m sheets that share one pattern of readings, against their covariances.

    Attributes
    ----------
    items : the signatures that these readings can show
    moved : per signature, the places in ``read`` that it moves and by how much, (m,) or one figure for all
    power : (s, m) squared lengths b of the whitened directions
    read : indices of the links that were read
    factor : (m, d, d) lower Cholesky factors
    number : place of each of ``items`` in the full list
    """

    items: tuple[Signature, ...]
    moved: tuple[Moves, ...]
    power: Floats
    read: NDArray[np.int64]
    factor: Floats
    number: tuple[int, ...]

    @classmethod
    def of(cls, items: list[Signature], read: NDArray[np.int64], factor: Floats) -> Whitened:
        """Whiten directions; a signature that moves nothing that was read is left out."""
        shown = list(_shown(items, read))
        number, kept, moved = (tuple(x) for x in zip(*shown, strict=True)) if shown else ((), (), ())
        inverse = precision(factor)
        power = np.empty((len(kept), len(factor)))
        for i, moves in enumerate(moved):
            power[i] = sum(by * also * inverse[j, k] for j, by in moves for k, also in moves)
        return cls(kept, moved, power, read, factor, number)

    def ratios(self, white: Floats, readings: Floats, heavy: Floats | float = 0.0) -> tuple[Floats, Floats]:
        """Log likelihood ratios against a sound unit.

        A fault explains the readings that it moves; those that it does not move scatter as a sound unit's.

        Parameters
        ----------
        white : (..., m, d) whitened residuals; leading axes are further residuals of the same sheets
        readings : (..., m, 8) responses as written
        heavy : (..., m, d) log of how much denser sound units lie at each whitened residual than normal ones

        Returns
        -------
        faults : (..., m, 11) per fault of `FAULTS`, -inf where the readings can't show it
        each : (s, ..., m) per signature
        """
        solved = backward(self.factor, white)
        more = np.moveaxis(np.broadcast_to(heavy, white.shape), -1, 0)
        each = np.empty((len(self.items), *white.shape[:-1]))
        for i, (item, moves) in enumerate(zip(self.items, self.moved, strict=True)):
            along = sum(by * solved[k] for k, by in moves)
            each[i] = _ratio(item, np.asarray(along), self.power[i], readings) - sum(
                more[k] for k, _ in moves
            )
        faults = np.full((len(FAULTS), *white.shape[:-1]), -np.inf)
        for j, fault in enumerate(FAULTS[:-1]):
            mine = [i for i, item in enumerate(self.items) if item.fault == fault]
            if len(mine) == 1:
                faults[j] = each[mine[0]]
            elif mine:
                faults[j] = log_average(each[mine], np.array([self.items[i].weight for i in mine]))
        d = white.shape[-1]
        square = np.einsum("...d,...d->...", white, white)
        faults[-1] = 0.5 * square * (1.0 - OTHER_SIGMAS**-2) - d * np.log(OTHER_SIGMAS) - more.sum(axis=0)
        return np.moveaxis(faults, 0, -1), each


@dataclass(frozen=True, eq=False)
class Rough:
    """About what `Whitened.ratios` comes to on the whole, at a tenth of its cost.

    All sheets' residuals go together alike, a suspension's and a cantilever's directions are those of rounded
    angles, sound units scatter normally, and seven figures will do.

    Attributes
    ----------
    shares : of each fault among the faulty
    cant_share : part of a cant that the electrical azimuth follows
    read : indices of the links that were read
    inverse : (d, d) of their correlations
    light : (d,) log of how much rarer than normal ones sound units are at most within `NEAR`
    """

    shares: Mapping[str, float]
    cant_share: float
    read: NDArray[np.int64]
    inverse: Singles
    light: Floats

    @classmethod
    def of(cls, given: Given, covariance: Floats, heavier: Callable[[Floats], Floats]) -> Rough:
        """Of some sheets' covariances (m, d, d) and the laws that their sound like scatter by."""
        sd = np.sqrt(np.einsum("mii->mi", covariance))
        inverse = np.linalg.inv((covariance / sd[:, :, None] / sd[:, None, :]).mean(axis=0))
        light = -heavier(np.linspace(-NEAR, NEAR, 51)[:, None, None]).min(axis=(0, 1))
        return cls(*given, inverse.astype(np.float32), light)

    @cached_property
    def shown(self) -> list[tuple[float, Signature, list[tuple[int, Singles]]]]:
        """Signatures that the readings can show, with their weights among the faulty."""
        shown, out = list(_shown(_rounded(self.cant_share), self.read)), []
        for _, item, moves in shown:
            weight = item.weight / sum(other.weight for _, other, _ in shown if other.fault == item.fault)
            weight *= self.shares[item.fault] * float(np.exp(sum(self.light[k] for k, _ in moves)))
            out.append((weight, item, [(k, np.array(x, dtype=np.float32)) for k, x in moves]))
        return out

    def score(self, value: Floats, sd: Floats, expected: Floats) -> Singles:
        """Log likelihood ratios (m,) of residuals (m, d) with these sds, from expectations (m, 8)."""
        still, sag = _still_and_sag(expected)
        code = np.rint((still - STILLS[0]) / (STILLS[1] - STILLS[0])).astype(np.int64) * len(SAGS)
        code += np.searchsorted(np.sqrt(SAGS[1:] * SAGS[:-1]), sag)
        readings = dict(zip(self.read.tolist(), _singles(expected[:, self.read] + value), strict=True))
        over, inverse = _singles(1.0 / sd), self.inverse
        white = _singles(value) * over
        solved = inverse @ white
        square = 0.5 * (1.0 - OTHER_SIGMAS**-2) * np.einsum("dm,dm->m", white, solved)
        total = _exp(square + float(self.light.sum() - len(self.read) * np.log(OTHER_SIGMAS)))
        total *= self.shares["other"]
        for weight, item, moves in self.shown:
            by = [(k, (x[code] if x.ndim else x) * over[k]) for k, x in moves]
            along = sum(x * solved[k] for k, x in by)
            power = sum(x * sum(y * inverse[k, j] for j, y in by) for k, x in by)
            total += weight * _rough_ratio(item, along, power, readings)
        possible = sum(self.shares[f] for f in {"other", *(item.fault for _, item, _ in self.shown)})
        return np.asarray(np.log(total / np.float32(possible)))


@cache
def _rounded(cant_share: float) -> list[Signature]:
    """Signatures at each of `STILLS` with each of `SAGS`."""
    at = np.zeros((len(STILLS) * len(SAGS), len(JUDGED)))
    at[:, TRACKING], at[:, SAG] = np.repeat(STILLS, len(SAGS)), np.tile(SAGS, len(STILLS))
    return signatures(at, cant_share)


def _singles(values: Floats) -> Singles:
    """Each column's figures together in memory, in seven digits."""
    return values.T.astype(np.float32, order="C")


def _exp(logs: Singles) -> Singles:
    """Finite in seven digits."""
    return np.asarray(np.exp(np.minimum(logs, np.float32(80.0))))


def _rough_ratio(item: Signature, along: Singles, power: Singles, readings: Mapping[int, Singles]) -> Singles:
    """The ratio whose logarithm `_ratio` gives."""
    if item.undo is not None:
        c = readings[item.undo]
        return _exp(-c * (along + 0.5 * c * power)) * (np.abs(c) >= LEAST_SIGN.get(item.undo, 0.0) - WRITTEN)
    size, total = np.abs(along) if item.both else along, np.zeros_like(along)
    for mu, tau in item.bumps:
        s = 1.0 / (1.0 + power * tau**2)
        part = _exp(((0.5 * tau**2 * size + mu) * size - 0.5 * mu**2 * power) * s) * np.sqrt(s)
        total += part * (0.5 + 0.5 * np.exp(size * s * (-2.0 * mu))) if item.both else part
    return np.asarray(total / len(item.bumps))


def _ratio(item: Signature, along: Floats, power: Floats, readings: Floats) -> Floats:
    if item.undo is not None:
        c = readings[..., item.undo]
        ratio = -c * along - 0.5 * c**2 * power
        least = LEAST_SIGN.get(item.undo)
        return ratio if least is None else np.where(np.abs(c) < least - WRITTEN, -np.inf, ratio)
    return log_bumps(along, power, item.bumps, both=item.both)


def log_bumps(along: Floats, power: Floats, bumps: Bumps, *, both: bool) -> Floats:
    """Log of the plain average over bumps, and over both senses of each if asked (see the module's text)."""
    size = np.abs(along) if both else along
    spread = [1.0 + power * tau**2 for _, tau in bumps]
    terms = [
        (size * (0.5 * tau**2 / s) + mu / s) * size - 0.5 * mu**2 * power / s
        for (mu, tau), s in zip(bumps, spread, strict=True)
    ]
    top = terms[0] if len(terms) == 1 else np.maximum.reduce(terms)
    total = np.zeros(np.shape(along))
    for (mu, _), s, term in zip(bumps, spread, terms, strict=True):
        part = np.exp(term - top) / np.sqrt(s)
        if both:
            part *= 1.0 + np.exp(size * (-2.0 * mu / s))
        total += part
    return np.asarray(np.log(total / (len(bumps) * (2.0 if both else 1.0))) + top)


def log_average(terms: Floats, weights: Floats) -> Floats:
    """Log of the weighted average of ratios given as logs (first axis); weights need not sum to 1."""
    top = np.maximum(terms.max(axis=0), -1e300)
    total = np.zeros(top.shape)
    for term, weight in zip(terms, weights / weights.sum(), strict=True):
        total += weight * np.exp(term - top)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(total) + top)
