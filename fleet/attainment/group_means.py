"""What the house model expects of whole groups of units: the mean over each group's own make-up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from fleet.house_model.chain import FACTORS, LINK, PAIR, PAIRED, RAKE

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from fleet.house_model.house import House, LinkFit
    from fleet.statistics.gram import Floats


def group_means(
    house: House, link: str, seen: pd.DataFrame, codes: NDArray[np.intp], groups: int
) -> tuple[Floats, Floats]:
    """Mean and standard deviation of a link's expectation, averaged over each group's own make-up.

    Parameters
    ----------
    house
        The model.
    link
        Name of the link.
    seen
        Observations of the units (`fleet.house_model.chain.responses`).
    codes
        Group number of each unit.
    groups
        How many groups.

    Returns
    -------
    mean, sd
        Shape (groups,); NaN where the model can't say.
    """
    if link not in house.links:
        return np.full(groups, np.nan), np.full(groups, np.nan)
    fit = house.links[link]
    average, unseen = group_design(fit, seen, codes, groups)
    mean, sd = expected_of(fit, average, unseen)
    return mean + fit.link.centre, sd


def group_design(
    fit: LinkFit, seen: pd.DataFrame, codes: NDArray[np.intp], groups: int
) -> tuple[Floats, Floats]:
    """Mean design row of each group, and its mean weight on levels that the model has never seen.

    Returns
    -------
    average, unseen
        Shapes (groups, coefficients) and (groups, terms); NaN for a group without a usable unit.
    """
    design = fit.gram.design
    covariates = {"1": np.ones(len(seen))}
    covariates |= {c: seen[c].to_numpy(dtype=float) for c in fit.link.columns}
    usable = np.all([np.isfinite(v) for v in covariates.values()], axis=0)
    count = np.bincount(codes[usable], minlength=groups).astype(float)
    levels = {f: seen[f].to_numpy(dtype=object) for f in FACTORS}
    found = design.columns_of(levels, len(seen))
    average = np.zeros((groups, design.q + len(design.fixed)))
    unseen = np.zeros((groups, len(design.terms)))
    for t, (term, where) in enumerate(zip(design.terms, found, strict=True)):
        weight = covariates[term.covariate]
        told = usable & (where >= 0)
        np.add.at(average, (codes[told], where[told]), weight[told])
        new = usable & (where < 0)
        unseen[:, t] = np.bincount(codes[new], weight[new], minlength=groups)
    for j, name in enumerate(design.fixed):
        average[:, design.q + j] = np.bincount(codes[usable], covariates[name][usable], minlength=groups)
    share = np.where(count > 0, count, np.nan)[:, None]
    return average / share, unseen / share


def expected_of(fit: LinkFit, average: Floats, unseen: Floats) -> tuple[Floats, Floats]:
    """Mean and standard deviation of the expectation of mean design rows (or of differences between such)."""
    mean_c, cov = fit.coefficients
    blank = np.isnan(average).any(axis=1)
    rows, new = np.nan_to_num(average), np.nan_to_num(unseen)
    means = mean_c @ rows.T
    variance = np.einsum("gi,rij,gj->rg", rows, cov, rows)
    variance += fit.posterior.sds**2 @ new.T**2
    mean = means.mean(axis=0)
    sd = np.sqrt(variance.mean(axis=0) + means.var(axis=0))
    return np.where(blank, np.nan, mean), np.where(blank, np.nan, sd)


def independent_links(
    house: House, links: tuple[tuple[str, float], ...]
) -> tuple[list[tuple[str, float]], float]:
    """Links whose variances add up, and the constant that belongs to them.

    Where tracking and built-in angle are both asked for alike, the rake stands in, which learns from sheets
    without a tracking angle too; in models that don't have its link, the two combinations, which
    the model fits as deviations from the two angles' centres.
    """
    weights = dict(links)
    if RAKE in house.links and weights.get(PAIRED[0]) == weights.get(PAIRED[1]) is not None:
        weight = weights.pop(PAIRED[0])
        del weights[PAIRED[1]]
        return [(RAKE, weight), *weights.items()], 0.0
    if not all(name in weights for name in PAIRED) or not all(name in house.links for name in PAIR):
        return list(links), 0.0
    wanted = np.array([weights.pop(name) for name in PAIRED])
    turned = np.linalg.solve(house.turn.T, wanted)
    centre = float(sum(w * LINK[name].centre for w, name in zip(wanted, PAIRED, strict=True)))
    return [*zip(PAIR, turned.tolist(), strict=True), *weights.items()], centre
