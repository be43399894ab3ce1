"""Families' spreads learnt from all links together."""

from __future__ import annotations

import numpy as np
import pytest

from fleet.estimation.family_spread import INDEPENDENT, lean_on, share_families
from fleet.house_model.variance_function import VarianceFunction

FAMILIES = [f"F{i:02d}" for i in range(40)]
SAMPLING = 0.3


def told(
    true: dict[str, np.ndarray], *, variance: float = SAMPLING, seed: int = 1
) -> dict[str, VarianceFunction]:
    """Spreads whose families' own rows tell their true log factors with sampling errors."""
    rng = np.random.default_rng(seed)
    out = {}
    for name, log_h in true.items():
        y = log_h + np.sqrt(variance) * rng.standard_normal(len(log_h))
        rows = {f: (float(a), variance) for f, a in zip(FAMILIES, y, strict=True)}
        out[name] = VarianceFunction(0.0, 1.0, 0.0, {}, 0.0, {}, 0.0, rows)
    return out


def factors(spread: VarianceFunction) -> np.ndarray:
    """Mean log factors in the order of `FAMILIES`."""
    return np.array([spread.families[f][0] for f in FAMILIES])


def error(spreads: dict[str, VarianceFunction], true: dict[str, np.ndarray]) -> float:
    """Root mean square error of the log factors over all links."""
    return float(np.sqrt(np.mean([(factors(s) - true[n]) ** 2 for n, s in spreads.items()])))


def test_a_family_that_is_loose_everywhere_is_known_from_all_links() -> None:
    """One factor in all links: far nearer to the truth than a link alone can be, and surer."""
    log_h = 0.8 * np.random.default_rng(3).standard_normal(len(FAMILIES))
    true = dict.fromkeys(INDEPENDENT, log_h)
    found = share_families(told(true))
    alone = np.sqrt(1.0 / (1.0 / SAMPLING + 1.0 / 0.64))
    assert error(found, true) < 0.6 * alone
    sds = [sd for s in found.values() for _, sd in s.families.values()]
    assert np.mean(sds) == pytest.approx(error(found, true), rel=0.3)


def test_links_that_have_nothing_in_common_do_not_mislead_each_other() -> None:
    """Factors drawn link by link: errors as of each link shrunk by itself, within a tenth."""
    rng = np.random.default_rng(4)
    true = {n: 0.8 * rng.standard_normal(len(FAMILIES)) for n in INDEPENDENT}
    alone = np.sqrt(1.0 / (1.0 / SAMPLING + 1.0 / 0.64))
    assert error(share_families(told(true)), true) < 1.1 * alone


def test_equal_families_stay_equal() -> None:
    """No family differs: hardly a factor left of sampling errors of 0.55, and the sd between says so."""
    true = dict.fromkeys(INDEPENDENT, np.zeros(len(FAMILIES)))
    found = share_families(told(true))
    assert error(found, true) < 0.12
    assert max(s.between_families for s in found.values()) < 0.2


def test_a_spread_made_of_two_angles_leans_on_the_other_links_alone() -> None:
    """The pair's combinations hear of a family by the links that share no reading with them."""
    log_h = 0.8 * np.random.default_rng(5).standard_normal(len(FAMILIES))
    spreads = told(dict.fromkeys(INDEPENDENT, log_h))
    own = told({"pair_1": np.zeros(len(FAMILIES))}, variance=5e3)["pair_1"]
    leaning = lean_on(own, "pair_1", spreads)
    assert np.corrcoef(factors(leaning), log_h)[0, 1] > 0.9
    without = {n: s for n, s in spreads.items() if n in ("tracking", "built_in")}
    assert np.abs(factors(lean_on(own, "pair_1", without))).max() < 0.02


def test_a_fleet_of_one_family_or_none_is_left_as_it_is() -> None:
    """There is nothing to learn from one family."""
    plain = {"zenith": VarianceFunction(0.0, 1.0, 0.0, {}, 0.0)}
    assert share_families(plain) == plain
