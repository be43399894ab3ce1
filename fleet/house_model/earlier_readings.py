"""What an earlier visit read: draws of a unit's angles, given readings of the same unit.

Draws of a normal vector are turned into draws of it given noisy linear readings by adding gain × (reading −
what the draw would have read), noise drawn along (Matheron's rule; Journel & Huijbregts 1978, Mining
Geostatistics, conditional simulation).  Which family, which parameters and which fault a draw stands for are
weighted by how well they foretold the readings, and drawn again by those weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.statistics.gram import Floats, Ints

NOT_READ = 1e12


@dataclass(frozen=True)
class Earlier:
    """Earlier readings of m units, NaN where there is none, and their noise.

    Attributes
    ----------
    sra_static, vta_dynamic : (m,) readings [degrees]
    noise_static, noise_vta : standard deviation of one reading [degrees]
    """

    sra_static: Floats
    vta_dynamic: Floats
    noise_static: float
    noise_vta: float

    @property
    def told(self) -> Ints:
        """Indices of the enquiries with a reading."""
        return np.flatnonzero(~(np.isnan(self.sra_static) & np.isnan(self.vta_dynamic)))


def condition_on_earlier(
    angles: Floats, mean: Floats, cov: Floats, sag: Floats, visit: Earlier, noise: Floats
) -> tuple[Floats, Ints]:
    """Draws of (tracking, built-in) given an earlier visit's readings.

    Parameters
    ----------
    angles : (2, m, n) draws of tracking and built-in angle [degrees]
    mean : (2, m, n) their expectation, the draw's own fault included
    cov : (2, 2, m, n) their covariance
    sag : (m, n) sag between still and turning
    visit : readings of these m units
    noise : (2, n) standard normals, the readings' noise

    Returns
    -------
    angles : (2, m, n) conditioned draws
    pick : (m, n) which draw each now stands for
    """
    t, b = angles
    n = t.shape[1]
    var_static = np.where(np.isnan(visit.sra_static), NOT_READ, visit.noise_static**2)[:, None]
    var_vta = np.where(np.isnan(visit.vta_dynamic), NOT_READ, visit.noise_vta**2)[:, None]
    static, vta = np.nan_to_num(visit.sra_static)[:, None], np.nan_to_num(visit.vta_dynamic)[:, None]
    # Covariances of the two readings, static = t + b and turning = t - sag, and of the angles with them.
    s11 = cov[0, 0] + 2.0 * cov[0, 1] + cov[1, 1] + var_static
    s12 = cov[0, 0] + cov[0, 1]
    s22 = cov[0, 0] + var_vta
    det = s11 * s22 - s12**2
    c = [(cov[k, 0] + cov[k, 1], cov[k, 0]) for k in (0, 1)]
    gains = [((x * s22 - y * s12) / det, (y * s11 - x * s12) / det) for x, y in c]
    with_static, with_vta = var_static < NOT_READ, var_vta < NOT_READ
    e_static = static - (t + b) - visit.noise_static * noise[0]
    e_vta = vta - (t - sag) - visit.noise_vta * noise[1]
    e_static, e_vta = np.where(with_static, e_static, 0.0), np.where(with_vta, e_vta, 0.0)
    moved = np.stack([x + g[0] * e_static + g[1] * e_vta for x, g in zip((t, b), gains, strict=True)])
    m_static = np.where(with_static, static - mean.sum(axis=0), 0.0)
    m_vta = np.where(with_vta, vta - (mean[0] - sag), 0.0)
    fit = (m_static**2 * s22 - 2.0 * m_static * m_vta * s12 + m_vta**2 * s11) / det
    log_weight = -0.5 * (fit + np.log(det))
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    # Draws come in the rhythm of a Sobol set; even steps through them would keep time with it.
    order = np.random.default_rng(0).permutation(n)
    steps = np.cumsum(weight[:, order], axis=1)
    places = (np.arange(n) + 0.5) / n
    found = np.stack([np.searchsorted(s / s[-1], places) for s in steps])
    pick = np.empty(found.shape, dtype=np.int64)
    pick[:, order] = order[np.minimum(found, n - 1)]
    return np.take_along_axis(moved, pick[None], axis=2), pick
