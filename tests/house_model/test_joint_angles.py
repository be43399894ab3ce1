"""Tracking and built-in angle in one normal vector: the same as from written-out rows, solved densely."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from fleet.house_model.joint_angles import Alone, JointAngles, correlate_normals
from fleet.statistics.bayes import Posterior
from fleet.statistics.gram import Cells, Term, build_gram

FAMILIES, SOURCES = ("F1", "F2", "F3", "F4", "F5"), ("S1", "S2", "S3")
TERMS = (Term(("family",)), Term(("source",)), Term(("source",), "warm"))
FIXED = ("1", "warm")
TURN = np.array([[1.0, 1.0], [-0.3, -1.3]])
TOGETHER = (0.5, -0.4, 0.2)
SDS = np.array([[[0.8, 0.5, 0.2], [1.1, 0.3, 0.1]], [[0.6, 0.9, 0.3], [0.4, 0.7, 0.2]]])
SIGMA = np.array([[1.3, 0.9], [0.7, 1.2]])
"""By combination and draw."""


def rows(seed: int, each: int) -> pd.DataFrame:
    """Some rows of every family from every source."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(list(itertools.product(FAMILIES, SOURCES)) * each, columns=["family", "source"])
    return frame.assign(warm=rng.normal(size=len(frame)), y=rng.normal(size=len(frame)))


BOTH = (rows(1, 3), rows(2, 3))
LONE = ((np.array([1.0, 0.0]), rows(3, 1)), (np.array([1.0, 1.0]), rows(4, 2)))


def cells(frame: pd.DataFrame) -> Cells:
    """Sums of the rows as they stand."""
    names = ["warm", "y"]
    return Cells.from_frame(frame, "y", factors=["family", "source"], covariates=["warm"], unshifted=names)[0]


def joint(*, ties: tuple[float, ...] = TOGETHER) -> JointAngles:
    """Both combinations and two kinds of lone rows, at two draws of the spreads."""
    grams = [build_gram(cells(f), TERMS, FIXED) for f in BOTH]
    own = [
        Posterior(g, sds, sigma, 2.0, sds, sigma, np.full(2, 0.5), "importance")
        for g, sds, sigma in zip(grams, SDS, SIGMA, strict=True)
    ]
    alone = tuple(Alone(loading, cells(frame)) for loading, frame in LONE)
    return JointAngles((cells(BOTH[0]), cells(BOTH[1])), (own[0], own[1]), TURN, alone, ties)


def written_out(frame: pd.DataFrame) -> np.ndarray:
    """The rows of the model matrix, a column a family, a source, a source's slope, and the fixed ones."""
    family = (frame["family"].to_numpy()[:, None] == np.array(FAMILIES)).astype(float)
    source = (frame["source"].to_numpy()[:, None] == np.array(SOURCES)).astype(float)
    warm = frame["warm"].to_numpy()[:, None]
    return np.hstack([family, source, warm * source, np.ones_like(warm), warm])


def dense(draw: int) -> tuple[np.ndarray, np.ndarray]:
    """Mean and covariance of all coefficients: what each row tells and the levels' normal law, inverted."""
    told = [(np.eye(2)[i], f, SIGMA[i, draw] ** -2) for i, f in enumerate(BOTH)]
    told += [(np.linalg.solve(TURN.T, loading), f, 1.0) for loading, f in LONE]
    sizes = [len(FAMILIES), len(SOURCES), len(SOURCES)]
    k = sum(sizes) + len(FIXED)
    precision, b = np.zeros((2 * k, 2 * k)), np.zeros(2 * k)
    for load, frame, weight in told:
        x = np.kron(load, written_out(frame))
        precision += weight * x.T @ x
        b += weight * x.T @ frame["y"].to_numpy()
    for j, t in enumerate(np.repeat([0, 1, 2], sizes)):
        s1, s2 = SDS[:, draw, t]
        tie = TOGETHER[t] * s1 * s2
        precision[np.ix_([j, k + j], [j, k + j])] += np.linalg.inv(np.array([[s1**2, tie], [tie, s2**2]]))
    cov = np.linalg.inv(precision)
    return cov @ b, cov


def test_coefficients_are_those_of_the_written_out_rows() -> None:
    """Mean and covariance at each draw of the spreads, with both kinds of lone rows and levels tied."""
    mean, cov = joint().coefficients
    for draw in range(2):
        want, spread = dense(draw)
        assert mean[draw] == pytest.approx(want, abs=1e-9)
        assert cov[draw] == pytest.approx(spread, abs=1e-9)


def test_moments_are_those_of_the_rows_asked() -> None:
    """Expectation and covariance of new rows; a level never met adds what levels vary and covary by."""
    asked = pd.DataFrame(
        {"family": ["F2", "F5", "NEW"], "source": ["S1", "S3", "S2"], "warm": [0.4, -2.0, 1.5]}
    )
    levels = {f: asked[f].to_numpy(dtype=object) for f in ("family", "source")}
    mean, cov = joint().moments(levels, {"warm": asked["warm"].to_numpy()}, 3)
    x = written_out(asked)
    for draw in range(2):
        want, spread = dense(draw)
        for i, row in enumerate(x):
            one = np.kron(np.eye(2), row)
            expected = one @ spread @ one.T
            if asked["family"][i] == "NEW":
                s1, s2 = SDS[:, draw, 0]
                expected = expected + np.array([[s1**2, 0.5 * s1 * s2], [0.5 * s1 * s2, s2**2]])
            assert mean[:, draw, i] == pytest.approx(one @ want, abs=1e-9)
            assert cov[:, :, draw, i] == pytest.approx(expected, abs=1e-9)


def test_a_slope_never_met_adds_its_spread_times_the_covariate() -> None:
    """A source that is new has neither level nor slope: their variances, the slope's by the square."""
    asked = {"family": np.array(["F1", "F1"], dtype=object), "source": np.array(["NEW", "NEW"], dtype=object)}
    _, cov = joint().moments(asked, {"warm": np.array([0.0, 3.0])}, 2)
    x = written_out(pd.DataFrame({"family": ["F1"] * 2, "source": ["NEW"] * 2, "warm": [0.0, 3.0]}))
    for draw in range(2):
        spread = dense(draw)[1]
        for i, warm in enumerate((0.0, 3.0)):
            one = np.kron(np.eye(2), x[i])
            own = np.diag(SDS[:, draw, 1] ** 2 + warm**2 * SDS[:, draw, 2] ** 2)
            tie = TOGETHER[1] * SDS[:, draw, 1].prod() + warm**2 * TOGETHER[2] * SDS[:, draw, 2].prod()
            expected = one @ spread @ one.T + own + tie * np.array([[0.0, 1.0], [1.0, 0.0]])
            assert cov[:, :, draw, i] == pytest.approx(expected, abs=1e-9)


def test_the_centre_is_the_mean_of_the_draws() -> None:
    """Means, covariances by block, and covariances of levels, each averaged; slopes by draw."""
    found = joint()
    mean, blocks, between = found.centre
    whole = [np.mean([dense(d)[n] for d in range(2)], axis=0) for n in range(2)]
    assert mean.ravel() == pytest.approx(whole[0], abs=1e-9)
    assert np.block([[blocks[0, 0], blocks[0, 1]], [blocks[1, 0], blocks[1, 1]]]) == pytest.approx(
        whole[1], abs=1e-9
    )
    tied = np.array(TOGETHER) * (SDS[0] * SDS[1]).mean(axis=0)
    assert between[0, 1] == pytest.approx(tied)
    assert between[1, 0] == pytest.approx(tied)
    assert between[1, 1] == pytest.approx((SDS[1] ** 2).mean(axis=0))
    k = found.size
    assert found.slope("warm") == pytest.approx(found.coefficients[0][:, [k - 1, 2 * k - 1]].T)
    assert found.loading(np.array([1.0, 0.0])) @ TURN == pytest.approx([1.0, 0.0])


def test_normals_are_given_their_covariance() -> None:
    """Two standard normals come out with the covariance asked for, draw by draw."""
    z = np.random.default_rng(5).standard_normal((2, 50_000))
    cov = np.broadcast_to(np.array([[2.0, -0.9], [-0.9, 1.5]])[:, :, None, None], (2, 2, 1, 50_000))
    drawn = correlate_normals(cov, z[0], z[1])[:, 0]
    assert np.cov(drawn) == pytest.approx(cov[:, :, 0, 0], abs=0.03)
