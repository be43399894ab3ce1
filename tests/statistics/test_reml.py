"""REML from a Gram matrix: equal to the textbook's n by n algebra, steady at its edges."""

import numpy as np
import pandas as pd
import pytest
from engine_cases import CROSSED, columns, fleet, restricted

from fleet.errors import FleetError
from fleet.statistics import reml
from fleet.statistics.gram import Cells, Term, build_gram
from fleet.statistics.reml import (
    _Search,
    criterion,
    derivatives,
    fit_frame,
    fit_reml,
    gram_of_frame,
    response_sd,
)
from fleet.statistics.solves import criterion_parts, solve, theta_unit

SLOPE = Term(("source",), "s")
TERMS = [*CROSSED, SLOPE]


def weighted_gram(n: int = 80, seed: int = 11):
    frame = fleet(n, seed=seed)
    gram, shifts = gram_of_frame(frame, "y", random=TERMS, fixed=["s", "warm"], weights=frame["w"].to_numpy())
    return frame, gram, shifts


@pytest.mark.parametrize("seed", range(4))
def test_criterion_is_the_restricted_likelihood(seed: int) -> None:
    """Any theta, with weights, slopes and an interaction, sigma given: the n by n value to 1e-9."""
    frame, gram, _ = weighted_gram(seed=seed)
    z, x = columns(frame, gram.design, ["s", "warm"])
    theta = np.random.default_rng(seed).uniform(0.0, 2.0, 4)
    sigma = 0.7 + 0.1 * seed
    variances = (theta[gram.design.owner] * sigma) ** 2
    dense = restricted(frame["y"].to_numpy(), z, x, variances, sigma, frame["w"].to_numpy())
    assert criterion(gram, theta, sigma=sigma) == pytest.approx(dense, abs=1e-9)


def test_many_thetas_at_once_are_as_each_alone() -> None:
    """Fifty thetas in stacks, both parts to 1e-10; one that can't be factorised is inf, the others not."""
    _, gram, _ = weighted_gram()
    thetas = np.random.default_rng(5).uniform(0.0, 2.0, (50, 4))
    thetas[20] = 1e9
    with pytest.raises(np.linalg.LinAlgError):
        solve(gram, thetas[20])
    log_det, r2 = criterion_parts(gram, thetas)
    assert np.isposinf(log_det[20])
    for i in np.flatnonzero(np.arange(50) != 20):
        alone = solve(gram, thetas[i])
        assert (log_det[i], r2[i]) == pytest.approx((alone.log_det, alone.r2), rel=1e-10)


def test_eliminating_a_term_first_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same solution, criterion, covariance, slopes and curvature as with the whole matrix, to 1e-8."""
    _, whole, _ = weighted_gram(200)
    assert len(whole.parts.own) == 0
    theta = np.array([0.7, 0.0, 1.3, 0.4])
    monkeypatch.setattr("fleet.statistics.gram.MANY_LEVELS", 2)
    _, taken, _ = weighted_gram(200)
    assert len(taken.parts.own) == max(whole.design.sizes)
    for t in (theta, np.full(4, 1e-3), np.full(4, 5.0)):
        one, other = solve(whole, t), solve(taken, t)
        assert (other.log_det, other.r2) == pytest.approx((one.log_det, one.r2), rel=1e-10)
        np.testing.assert_allclose(other.coef, one.coef, atol=1e-9)
        np.testing.assert_allclose(other.fixed_covariance, one.fixed_covariance, atol=1e-9)
        np.testing.assert_allclose(other.slopes, one.slopes, rtol=1e-8, atol=1e-8)
        np.testing.assert_allclose(other.curvature, one.curvature, rtol=1e-7, atol=1e-6)
        parts = criterion_parts(taken, t[None])
        assert [float(x[0]) for x in parts] == pytest.approx([one.log_det, one.r2], rel=1e-10)
    a, b = fit_reml(whole), fit_reml(taken)
    assert b.criterion == pytest.approx(a.criterion, rel=1e-12)
    np.testing.assert_allclose(b.sds, a.sds, atol=1e-6)


def test_profiled_criterion_is_the_least_over_sigma() -> None:
    """Without sigma the criterion is that at the best sigma: no other is lower, the best one equal."""
    _, gram, _ = weighted_gram()
    theta = np.array([1.0, 0.5, 0.2, 0.1])
    profiled = criterion(gram, theta)
    grid = [criterion(gram, theta, sigma=s) for s in np.linspace(0.3, 2.0, 400)]
    assert min(grid) >= profiled - 1e-9
    assert min(grid) == pytest.approx(profiled, abs=1e-2)


@pytest.mark.parametrize("sigma", [None, 0.9])
def test_gradient_is_the_slope_of_the_criterion(sigma: float | None) -> None:
    """By theta², and the curvature the slope of the gradient, against central differences at random theta."""
    _, gram, _ = weighted_gram()
    for theta in np.random.default_rng(5).uniform(0.05, 3.0, (6, 4)):
        gradient, curvature = derivatives(solve(gram, theta), sigma)
        for i in range(4):
            step = np.zeros(4)
            step[i] = 1e-4 * theta[i] ** 2
            up, down = np.sqrt(theta**2 + step), np.sqrt(theta**2 - step)
            size = 2.0 * step[i]
            rise = (criterion(gram, up, sigma=sigma) - criterion(gram, down, sigma=sigma)) / size
            assert gradient[i] == pytest.approx(rise, rel=1e-5, abs=1e-5)
            turn = derivatives(solve(gram, up), sigma)[0] - derivatives(solve(gram, down), sigma)[0]
            np.testing.assert_allclose(curvature[i], turn / size, rtol=1e-5, atol=1e-5)


def test_zero_is_no_special_place_for_the_derivatives() -> None:
    """At theta 0 and next to it they are the same: nothing is divided by theta."""
    _, gram, _ = weighted_gram()
    there, near = (derivatives(solve(gram, np.array([0.8, x, 0.5, x])), None) for x in (0.0, 1e-7))
    np.testing.assert_allclose(near[0], there[0], rtol=1e-9)
    np.testing.assert_allclose(near[1], there[1], rtol=1e-9)


def test_coefficients_are_generalised_least_squares() -> None:
    """Fixed effects, their errors and the conditional modes equal the n by n formulas at the fitted sds."""
    frame = fleet(80, seed=12)
    w, y = frame["w"].to_numpy(), frame["y"].to_numpy()
    fit = fit_frame(frame, "y", random=TERMS, fixed=["s", "warm"], weights=w)
    z, x = columns(frame, fit.gram.design, ["s", "warm"])
    variances = fit.sds[fit.gram.design.owner] ** 2
    inverse = np.linalg.inv((z * variances) @ z.T + np.diag(fit.sigma**2 / w))
    covariance = np.linalg.inv(x.T @ inverse @ x)
    beta = covariance @ x.T @ inverse @ y
    assert fit.fixed == pytest.approx(beta, rel=1e-9)
    assert fit.fixed_se == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-9)
    modes = variances * (z.T @ inverse @ (y - x @ beta))
    assert fit.random == pytest.approx(modes, rel=1e-7, abs=1e-9)
    assert list(fit.effects(1).index) == ["s0", "s1", "s2"]
    assert fit.effects(3).to_numpy() == pytest.approx(modes[-3:], rel=1e-7, abs=1e-9)


def test_the_optimum_is_a_minimum() -> None:
    """No step of a hundredth, in any sd or sigma, lowers the restricted likelihood's criterion."""
    _, gram, _ = weighted_gram(n=300)
    fit = fit_reml(gram)
    theta = fit.sds / fit.sigma
    assert fit.criterion == pytest.approx(criterion(gram, theta), abs=1e-10)
    for i in range(4):
        for factor in (0.99, 1.01):
            moved = theta.copy()
            moved[i] *= factor
            assert criterion(gram, moved) >= fit.criterion
    assert criterion(gram, theta, sigma=fit.sigma * 1.01) > fit.criterion


def test_scaling_the_weights_scales_sigma_alone() -> None:
    """Four times the weights: sigma twice as large, every other figure and the criterion as before."""
    frame = fleet(90, seed=13)
    a, b = (fit_frame(frame, "y", random=CROSSED, weights=k * frame["w"].to_numpy()) for k in (1.0, 4.0))
    assert b.sigma == pytest.approx(2.0 * a.sigma, rel=1e-9)
    assert b.sds == pytest.approx(a.sds, rel=1e-7)
    assert b.criterion == pytest.approx(a.criterion, abs=1e-9)
    assert b.fixed_se == pytest.approx(a.fixed_se, rel=1e-7)


def test_a_row_may_stand_for_a_mean_of_several() -> None:
    """With sigma known, means of four readings at weight 4 give the sds and the mean of the readings."""
    frame = fleet(40, seed=14)
    rng = np.random.default_rng(1)
    noise = rng.normal(0.0, 1.0, (40, 4))
    single = frame.loc[frame.index.repeat(4)].assign(y=(frame["y"].to_numpy()[:, None] + noise).ravel())
    single["unit"] = [f"u{i}" for i in np.repeat(range(40), 4)]
    mean = single.groupby("unit", sort=False).agg({"y": "mean", "profile": "first"}).reset_index()
    terms = [Term(("profile",)), Term(("unit",))]
    a = fit_frame(single, "y", random=terms, sigma=1.0)
    b = fit_frame(mean, "y", random=terms, sigma=1.0, weights=np.full(40, 4.0))
    assert a.sds == pytest.approx(b.sds, rel=1e-6)
    assert a.fixed == pytest.approx(b.fixed, rel=1e-9)
    assert a.fixed_se == pytest.approx(b.fixed_se, rel=1e-6)


def test_zero_is_left_again_when_the_criterion_says_so() -> None:
    """Put at exactly 0, where the gradient vanishes, a term stays in a descent but not in the search."""
    gram, _ = gram_of_frame(fleet(200, seed=15), "y", random=CROSSED)
    best = fit_reml(gram)
    assert best.sds[0] > 0.0
    held, above = _Search(gram, None).descend(np.array([0.0, 1.0, 1.0]))
    assert held[0] == 0.0
    assert above > best.criterion + 1.0
    search = _Search(gram, None)
    assert search.at(np.zeros(3))[1] == pytest.approx(np.zeros(3), abs=1e-12)
    v = search.settle(np.full(3, 1e-3))
    assert search.at(v)[0] == pytest.approx(best.criterion, abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_no_other_place_is_lower(seed: int) -> None:
    """Thirty to 400 rows, four terms: none of 2000 thetas, zeros among them, has a lower criterion."""
    rng = np.random.default_rng(seed)
    n = int(30 * (400 / 30) ** (seed / 7))
    gram, _ = gram_of_frame(fleet(n, seed=40 + seed), "y", random=TERMS, fixed=["s", "warm"])
    fit = fit_reml(gram)
    v = rng.uniform(0.0, 6.0, (2000, 4)) * (rng.random((2000, 4)) < 0.7)
    log_det, r2 = criterion_parts(gram, theta_unit(gram) * np.sinh(v))
    dof = gram.n - gram.p
    others = log_det + dof * (1.0 + np.log(2.0 * np.pi * r2 / dof)) - gram.log_w
    assert others.min() > fit.criterion - 1e-9
    near = criterion_parts(gram, fit.sds / fit.sigma * np.exp(rng.normal(0.0, 0.02, (200, 4))))
    beside = near[0] + dof * (1.0 + np.log(2.0 * np.pi * near[1] / dof)) - gram.log_w
    assert beside.min() > fit.criterion - 1e-9
    assert fit.short_by < 1e-6


@pytest.mark.parametrize("seed", range(4))
def test_where_a_search_begins_is_all_the_same(seed: int) -> None:
    """From guesses of any size, some terms at 0, the criterion ends within 1e-8 of the cold one."""
    rng = np.random.default_rng(seed)
    frame = fleet(60 + 100 * seed, seed=60 + seed)
    gram, _ = gram_of_frame(frame, "y", random=TERMS, fixed=["s", "warm"])
    cold = fit_reml(gram)
    for _ in range(6):
        start = np.where(rng.random(4) < 0.4, 0.0, np.exp(rng.normal(0.0, 1.5, 4)))
        warm = fit_reml(gram, start=start)
        assert warm.criterion == pytest.approx(cold.criterion, abs=1e-8)
        np.testing.assert_allclose(warm.sds, cold.sds, atol=1e-4)


def test_a_search_that_is_cut_short_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """After a single step the last one was still worth more than it may be, and the fit tells how much."""
    gram, _ = gram_of_frame(fleet(200, seed=15), "y", random=CROSSED)
    monkeypatch.setattr(reml, "MOST_STEPS", 1)
    monkeypatch.setattr(reml, "TRIALS", 0)
    assert fit_reml(gram).short_by > reml.SHORT


def test_a_term_without_effect_ends_at_exactly_zero() -> None:
    """Levels dealt out at random often get sd 0, each time with a slope that says so, never a tiny number."""
    rng = np.random.default_rng(16)
    zeros = 0
    for _ in range(30):
        frame = pd.DataFrame({"g": rng.permutation(np.repeat(list("abcde"), 8)), "y": rng.normal(size=40)})
        fit = fit_frame(frame, "y", random=[Term(("g",))])
        if fit.sds[0] == 0.0:
            zeros += 1
            assert fit.slope_at_zero[0] >= 0.0
        else:
            assert fit.sds[0] > 1e-4
            assert fit.slope_at_zero[0] == 0.0
    assert 10 <= zeros <= 25


def test_without_random_terms_it_is_least_squares() -> None:
    """No random term: ordinary least squares, sigma with n - p."""
    frame = fleet(60, seed=17)
    fit = fit_frame(frame, "y", random=[], fixed=["s", "warm"])
    x = np.column_stack([np.ones(60), frame["s"], frame["warm"]])
    beta, rss, _, _ = np.linalg.lstsq(x, frame["y"].to_numpy(), rcond=None)
    assert fit.fixed == pytest.approx(beta, rel=1e-9)
    assert fit.sigma**2 == pytest.approx(float(rss[0]) / 57.0, rel=1e-9)
    assert fit.fixed_se**2 == pytest.approx(np.diag(np.linalg.inv(x.T @ x)) * fit.sigma**2, rel=1e-9)
    assert len(fit.sds) == 0


def test_known_sigma_is_kept() -> None:
    """A given residual sd is used as it is, and the spread between levels answers to it."""
    frame = fleet(100, seed=18)
    small, large = (fit_frame(frame, "y", random=[Term(("profile",))], sigma=s) for s in (0.5, 3.0))
    assert (small.sigma, large.sigma) == (0.5, 3.0)
    assert small.sigma_known
    assert small.sds[0] > large.sds[0]


def test_a_term_about_which_nothing_is_known_gets_sd_zero() -> None:
    """A slope whose covariate is 0 throughout carries no data: its sd is 0, the rest of the fit unmoved."""
    frame = fleet(60, seed=19).assign(s=0.0)
    with_slope = fit_frame(frame, "y", random=[Term(("profile",)), SLOPE])
    without = fit_frame(frame, "y", random=[Term(("profile",))])
    assert with_slope.sds[1] == 0.0
    assert with_slope.sds[0] == pytest.approx(without.sds[0], rel=1e-9)


def test_a_residual_that_is_not_there_is_held() -> None:
    """Every row equal to its level's mean: sd = sd of the level means, sigma next to nothing and said so."""
    means = np.array([3.0, 4.5, 2.0, 7.25, 5.0])
    frame = pd.DataFrame({"g": np.repeat(list("abcde"), 6), "y": np.repeat(means, 6)})
    fit = fit_frame(frame, "y", random=[Term(("g",))])
    assert fit.sigma_known
    assert fit.sigma < 1e-4
    assert fit.sds[0] == pytest.approx(means.std(ddof=1), rel=1e-3)
    assert fit.fixed[0] == pytest.approx(means.mean(), rel=1e-3)


def test_a_constant_response_has_no_spread() -> None:
    """All rows equal: all sds 0, the mean right, nothing raised."""
    frame = pd.DataFrame({"g": list("aabbcc"), "y": 4.0})
    fit = fit_frame(frame, "y", random=[Term(("g",))])
    assert fit.sds[0] == 0.0
    assert fit.fixed[0] == pytest.approx(4.0)
    assert 0.0 < fit.sigma < 1e-5


def test_response_sd_is_in_the_responses_units() -> None:
    """Weights of any size leave the response's sd as it is, with an intercept and without."""
    frame = fleet(50, seed=20)
    for k in (1.0, 25.0):
        gram, _ = gram_of_frame(frame, "y", random=CROSSED, weights=np.full(50, k))
        assert response_sd(gram) == pytest.approx(frame["y"].std(ddof=0), rel=1e-12)


@pytest.mark.parametrize(("y", "sd"), [(4000.0, 4e-3), (0.0, 1e-6 / np.sqrt(6.0))])
def test_a_response_that_never_differs_has_an_sd_above_nothing(y: float, sd: float) -> None:
    """A millionth of its size; where it is nothing everywhere, a millionth over the root of the rows."""
    frame = pd.DataFrame({"g": list("aabbcc"), "y": y})
    gram = build_gram(Cells.from_frame(frame, "y", factors=["g"], unshifted=["y"])[0], [Term(("g",))])
    assert response_sd(gram) == pytest.approx(sd)


def test_fixed_columns_that_say_the_same_are_refused() -> None:
    """A column that follows from the others has no slope of its own; the line names it."""
    frame = fleet(50, seed=21)
    frame["twice"] = 2.0 * frame["s"] + 1.0
    frame["nothing"] = 0.0
    for name in ("twice", "nothing"):
        with pytest.raises(FleetError, match=f"fixed column '{name}' says no more"):
            fit_frame(frame, "y", random=CROSSED, fixed=["s", name, "warm"])


def test_too_few_rows_are_refused() -> None:
    """As many fixed columns as rows leave nothing to learn a spread from."""
    frame = fleet(3, seed=22)
    with pytest.raises(FleetError, match="3 rows for 3 fixed columns"):
        fit_frame(frame, "y", random=[Term(("profile",))], fixed=["s", "warm"])
