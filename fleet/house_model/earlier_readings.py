"""What is told of the unit itself: draws of its angles, given readings of it, whoever took them.

Draws of a normal vector are turned into draws of it given noisy linear readings, one after the other, by
adding gain × (reading − what the draw would have read), noise drawn along (Matheron's rule; Journel &
Huijbregts 1978, Mining Geostatistics, conditional simulation).  Which family, which parameters and which
fault a draw stands for are weighted by how well they foretold the readings, and drawn again by those weights.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from fleet.columns import READ_BY, READERS
from fleet.house_model.chain import SPHERICAL
from fleet.policy.policy import Policy
from fleet.rows import Columns, Floats, Ints, height, numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOADS: Final = {
    "sra_static_deg": ((1.0, 1.0), 0.0),
    "sra_dynamic_deg": ((1.0, 1.0), 1.0),
    "vta_dynamic_deg": ((1.0, 0.0), 1.0),
}
"""Weights of (tracking, built-in) in each reading, and how much of the sag is taken off."""
RAKES: Final = ("sra_static_deg", "sra_dynamic_deg")
BENCH: Final = READERS[0]
READ_NOW: Final = ("photo", "eye")
"""The owner reads the unit as it is; a bench or a maker read it some use ago."""
NO_RAKE: Final = -50.0
"""Log weight of a spherical stylus where a rake was read: it has none."""


@dataclass(frozen=True)
class Earlier:
    """Readings of m units, in the order of `LOADS`, NaN where there is none.

    Attributes
    ----------
    values : (3, m) readings [degrees]
    noise : (3, m) standard deviation of each [degrees]
    used_since : (3, m) 1 where the unit was used since then, 0 where it was read as it is now
    """

    values: Floats
    noise: Floats
    used_since: Floats

    @property
    def told(self) -> Ints:
        """Indices of the enquiries with a reading."""
        return np.flatnonzero(~np.isnan(self.values).all(axis=0))

    def of(self, units: Ints) -> Earlier:
        """The readings of some of the units."""
        return Earlier(self.values[:, units], self.noise[:, units], self.used_since[:, units])


def told_readings(
    enquiries: Columns, noise: Mapping[str, float], policies: Sequence[Policy] | None = None
) -> Earlier:
    """Readings that enquiries tell, each as noisy as whoever took it.

    Parameters
    ----------
    enquiries : m rows, the enquiry columns; whoever isn't named is a bench
    noise : standard deviation of a bench's reading, per reading [degrees]
    policies : one an enquiry, for the noise of the other readers; the default policy if None
    """
    m = height(enquiries)
    chosen = [Policy()] * m if policies is None else policies
    values = np.stack([numbers(enquiries, name) for name in LOADS])
    sd, since = np.empty(values.shape), np.ones(values.shape)
    for k, name in enumerate(LOADS):
        readers = [BENCH] * m
        if READ_BY[name] in enquiries:
            readers = [r if isinstance(r, str) and r else BENCH for r in enquiries[READ_BY[name]]]
        own = [p.told_sd_deg(name, r) for p, r in zip(chosen, readers, strict=True)]
        sd[k] = [noise[name] if s is None else s for s in own]
        since[k] = np.where(np.isin(readers, READ_NOW), 0.0, 1.0)
    return Earlier(values, sd, since)


def condition_on_earlier(
    angles: Floats,
    mean: Floats,
    cov: Floats,
    sag: Floats,
    visit: Earlier,
    noise: Floats,
    *,
    since: Floats | None = None,
    profile: NDArray[np.object_] | None = None,
) -> tuple[Floats, Ints]:
    """Draws of (tracking, built-in) given readings of the same units; those of the others as they are.

    Parameters
    ----------
    angles : (2, m, n) draws of tracking and built-in angle [degrees]
    mean : (2, m, n) their expectation, the draw's own fault included
    cov : (2, 2, m, n) their covariance
    sag : (m, n) sag between still and turning
    visit : readings of these m units
    noise : (3, n) standard normals, the readings' noise
    since : (2, m, n) what use since an earlier reading has added to the angles; nothing if None
    profile : (m, n) stylus profile that each draw stands for; one that has a rake if None

    Returns
    -------
    angles : (2, m, n) conditioned draws
    pick : (m, n) which draw each now stands for
    """
    told, out, mean = visit.told, angles.copy(), np.broadcast_to(mean, angles.shape)
    pick = np.tile(np.arange(angles.shape[2]), (angles.shape[1], 1))
    since = None if since is None else since[:, told]
    profile = None if profile is None else profile[told]
    moved, log_weight = _moved(
        angles[:, told], mean[:, told], cov[:, :, told], sag[told], visit.of(told), noise, since, profile
    )
    pick[told] = _drawn_again(log_weight)
    out[:, told] = np.take_along_axis(moved, pick[told][None], axis=2)
    return out, pick


def _moved(
    angles: Floats,
    mean: Floats,
    cov: Floats,
    sag: Floats,
    visit: Earlier,
    noise: Floats,
    since: Floats | None,
    profile: NDArray[np.object_] | None,
) -> tuple[Floats, Floats]:
    """Every draw moved by the readings, and the logarithm of how well it foretold them."""
    log_weight = np.zeros(sag.shape)
    for k, (name, (weights, sagging)) in enumerate(LOADS.items()):
        read = ~np.isnan(visit.values[k])[:, None] & np.ones(sag.shape, dtype=bool)
        if not read.any():
            continue
        if name in RAKES and profile is not None:
            none = profile == SPHERICAL
            log_weight += np.where(read & none, NO_RAKE, 0.0)
            read &= ~none
        load, sd = np.array(weights), visit.noise[k][:, None]
        value = np.nan_to_num(visit.values[k])[:, None] + sagging * sag
        if since is not None:
            value = value + visit.used_since[k][:, None] * (np.tensordot(load, since, axes=1))
        cross = np.tensordot(load, cov, axes=1)
        var = np.tensordot(load, cross, axes=1) + sd**2
        surprise = value - np.tensordot(load, mean, axes=1)
        gain = np.where(read, cross / var, 0.0)
        log_weight -= np.where(read, 0.5 * (surprise**2 / var + np.log(var)), 0.0)
        angles = angles + gain * (value - np.tensordot(load, angles, axes=1) - sd * noise[k])
        mean = mean + gain * surprise
        cov = cov - gain[:, None] * cross[None]
    return angles, log_weight


def _drawn_again(log_weight: Floats) -> Ints:
    """Which draw each place takes (m, n), by weights (m, n)."""
    n = log_weight.shape[1]
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    # Draws come in the rhythm of a Sobol set; even steps through them would keep time with it.
    order = np.random.default_rng(0).permutation(n)
    steps = np.cumsum(weight[:, order], axis=1)
    places = (np.arange(n) + 0.5) / n
    found = np.stack([np.searchsorted(s / s[-1], places) for s in steps])
    pick = np.empty(found.shape, dtype=np.int64)
    pick[:, order] = order[np.minimum(found, n - 1)]
    return pick
