"""The engine beside two other programs, on published data and on a crossed fleet made up here.

statsmodels' MixedLM stops a little early on variances (the likelihood is flat), so it is held to 1e-3 of
a variance and 1e-5 of the criterion; lme4 is run with a tight optimiser and held to 1e-8 of the criterion
and five digits of each sd.  No peer may reach a lower criterion.
"""

import shutil
import subprocess
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from mixed_model_data import DYESTUFF, one_way, pastes, penicillin, sleep

from fleet.statistics.gram import Term
from fleet.statistics.reml import RemlFit, fit_frame

RSCRIPT = shutil.which("Rscript")


def crossed(n: int, seed: int) -> pd.DataFrame:
    """n units of 5 profiles, 4 cantilevers, 4 sources and 6 bodies, with two covariates."""
    rng = np.random.default_rng(seed)
    sizes = {"profile": 5, "cantilever": 4, "source": 4, "body": 6}
    sds = {"profile": 1.0, "cantilever": 0.7, "source": 0.5, "body": 0.4}
    frame = pd.DataFrame({name: rng.integers(0, k, n) for name, k in sizes.items()})
    y = 20.0 + 0.8 * rng.standard_normal(n)
    for name, k in sizes.items():
        y += (sds[name] * rng.standard_normal(k))[frame[name]]
    pair = frame["profile"] * 4 + frame["cantilever"]
    y += (0.3 * rng.standard_normal(20))[pair]
    frame["warm"], frame["aged"] = rng.normal(22.0, 2.0, n), rng.uniform(0.0, 1.0, n)
    frame["y"] = y + 0.1 * frame["warm"] - 0.4 * frame["aged"]
    for name in sizes:
        frame[name] = frame[name].map(lambda i: f"l{i}")
    return frame


TERMS = [*(Term((f,)) for f in ("profile", "cantilever", "source", "body")), Term(("profile", "cantilever"))]
FORMULA = "y ~ warm + aged + (1|profile) + (1|cantilever) + (1|source) + (1|body) + (1|profile:cantilever)"


def statsmodels_fit(frame: pd.DataFrame, fixed: str, groups: str | None, parts: dict[str, str]):
    """Criterion, variances by name, scale and coefficients of MixedLM; the better of two optimisers."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = frame.assign(everything=1)
        model = MixedLM.from_formula(
            f"y ~ {fixed}", data, groups=groups or "everything", vc_formula=parts, re_formula="0"
        )
        fits = [model.fit(reml=True, method=[m]) for m in ("lbfgs", "powell")]
    fit = max(fits, key=lambda f: f.llf)
    variances = dict(zip(model.exog_vc.names, fit.vcomp, strict=True))
    return -2.0 * fit.llf, variances, fit.scale, fit.fe_params.to_numpy()


@pytest.mark.parametrize(
    ("frame", "random", "fixed", "groups", "parts"),
    [
        (one_way(DYESTUFF), ["batch"], (), "batch", {"batch": "1"}),
        (pastes(), ["batch", "batch:cask"], (), "batch", {"batch": "1", "batch:cask": "0 + C(cask)"}),
        (penicillin(), ["plate", "sample"], (), None, {"plate": "0 + C(plate)", "sample": "0 + C(sample)"}),
        (sleep(), ["subject"], ("days",), "subject", {"subject": "1"}),
    ],
    ids=["dyestuff", "pastes", "penicillin", "sleep"],
)
def test_statsmodels_agrees(frame, random, fixed, groups, parts) -> None:
    """Criterion within 1e-5 and not below ours, variances within 1e-3, coefficients to 9 digits."""
    ours = fit_frame(frame, "y", random=[Term(tuple(r.split(":"))) for r in random], fixed=fixed)
    value, variances, scale, coefficients = statsmodels_fit(frame, "+".join(fixed) or "1", groups, parts)
    assert -1e-6 < value - ours.criterion < 1e-5
    assert [variances[r] for r in random] == pytest.approx(list(ours.sds**2), rel=1e-3)
    assert scale == pytest.approx(ours.sigma**2, rel=1e-3)
    assert coefficients == pytest.approx(ours.fixed, rel=1e-9)


SCRIPT = """
suppressMessages(library(lme4))
d <- read.csv("fleet.csv")
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5), calc.derivs = FALSE,
                     check.conv.singular = "ignore")
m <- lmer({formula}, d, control = tight)
v <- as.data.frame(VarCorr(m))
write.csv(data.frame(name = c("criterion", v$grp, paste("fixed", names(fixef(m)))),
                     value = sprintf("%.17g", c(REMLcrit(m), v$sdcor, fixef(m)))),
          "fit.csv", row.names = FALSE)
"""


def lme4_fit(frame: pd.DataFrame, formula: str, folder: Path) -> pd.Series:
    """Criterion, sds and coefficients of an lme4 fit, by name."""
    frame.to_csv(folder / "fleet.csv", index=False)
    (folder / "fit.R").write_text(SCRIPT.format(formula=formula), encoding="utf-8")
    done = subprocess.run([RSCRIPT, "fit.R"], cwd=folder, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("R is here, its package lme4 is not")
    assert done.returncode == 0, done.stderr
    return pd.read_csv(folder / "fit.csv").set_index("name")["value"]


@pytest.mark.skipif(RSCRIPT is None, reason="R is not installed: lme4 cannot be asked")
@pytest.mark.parametrize("n", [150, 1000])
def test_lme4_agrees_on_a_crossed_fleet(n: int, tmp_path: Path) -> None:
    """Five crossed terms and two covariates: criterion within 1e-8, sds to 5 digits, coefficients to 7."""
    frame = crossed(n, seed=n)
    ours: RemlFit = fit_frame(frame, "y", random=TERMS, fixed=["warm", "aged"])
    theirs = lme4_fit(frame, FORMULA, tmp_path)
    assert abs(theirs["criterion"] - ours.criterion) < 1e-8
    for term, sd in zip(TERMS, ours.sds, strict=True):
        assert sd == pytest.approx(theirs[term.name], rel=1e-5, abs=1e-4)
    assert ours.sigma == pytest.approx(theirs["Residual"], rel=1e-6)
    fixed = [theirs[f"fixed {name}"] for name in ("(Intercept)", "warm", "aged")]
    assert ours.fixed == pytest.approx(fixed, rel=1e-7)
