"""What one link expects of rows of factor levels, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fleet.house_model.house import LinkFit
from fleet.rows import Columns, Floats, height


@dataclass(frozen=True)
class Predictor:
    """Closed-form predictive mean and variance of one link for rows of factor levels.

    The variance is that of the expectation: coefficients' uncertainty, and the between-level spread for
    levels never seen.
    """

    fit: LinkFit

    def mean_and_variance(self, rows: Columns, covariates: dict[str, Floats]) -> tuple[Floats, Floats]:
        """Per parameter draw and row: mean (r, m) and variance (r, m) of the expectation.

        Parameters
        ----------
        rows : columns `FACTORS`
        covariates : values (m,) per covariate; missing ones are 0
        """
        mean_c, cov = self.fit.coefficients
        sds = self.fit.posterior.sds
        design = self.fit.gram.design
        m = height(rows)
        found = design.columns_of(rows, m)
        zero = np.zeros(m)
        one = np.ones(m)
        values = [one if t.covariate == "1" else covariates.get(t.covariate, zero) for t in design.terms]
        index = [*found] + [np.full(m, design.q + j) for j in range(len(design.fixed))]
        values += [one if c == "1" else covariates.get(c, zero) for c in design.fixed]
        mean = np.full((len(mean_c), m), self.fit.link.centre)
        var = np.zeros((len(mean_c), m))
        seen = [np.where(i >= 0, v, 0.0) for i, v in zip(index, values, strict=True)]
        safe = [np.maximum(i, 0) for i in index]
        for a, (i, v) in enumerate(zip(safe, seen, strict=True)):
            mean += mean_c[:, i] * v
            var += cov[:, i, i] * v**2
            for j, w in zip(safe[a + 1 :], seen[a + 1 :], strict=True):
                var += 2.0 * cov[:, i, j] * (v * w)
        for t in range(len(design.terms)):
            unseen = np.where(index[t] < 0, values[t], 0.0)
            var += sds[:, t : t + 1] ** 2 * unseen**2
        return mean, np.maximum(var, 1e-12)
