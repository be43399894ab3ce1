"""Gross outliers and the fit: bars of this project's own design, measured on the whole chain.

In short form one link and a few worlds of each size; FLEET_LONG=1 takes every link and more worlds.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from worlds import LONG, house_of, ideal

from fleet.columns import COLUMNS
from fleet.house_model.chain import JUDGED
from fleet.house_model.house import CUT_SIGMAS, House
from fleet.house_model.loo_residuals import residuals

pytestmark = [pytest.mark.validity, pytest.mark.long]
WORLDS = {200: 12, 2000: 6} if LONG else {200: 8, 2000: 2}
MOVED = {
    "zenith": ("zenith_deg",),
    "balance": ("channel_balance_db",),
    "sag": ("sra_static_deg",),
    "built_in": ("sra_static_deg", "sra_dynamic_deg"),
    "tracking": ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"),
}
"""Readings that an outlier of a link moves, so that no other link is off."""


@pytest.mark.parametrize("link", MOVED if LONG else ["tracking"])
@pytest.mark.parametrize(
    ("n", "families", "bar"), [pytest.param(200, 12, 0.02, marks=pytest.mark.long), (2000, 24, 0.005)]
)
def test_gross_outliers_leave_the_fit_as_it_was(link: str, n: int, families: int, bar: float) -> None:
    """5 % of rows at 6 to 15 of their own sigmas: residual sd within 2 % (200 sheets) or 0.5 % (2000).

    Against the fit on the clean rows alone, mean over some worlds; rows beyond the cut hold at least 98 % of
    the outliers, and at least 97 % of them are outliers.
    """
    change, found, bad, cut = [], 0, 0, 0
    for seed in range(1, WORLDS[n] + 1):
        outcome = spoilt_fit(link, n, families, seed)
        change.append(outcome[0])
        found, bad, cut = found + outcome[1], bad + outcome[2], cut + outcome[3]
    assert abs(np.mean(change)) < bar, change
    assert found / bad >= 0.98
    assert found / cut >= 0.97


def spoilt_fit(link: str, n: int, families: int, seed: int) -> tuple[float, int, int, int]:
    """Change of the residual sd by outliers; outliers beyond the cut, outliers, and rows beyond the cut."""
    world = ideal(seed, n_families=families, fault_share=0.0, slip_share=0.0, repeat_share=0.0)
    sheets, _ = world.sheets(n)
    rng = np.random.default_rng(seed)
    hit = rng.random(n) < 0.05
    rest = house_of(sheets[~hit].reset_index(drop=True))
    before = residuals(rest, sheets)
    sd = residual_sd(rest, link, before.observed)
    shift = np.where(hit, rng.uniform(6.0, 15.0, n) * np.where(rng.random(n) < 0.5, -1.0, 1.0), 0.0)
    spoilt = sheets.copy()
    for name in MOVED[link]:
        low, high = COLUMNS[name].low, COLUMNS[name].high
        spoilt[name] = (spoilt[name] + shift * sd).clip(low, high)
    house = house_of(spoilt)
    after = residuals(house, spoilt)
    value = after.value[:, JUDGED.index(link)]
    read = ~np.isnan(value)
    beyond = read & (np.abs(value) > CUT_SIGMAS * residual_sd(house, link, after.observed))
    ratio = typical_sd(house, link, before.observed) / typical_sd(rest, link, before.observed)
    return ratio - 1.0, int((beyond & hit).sum()), int((read & hit).sum()), int(beyond.sum())


def typical_sd(house: House, link: str, observed: pd.DataFrame) -> float:
    """Root mean square of the sheets' residual sds."""
    return float(np.sqrt(np.mean(residual_sd(house, link, observed) ** 2)))


def residual_sd(house: House, link: str, observed: pd.DataFrame) -> np.ndarray:
    """Standard deviation of each sheet's residual about the fit, as it was weighted."""
    fit = house.links[link]
    s2 = house.scale_s2[observed["scale_class"].to_numpy(dtype=int)]
    total = fit.spread.total(s2, *(observed[f].to_numpy(dtype=object) for f in ("source", "family")))
    return np.asarray(np.sqrt(total * (fit.posterior.sigma**2).mean()))
