"""The engine on the data sets by which mixed-model programs are known.

Sources, by mark:
[T]  lme4, tests/testthat/test-lmer.R at commit 32b5bfdc (Dyestuff at the optimum and at fixed theta).
[L]  lme4, tests/lmer-1.R (Dyestuff2's intercept and its error, sleepstudy's slopes).
[M]  MixedModels.jl, test/pls.jl at commit 2228a9a1 (maximum likelihood: criterion, theta, sds) and its
     printed documentation (Penicillin by REML).
[R]  lme4 1.1-31 driven to its own optimum (bobyqa, rhoend 1e-10), run for this test.
[A]  derived: in a balanced one-way layout REML is the analysis of variance.
"""

import numpy as np
import pandas as pd
import pytest
from mixed_model_data import DYESTUFF, DYESTUFF2, cake, one_way, pastes, penicillin, sleep

from fleet.statistics.gram import Gram, Term
from fleet.statistics.reml import LOG_2PI, RemlFit, criterion, fit_frame, fit_reml, gram_of_frame
from fleet.statistics.solves import solve

BATCH = [Term(("batch",))]
SLOPE = Term(("subject",), "days")


def fit(name: str) -> RemlFit:
    """One of the data sets, fitted."""
    frame, random, fixed = CASES[name]
    return fit_frame(frame(), "y", random=random, fixed=fixed)


CASES = {
    "dyestuff": (lambda: one_way(DYESTUFF), BATCH, ()),
    "dyestuff2": (lambda: one_way(DYESTUFF2), BATCH, ()),
    "penicillin": (penicillin, [Term(("plate",)), Term(("sample",))], ()),
    "pastes": (pastes, [Term(("batch",)), Term(("batch", "cask"))], ()),
    "cake": (cake, [Term(("replicate",)), Term(("replicate", "recipe"))], ("temperature",)),
    "sleep": (sleep, [Term(("subject",))], ("days",)),
    "sleep with slopes": (sleep, [Term(("subject",)), SLOPE], ("days",)),
}

# name: REML criterion, sds of the terms and sigma, fixed coefficients, their standard errors [R]
TIGHT = {
    "dyestuff": (319.654276842257, [42.00059463, 49.51010009], [1527.5], [19.38341194]),
    "dyestuff2": (161.828277812288, [0.0, 3.715684274], [5.6656], [0.6783880312]),
    "penicillin": (
        330.860588991086,
        [0.8467043030, 1.9315583316, 0.5499231426],
        [22.9722222222],
        [0.80857336],
    ),
    "pastes": (246.990745853486, [1.2873651889, 2.9040775784, 0.8234075446], [60.0533333333], [0.6768701]),
    "cake": (
        1662.3669362613,
        [6.166318079, 1.989323211, 4.550540364],
        [0.515873015864, 0.158031746032],
        [3.6356001536, 0.01621577425],
    ),
    "sleep": (
        1786.46508539492,
        [37.12382713, 30.99123387],
        [251.4051048485, 10.4672859596],
        [9.7467163439, 0.8042214282],
    ),
    "sleep with slopes": (
        1743.66929358131,
        [25.051329643, 5.988171825, 25.565285152],
        [251.4051048485, 10.4672859596],
        [6.885381508, 1.559565996],
    ),
}


@pytest.mark.parametrize("name", TIGHT)
def test_reml_equals_a_tightly_converged_lme4(name: str) -> None:
    """Criterion to 12 digits and never above lme4's, sds to 6, coefficients to 9, their errors to 6 [R]."""
    reml, sds, fixed, errors = TIGHT[name]
    got = fit(name)
    assert got.criterion == pytest.approx(reml, rel=1e-12)
    assert got.criterion <= reml + 1e-9
    assert [*got.sds, got.sigma] == pytest.approx(sds, rel=1e-6, abs=0.0)
    assert got.fixed == pytest.approx(fixed, rel=1e-9)
    assert got.fixed_se == pytest.approx(errors, rel=1e-6)


def test_dyestuff_as_published() -> None:
    """Criterion, theta, variances and intercept of lme4's own test [T], inside the tolerances given there."""
    got = fit("dyestuff")
    assert got.criterion == pytest.approx(319.654276842342, abs=1e-6)
    assert got.sds[0] / got.sigma == pytest.approx(0.84832031, abs=6e-6)
    assert got.sds[0] ** 2 == pytest.approx(1764.0375195, rel=1e-5)
    assert got.sigma == pytest.approx(49.5101272946856, rel=1e-6)
    assert got.fixed[0] == pytest.approx(1527.5)
    assert got.fixed_se[0] ** 2 == pytest.approx(375.714676744, rel=1e-5)


def test_dyestuff_criterion_at_given_theta() -> None:
    """The criterion itself, away from the optimum: theta 1 and theta 0 [T]."""
    gram, _ = gram_of_frame(one_way(DYESTUFF), "y", random=BATCH)
    assert criterion(gram, np.array([1.0])) == pytest.approx(319.792389042002, abs=1e-10)
    assert criterion(gram, np.array([0.0])) == pytest.approx(326.023232155879, abs=1e-10)


def test_dyestuff_is_the_analysis_of_variance() -> None:
    """Batch variance (11271.5 - 2451.25) / 5, residual 2451.25, to ten digits [A]."""
    got = fit("dyestuff")
    assert got.sds[0] ** 2 == pytest.approx((11271.5 - 2451.25) / 5.0, rel=1e-10)
    assert got.sigma**2 == pytest.approx(2451.25, rel=1e-10)


def test_dyestuff_conditional_modes() -> None:
    """The six batches' conditional modes as lme4 prints them."""
    printed = [-17.6068514, 0.3912634, 28.5622255, -23.0845384, 56.7331877, -44.9952868]
    effects = fit("dyestuff").effects(0)
    assert list(effects.index) == list("ABCDEF")
    assert effects.to_numpy() == pytest.approx(printed, rel=1e-6)


def test_dyestuff2_stands_on_the_boundary() -> None:
    """Variance exactly 0 [T], slope in theta² positive there, intercept and error as published [L]."""
    got = fit("dyestuff2")
    assert got.sds[0] == 0.0
    assert got.slope_at_zero[0] > 0.0
    assert got.fixed[0] == pytest.approx(5.6656, rel=1e-12)
    assert got.fixed_se[0] == pytest.approx(0.67838803150, rel=1e-9)
    assert (got.random == 0.0).all()


def test_slope_at_zero_is_the_derivative_in_theta_squared() -> None:
    """The slope given at the boundary equals a difference quotient of the criterion in theta²."""
    got = fit("dyestuff2")
    step = 1e-5
    rise = criterion(got.gram, np.array([np.sqrt(step)])) - criterion(got.gram, np.array([0.0]))
    assert got.slope_at_zero[0] == pytest.approx(rise / step, rel=2e-3)


def test_penicillin_as_printed() -> None:
    """Criterion and variances as printed by MixedModels.jl [M]; lme4's default stops early at `sample`."""
    got = fit("penicillin")
    assert got.criterion == pytest.approx(330.8605889912561, abs=1e-6)
    assert [*got.sds**2, got.sigma**2] == pytest.approx([0.716908, 3.730907, 0.302416], rel=5e-6)
    assert got.fixed_se[0] == pytest.approx(0.808572, abs=2e-6)


def test_sleepstudy_fixed_effects() -> None:
    """Intercept and slope of the balanced design, given to thirteen digits [L]."""
    for name in ("sleep", "sleep with slopes"):
        assert fit(name).fixed == pytest.approx([251.405104848485, 10.467285959595], rel=1e-12)


def ml_criterion(gram: Gram, theta: np.ndarray) -> float:
    """-2 × log-likelihood from the pieces of the restricted one: the fixed columns' part of |C| left out."""
    s = solve(gram, theta)
    log_det = s.log_det + float(np.linalg.slogdet(s.fixed_covariance)[1])
    return log_det + gram.n * (1.0 + LOG_2PI + float(np.log(s.r2 / gram.n)))


@pytest.mark.parametrize(
    ("name", "theta", "published"),
    [
        ("dyestuff", [0.7525806540], 327.32705988112673),
        ("dyestuff", [0.713], 327.34216280954615),
        ("dyestuff2", [0.0], 162.87303665382575),
        ("penicillin", [1.5375939046, 3.2197921931], 332.1883486700085),
        ("pastes", [1.3299137410, 3.5269029348], 247.9944658624955),
        (
            "sleep with slopes",
            [24.1712699576 / 25.5561383675, 5.7993991996 / 25.5561383675],
            1752.003255140962,
        ),
    ],
)
def test_likelihood_at_published_theta(name: str, theta: list[float], published: float) -> None:
    """The factorisation gives the published maximum likelihood at the published parameters [M]."""
    frame, random, fixed = CASES[name]
    gram, _ = gram_of_frame(frame(), "y", random=random, fixed=fixed)
    assert ml_criterion(gram, np.array(theta)) == pytest.approx(published, abs=1e-8)


def test_pastes_without_batches() -> None:
    """Dropping the batches raises the REML criterion to 247.6484017804 (derived by a dense optimiser)."""
    got = fit_frame(pastes(), "y", random=[Term(("batch", "cask"))])
    assert got.criterion == pytest.approx(247.6484017804, abs=1e-9)


@pytest.mark.parametrize("name", TIGHT)
def test_any_start_ends_at_the_same_optimum(name: str) -> None:
    """From far below, far above or from 0 the fit ends at the same criterion and the same sds."""
    frame, random, fixed = CASES[name]
    gram, _ = gram_of_frame(frame(), "y", random=random, fixed=fixed)
    fits = [fit_reml(gram, start=np.full(len(random), x)) for x in (0.0, 0.01, 1.0, 100.0)]
    assert [f.criterion for f in fits] == pytest.approx([fits[0].criterion] * 4, abs=1e-10)
    for other in fits[1:]:
        assert other.sds == pytest.approx(fits[0].sds, rel=1e-6, abs=1e-300)


def test_rows_may_come_in_any_order() -> None:
    """Shuffled rows give the same figures to thirteen digits (floats are summed in another order)."""
    frame = penicillin().sample(frac=1.0, random_state=3)
    random = [Term(("plate",)), Term(("sample",))]
    a, b = fit_frame(frame, "y", random=random), fit("penicillin")
    assert pd.Series([a.criterion, a.sigma]).to_list() == pytest.approx([b.criterion, b.sigma], rel=1e-13)
