"""How common faults are, from all sheets together."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from worlds import bench

from fleet.faults.likelihood_ratio import FaultPrior
from fleet.faults.prevalence import estimate_prevalence, mixture_shares
from fleet.faults.signatures import FAULTS
from fleet.faults.verdicts import load_prior


def mixed(n: int, shares: tuple[float, float, float], believed: np.ndarray, seed: int) -> np.ndarray:
    """Chances of three parts, normals at 0, 3 and −3, reckoned with believed shares."""
    rng = np.random.default_rng(seed)
    middle = np.array([0.0, 3.0, -3.0])
    x = rng.normal(middle[rng.choice(3, n, p=shares)])
    density = np.exp(-0.5 * (x[:, None] - middle) ** 2) * believed
    return density / density.sum(axis=1, keepdims=True)


def test_shares_of_a_mixture_are_found() -> None:
    """10 % and 3 % where 5 % and 5 % were believed: within three binomial standard errors."""
    believed = np.array([0.90, 0.05, 0.05])
    found = mixture_shares(mixed(20_000, (0.87, 0.10, 0.03), believed, 1), believed, 200.0)
    for share, truth in zip(found, (0.87, 0.10, 0.03), strict=True):
        assert share == pytest.approx(truth, abs=3.0 * 1.5 * np.sqrt(truth * (1 - truth) / 20_000) + 0.001)
    assert found.sum() == pytest.approx(1.0)


def test_few_units_stay_near_the_belief() -> None:
    """Five units against a belief worth two hundred move hardly anything; none moves nothing."""
    believed = np.array([0.90, 0.05, 0.05])
    few = mixture_shares(mixed(5, (0.0, 1.0, 0.0), believed, 2), believed, 200.0)
    assert 0.05 < few[1] < 0.05 + 5 / 205 + 1e-3
    assert mixture_shares(np.empty((0, 3)), believed, 200.0) == pytest.approx(believed)


def test_a_fixed_point_is_the_mean_of_its_chances() -> None:
    """Reckoned anew with the found shares, the mean of the chances and the belief gives them again."""
    believed = np.array([0.90, 0.05, 0.05])
    posterior = mixed(3000, (0.8, 0.15, 0.05), believed, 3)
    found = mixture_shares(posterior, believed, 200.0)
    again = posterior / believed * found
    again /= again.sum(axis=1, keepdims=True)
    assert (again.sum(axis=0) + 200.0 * believed) / 3200.0 == pytest.approx(found, abs=1e-5)


def test_never_more_than_half_are_faulty() -> None:
    """So that the file is one that --prior takes."""
    believed = np.array([0.90, 0.05, 0.05])
    found = mixture_shares(mixed(4000, (0.2, 0.5, 0.3), believed, 4), believed, 200.0)
    assert found[0] == pytest.approx(0.5)


def test_a_fleets_faults_are_counted_and_written(tmp_path: Path) -> None:
    """The bench's faulty share within the count's own doubt; the file read back is the same."""
    fleet = bench()
    found = estimate_prevalence(fleet.house, fleet.current)
    newest = fleet.current["newest"].to_numpy(dtype=bool)
    bad = (fleet.fault[newest] != "healthy").to_numpy()
    pull = 200.0 / (len(bad) + 200.0)
    expected = (1.0 - pull) * bad.mean() + pull * (1.0 - FaultPrior().healthy)
    assert 1.0 - found.prior.healthy == pytest.approx(expected, abs=2.0 * np.sqrt(0.06 * 0.94 / len(bad)))
    assert found.table["fault"].tolist() == list(FAULTS)
    found.write(tmp_path / "shares.toml")
    read = load_prior(tmp_path / "shares.toml")
    for fault in FAULTS:
        assert read.shares[fault] == pytest.approx(found.prior.shares[fault], abs=1e-5)
    assert found.sentence.startswith(f"Of {len(bad)} units about ")
