"""Bayes by importance sampling: right density, right weights, a way out when they fail."""

import numpy as np
import pandas as pd
import pytest
from engine_cases import CROSSED, columns, fleet, restricted
from threadpoolctl import threadpool_limits

from fleet.statistics import bayes
from fleet.statistics.bayes import (
    SWEEPS,
    V_LIMIT,
    Posterior,
    _at_mode,
    _slice,
    _systematic,
    _Target,
    coefficient_posterior,
    fit_bayes,
    half_t_prior,
)
from fleet.statistics.gram import Cells, Term, build_gram
from fleet.statistics.reml import fit_reml, gram_of_frame, response_sd

PRIOR = half_t_prior(0.7)


def gram_of(n: int, seed: int, terms=CROSSED):
    return gram_of_frame(fleet(n, seed=seed), "y", random=terms, fixed=["warm"])[0]


def means(posterior: Posterior) -> np.ndarray:
    """Posterior means of all sds and sigma, from the weighted draws."""
    return np.append(posterior.mean(lambda sds, sigma: sds), posterior.mean(lambda sds, sigma: sigma))


def test_density_is_prior_times_restricted_likelihood() -> None:
    """Against the n by n likelihood: log density less the logarithm of a numeric Jacobian is a constant."""
    frame = fleet(60, seed=1)
    gram, _ = gram_of_frame(frame, "y", random=CROSSED, fixed=["warm"])
    z, x = columns(frame, gram.design, ["warm"])
    target = _Target(gram, PRIOR, None, 0.05)

    def natural(point: np.ndarray) -> np.ndarray:
        sigma = target.evaluate(point[None])[1]
        return np.append(target.theta(point) * sigma, sigma)

    differences = []
    for point in np.random.default_rng(1).normal([1.5, 1.2, 0.8, 0.0], 0.3, (5, 4)):
        jacobian = np.empty((4, 4))
        for i in range(4):
            h = np.zeros(4)
            h[i] = 1e-5
            jacobian[i] = (natural(point + h) - natural(point - h)) / 2e-5
        *sds, sigma = natural(point)
        likelihood = restricted(
            frame["y"].to_numpy(), z, x, np.square(sds)[gram.design.owner], sigma, np.ones(60)
        )
        floor = -0.5 * np.log1p((0.05 / sigma) ** 2)
        plain = -0.5 * likelihood + PRIOR(np.array(sds), sigma) + floor
        differences.append(target.value(point) - plain - np.log(abs(np.linalg.det(jacobian))))
    assert differences == pytest.approx([differences[0]] * 5, abs=1e-5)


@pytest.mark.parametrize("sigma", [None, 0.8])
def test_points_together_have_the_density_of_each_alone(sigma: float | None) -> None:
    """Forty points in stacks, two of them too far out to be looked at, one beyond what a double holds."""
    target = _Target(gram_of(80, 2), PRIOR, sigma, 0.05)
    points = np.random.default_rng(3).normal(1.0, 1.0, (40, target.dim))
    points[30:32, 0] = 2.0 * V_LIMIT, 1000.0
    together, _ = target.evaluate(points)
    alone = np.array([target.value(point) for point in points])
    assert np.flatnonzero(np.isneginf(together)).tolist() == [30, 31]
    np.testing.assert_allclose(together, alone, rtol=1e-10)


@pytest.mark.parametrize("sigma", [None, 0.8])
def test_gradient_of_the_density(sigma: float | None) -> None:
    """The gradient that finds the mode agrees with central differences, on both sides of 0."""
    target = _Target(gram_of(80, 2), PRIOR, sigma, 0.05)
    for point in np.random.default_rng(2).normal(0.0, 1.5, (6, target.dim)):
        gradient = target.negative(point)[1]
        for i in range(target.dim):
            h = np.zeros(target.dim)
            h[i] = 1e-5
            rise = (target.value(point - h) - target.value(point + h)) / 2e-5
            assert gradient[i] == pytest.approx(rise, rel=1e-5, abs=1e-4)


def test_proposal_density_integrates_to_one() -> None:
    """Split, folded t: its density over v ≥ 0 sums to 1, and its draws have the mean that it implies."""
    gram = gram_of(80, 3, terms=[Term(("source",))])
    target = _Target(gram, PRIOR, None, 0.05)
    proposal = _at_mode(target, fit_reml(gram))
    v, t = np.linspace(0.0, 25.0, 1501), np.linspace(-3.0, 3.0, 801)
    grid = np.stack(np.meshgrid(v, t, indexing="ij"), axis=-1).reshape(-1, 2)
    density = np.exp(proposal.log_density(grid)).reshape(1501, 801)
    density[0] *= 0.5
    cell = (v[1] - v[0]) * (t[1] - t[0])
    assert density.sum() * cell == pytest.approx(1.0, abs=2e-3)
    mean = float((density.sum(axis=1) * v).sum() * cell)
    assert proposal.draw(4096, 1)[:, 0].mean() == pytest.approx(mean, rel=5e-3)
    assert (proposal.draw(256, 1)[:, 0] >= 0.0).all()


def test_weights_are_close_to_equal_on_an_ordinary_fleet() -> None:
    """250 units, three crossed terms: more than half of 512 draws effective."""
    posterior = fit_bayes(gram_of(250, 4))
    assert posterior.method == "importance"
    assert posterior.ess > 256
    assert posterior.raw_weights.sum() == pytest.approx(1.0)
    assert posterior.sds.shape == (160, 3)
    assert posterior.sigma.shape == (160,)


@pytest.mark.parametrize(("n", "seed"), [(60, 5), pytest.param(250, 6, marks=pytest.mark.long)])
def test_slice_sampling_agrees(n: int, seed: int) -> None:
    """Importance and slice sampling reach one posterior: means within 4 Monte Carlo standard errors."""
    gram = gram_of(n, seed)
    target = _Target(gram, PRIOR, None, 0.05)
    weighted = fit_bayes(gram, prior=PRIOR, sigma_floor=0.05, draws=4096)
    chain = _slice(target, _at_mode(target, fit_reml(gram)).mode, seed, SWEEPS // 2 if n < 100 else SWEEPS)
    draws = np.column_stack([target.theta(chain.x) * chain.sigma[:, None], chain.sigma])
    error = draws.std(axis=0) * np.sqrt(1.0 / chain.ess + 1.0 / weighted.ess)
    assert chain.ess > 100.0
    assert (np.abs(draws.mean(axis=0) - means(weighted)) < 4.0 * error).all()


@pytest.mark.long
def test_a_poor_sample_grows_then_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A demand that more draws meet brings some more; one that none meets calls the slice sampler."""
    gram = gram_of(100, 7)
    plain = fit_bayes(gram, draws=512)
    monkeypatch.setattr(bayes, "ESS_LIMIT", 1.2 * plain.ess)
    grown = fit_bayes(gram, draws=512)
    assert grown.method == "importance"
    assert 512 < len(grown.raw_sigma) < 512 * bayes.ROUNDS
    monkeypatch.setattr(bayes, "ESS_LIMIT", 1e9)
    sliced = fit_bayes(gram, draws=512, sweeps=400)
    assert sliced.method == "slice"
    assert means(grown) == pytest.approx(means(plain), rel=0.05)
    spread = sliced.raw_sds.std(axis=0)
    assert (np.abs(means(sliced) - means(plain))[:3] < 6.0 * spread / np.sqrt(sliced.ess)).all()


@pytest.mark.parametrize("seed", [20, 77])
def test_a_density_in_several_places_is_sampled_in_all(seed: int) -> None:
    """Eight rows of four factors, any of which may explain nearly all: means and sds of a plain large sample.

    That is 2¹⁷ draws of the broad proposal alone (computed once; its own error is 0.01).
    """
    frame = pd.DataFrame(
        {
            "profile": list("aabbccdd"),
            "cantilever": list("wwxxyyzw"),
            "generator": list("ggghhhgh"),
            "source": list("pqpqrprq"),
            "y": [0.0, 0.3, 1.0, 0.7, -0.9, -0.6, 0.3, 0.5],
        }
    )
    gram, _ = gram_of_frame(frame, "y", random=[Term((f,)) for f in frame.columns[:4]])
    posterior = fit_bayes(gram, draws=512, seed=seed)
    assert posterior.method == "importance"
    w = posterior.raw_weights
    draws = np.column_stack([posterior.raw_sds, posterior.raw_sigma]) / response_sd(gram)
    mean = w @ draws
    assert mean == pytest.approx([0.700, 0.489, 0.462, 0.398, 0.383], abs=0.05)
    spread = np.sqrt(w @ (draws - mean) ** 2)
    assert spread == pytest.approx([0.403, 0.387, 0.388, 0.309, 0.307], abs=0.05)


def test_kept_draws_stand_for_the_weighted_ones() -> None:
    """Systematic resampling picks each draw within one of its weight's share."""
    weights = np.random.default_rng(8).dirichlet(np.ones(50) * 0.5)
    picked = np.bincount(_systematic(weights, 160), minlength=50)
    assert picked.sum() == 160
    assert (np.abs(picked - 160 * weights) < 1.0).all()
    posterior = fit_bayes(gram_of(250, 4))
    assert posterior.sigma.mean() == pytest.approx(means(posterior)[-1], rel=5e-3)


def test_coefficients_given_the_sds_are_exact() -> None:
    """Mean and covariance of all coefficients at one draw equal those of the n by n normal model."""
    frame = fleet(70, seed=9)
    gram, shifts = gram_of_frame(frame, "y", random=CROSSED, fixed=["warm"])
    z, x = columns(frame.assign(warm=frame["warm"] - shifts[1]), gram.design, ["warm"])
    sds, sigma = np.array([[0.9, 0.5, 0.3]]), np.array([0.8])
    mean, cov = coefficient_posterior(gram, sds, sigma)
    m = np.hstack([z, x])
    prior = np.append(1.0 / sds[0][gram.design.owner] ** 2, [0.0, 0.0])
    precision = m.T @ m / sigma[0] ** 2 + np.diag(prior)
    assert cov[0] == pytest.approx(np.linalg.inv(precision), rel=1e-8, abs=1e-11)
    y = frame["y"].to_numpy() - shifts[-1]
    assert mean[0] == pytest.approx(np.linalg.solve(precision, m.T @ y / sigma[0] ** 2), abs=1e-9)


def test_units_that_share_nothing_leave_a_proper_posterior() -> None:
    """Twenty units of twenty families: sigma isn't driven to 0, the total spread is that of the data."""
    rng = np.random.default_rng(10)
    frame = pd.DataFrame({"family": [f"f{i}" for i in range(20)], "y": rng.normal(size=20)})
    gram, _ = gram_of_frame(frame, "y", random=[Term(("family",))])
    posterior = fit_bayes(gram)
    assert posterior.method == "importance"
    w = posterior.raw_weights
    total = np.sqrt(w @ (posterior.raw_sds[:, 0] ** 2 + posterior.raw_sigma**2))
    assert total == pytest.approx(frame["y"].std(), rel=0.15)
    assert w @ (posterior.raw_sigma < 0.01 * frame["y"].std()) < 0.1
    assert w @ (posterior.raw_sigma > 0.5 * frame["y"].std()) > 0.3


@pytest.mark.parametrize("n", [2, 3, 5])
def test_a_handful_of_rows_is_enough_to_answer(n: int) -> None:
    """Two, three, five rows of a full model: finite, positive draws, and no failure."""
    frame = fleet(40, seed=11)[:n].assign(y=[20.0, 21.0, 19.5, 20.5, 22.0][:n])
    gram, _ = gram_of_frame(frame, "y", random=CROSSED)
    posterior = fit_bayes(gram)
    assert np.isfinite(posterior.sds).all()
    assert np.isfinite(posterior.sigma).all()
    assert (posterior.sigma > 0.0).all()


def test_known_sigma_is_not_sampled() -> None:
    """A given sigma stands in every draw; one held by the fit, because there is no residual, likewise."""
    posterior = fit_bayes(gram_of(80, 12), sigma=0.8)
    assert (posterior.raw_sigma == 0.8).all()
    frame = pd.DataFrame({"g": np.repeat(list("abcde"), 6), "y": np.repeat([3.0, 4.5, 2.0, 7.25, 5.0], 6)})
    gram, _ = gram_of_frame(frame, "y", random=[Term(("g",))])
    posterior = fit_bayes(gram)
    assert len(set(posterior.raw_sigma)) == 1
    assert 1.0 < means(posterior)[0] < 3.0


def test_a_term_without_data_keeps_its_prior() -> None:
    """A slope never seen: its sd's posterior is the half-t prior, quartile for quartile."""
    from scipy import stats

    frame = fleet(200, seed=13).assign(s=0.0)
    gram, _ = gram_of_frame(frame, "y", random=[Term(("profile",)), Term(("source",), "s")])
    posterior = fit_bayes(gram, prior=PRIOR, draws=4096)
    order = np.argsort(posterior.raw_sds[:, 1])
    sds = posterior.raw_sds[order, 1]
    got = np.interp([0.25, 0.5, 0.75], np.cumsum(posterior.raw_weights[order]), sds)
    assert got == pytest.approx(0.7 * stats.t.ppf([0.625, 0.75, 0.875], 4), rel=0.03)


def test_without_random_terms_sigma_alone_is_sampled() -> None:
    """Least squares by Bayes: sigma² has its scaled inverse chi-square posterior."""
    gram, _ = gram_of_frame(fleet(30, seed=14), "y", random=[], fixed=["warm"])
    posterior = fit_bayes(gram, sigma_floor=0.0, draws=2048)
    rss = 28.0 * fit_reml(gram).sigma ** 2
    got = posterior.mean(lambda sds, sigma: sigma**2)
    assert float(got) == pytest.approx(rss / 26.0, rel=5e-3)


def test_nothing_to_sample_is_refused() -> None:
    """No random term and a known sigma: there is nothing to estimate."""
    gram, _ = gram_of_frame(fleet(30, seed=14), "y", random=[])
    with pytest.raises(ValueError, match="something to estimate"):
        fit_bayes(gram, sigma=1.0)


def test_the_same_rows_in_any_order_on_any_threads_give_the_same_numbers() -> None:
    """Readings in whole thousandths: sums are exact, so shuffled rows and more threads change no bit."""
    frame = fleet(150, seed=15)
    frame["y"] = np.floor((frame["y"] - 20.0) * 1000.0 + 0.5)

    def fitted(rows: pd.DataFrame, threads: int) -> Posterior:
        cells, _ = Cells.from_frame(rows, "y", factors=["profile", "source"], unshifted=["y"])
        with threadpool_limits(threads):
            return fit_bayes(build_gram(cells, CROSSED))

    first = fitted(frame, 1)
    for other in (fitted(frame.sample(frac=1.0, random_state=1), 1), fitted(frame, 2)):
        assert (other.sds == first.sds).all()
        assert (other.sigma == first.sigma).all()
        assert (other.raw_weights == first.raw_weights).all()
        assert other.ess == first.ess


def test_the_default_prior_follows_the_responses_units() -> None:
    """Degrees or millidegrees: the posterior is the same but for the unit."""
    frame = fleet(120, seed=16)
    fits = []
    for unit in (1.0, 1000.0):
        gram, _ = gram_of_frame(frame.assign(y=frame["y"] * unit), "y", random=CROSSED)
        fits.append(means(fit_bayes(gram)) / unit)
        assert response_sd(gram) == pytest.approx(unit * frame["y"].std(ddof=0), rel=1e-12)
    assert fits[1] == pytest.approx(fits[0], rel=1e-4)


def test_coefficients_beside_a_term_of_many_levels_are_the_dense_ones() -> None:
    """Eighty levels are eliminated first; mean and covariance are those of the whole matrix inverted."""
    rng = np.random.default_rng(12)
    frame = pd.DataFrame(
        {"g": rng.permutation(np.repeat(np.arange(80), 3)).astype(str), "h": list("abc") * 80}
    )
    frame["y"] = rng.normal(size=240)
    cells = Cells.from_frame(frame, "y", factors=["g", "h"], unshifted=["y"])[0]
    gram = build_gram(cells, [Term(("g",)), Term(("h",))])
    assert len(gram.parts.own) == 80
    sds, sigma = np.array([[0.7, 1.2], [2.0, 0.3]]), np.array([0.9, 1.4])
    mean, cov = coefficient_posterior(gram, sds, sigma)
    for draw in range(2):
        precision = gram.a / sigma[draw] ** 2
        precision[range(83), range(83)] += sds[draw, gram.design.owner] ** -2.0
        dense = np.linalg.inv(precision)
        assert cov[draw] == pytest.approx(dense, abs=1e-9)
        assert mean[draw] == pytest.approx(dense @ gram.b / sigma[draw] ** 2, abs=1e-9)
