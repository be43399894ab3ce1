"""Tracking and built-in angle together, learnt from every pattern of readings.

A sheet that reads both tells of the two combinations of the angles one at a time.  A sheet that reads the
tracking angle alone, or a rake alone (tracking plus built-in angle), tells of one combination of the two: its
rows tie the coefficients of both together.  Given the spreads, which the links' own posteriors draw, the
coefficients are one normal vector, whose precision is the sum of what each kind of row tells.

References
----------
Searle, Casella & McCulloch 1992, Variance Components, ch. 7 and 9: mixed-model equations, best prediction.
The family's block of the equations is eliminated first (a Schur complement; derived here).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from fleet.statistics.gram import Cells, Design, Floats, Gram, Ints, add_anchors, build_gram
from fleet.statistics.solves import one_blas_thread

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from fleet.statistics.bayes import Posterior

OUTPUTS = 2
STACK_NUMBERS = 250_000
"""So many numbers of matrices are inverted at a time."""


@dataclass(frozen=True)
class Alone:
    """Sums of rows that read one combination of tracking and built-in angle and nothing else of the two.

    Attributes
    ----------
    loading : (2,) weights of (tracking, built-in) in what was read
    cells : sums per cell, weighted by the rows' whole variance; the response less that combination's centre
    """

    loading: Floats
    cells: Cells


@dataclass(frozen=True)
class JointAngles:
    """The coefficients of both combinations as one normal vector for each draw of the spreads.

    Attributes
    ----------
    cells : sums of the rows that read both, of each combination, weighted
    posteriors : of each combination by itself; their draws of the spreads are used
    turn : (2, 2) rows that turn (tracking, built-in) into the combinations
    alone : rows that read less
    together : (terms,) correlation of the two combinations' effects of one level, by term
    """

    cells: tuple[Cells, Cells]
    posteriors: tuple[Posterior, Posterior]
    turn: Floats
    alone: tuple[Alone, ...] = ()
    together: tuple[float, ...] = ()

    @property
    def _correlation(self) -> Floats:
        """(terms,) correlation between the two combinations' effects of one level."""
        return np.array(self.together) if self.together else np.zeros(len(self.design.terms))

    @cached_property
    def _grams(self) -> list[Gram]:
        """Gram matrices of both combinations and of each kind of lone row, all over the same columns."""
        every = [*self.cells, *(a.cells for a in self.alone)]
        among = np.any([c.counts > 0 for c in every], axis=0)
        own = self.posteriors[0].gram.design
        grams = [build_gram(c, own.terms, own.fixed, among=among) for c in every]
        anchors = [p.gram.anchors for p in self.posteriors]
        return [add_anchors(g, a) for g, a in zip(grams, anchors, strict=False)] + grams[OUTPUTS:]

    @property
    def design(self) -> Design:
        """The columns that each combination has: `size` of them, those of the second behind the first's."""
        return self._grams[0].design

    @property
    def size(self) -> int:
        """Coefficients of one combination."""
        return self.design.q + len(self.design.fixed)

    def loading(self, weights: Floats) -> Floats:
        """Weights of the combinations in ``weights`` times (tracking, built-in)."""
        return np.asarray(np.linalg.solve(self.turn.T, weights))

    @cached_property
    def coefficients(self) -> tuple[Floats, Floats]:
        """Per draw of the spreads: mean (r, 2·size) and covariance (r, 2·size, 2·size)."""
        k, q, n, order = self.size, self.design.q, *self._eliminated_first
        draws = min(len(p.sigma) for p in self.posteriors)
        weight = np.stack([p.sigma[:draws] ** -2 for p in self.posteriors] + [np.ones(draws)], axis=1)
        a, b = np.zeros((OUTPUTS + 1, OUTPUTS * k, OUTPUTS * k)), np.zeros((OUTPUTS + 1, OUTPUTS * k))
        loads = [*np.eye(OUTPUTS), *(self.loading(x.loading) for x in self.alone)]
        for i, (c, g) in enumerate(zip(loads, self._grams, strict=True)):
            a[min(i, OUTPUTS)] += np.kron(np.outer(c, c), g.a)
            b[min(i, OUTPUTS)] += np.kron(c, g.b)
        r2 = self._correlation[self.design.owner]
        prior, random = np.zeros((OUTPUTS * k, OUTPUTS * k)), np.arange(q)
        prior[random, random] = prior[k + random, k + random] = 1.0 / (1.0 - r2**2)
        prior[random, k + random] = prior[k + random, random] = -r2 / (1.0 - r2**2)
        sds = [(p.sds[:draws, self.design.owner], np.ones((draws, k - q))) for p in self.posteriors]
        scale = np.hstack([x for pair in sds for x in pair])[:, order]
        a, b, prior = a[:, order[:, None], order], b[:, order], prior[np.ix_(order, order)]
        mean, cov = np.empty((draws, OUTPUTS * k)), np.empty((draws, OUTPUTS * k, OUTPUTS * k))
        step, back = max(STACK_NUMBERS // (OUTPUTS * k) ** 2, 1), np.argsort(order)
        with one_blas_thread():
            for now in (slice(start, start + step) for start in range(0, draws, step)):
                both = scale[now, :, None] * scale[now, None, :]
                inverse = _inverse(np.tensordot(weight[now], a, axes=1) * both + prior, n) * both
                mean[now] = (inverse @ (weight[now] @ b)[:, :, None])[:, back, 0]
                cov[now] = inverse[:, back[:, None], back]
        return mean, cov

    @property
    def _eliminated_first(self) -> tuple[int, Ints]:
        """How many levels the largest term has, and all columns with those of it in front."""
        sizes = self.design.sizes
        largest = int(np.argmax(sizes))
        first = sum(sizes[:largest]) + np.arange(sizes[largest])
        gone = np.concatenate([first, first + self.size])
        return len(first), np.append(gone, np.setdiff1d(np.arange(OUTPUTS * self.size), gone))

    @cached_property
    def sds(self) -> Floats:
        """(2, r, terms) draws of the spreads between levels."""
        draws = len(self.coefficients[0])
        return np.stack([p.sds[:draws] for p in self.posteriors])

    @cached_property
    def centre(self) -> tuple[Floats, Floats, Floats]:
        """Mean (2, size), covariance (2, 2, size, size), that of levels (2, 2, terms): means of the draws."""
        mean, cov = (x.mean(axis=0) for x in self.coefficients)
        k = self.size
        blocks = cov.reshape(OUTPUTS, k, OUTPUTS, k).transpose(0, 2, 1, 3)
        return mean.reshape(OUTPUTS, k), blocks, self._between.mean(axis=2)

    @property
    def _between(self) -> Floats:
        """(2, 2, r, terms) covariance of the two combinations' effects of one level."""
        tie = np.ones((OUTPUTS, OUTPUTS, len(self.design.terms)))
        tie[0, 1] = tie[1, 0] = self._correlation
        return np.asarray(self.sds[:, None] * self.sds[None] * tie[:, :, None])

    def slope(self, name: str) -> Floats:
        """(2, r) mean coefficient of a fixed column."""
        j = self.design.q + self.design.fixed.index(name)
        return np.asarray(self.coefficients[0][:, [j, self.size + j]].T)

    def moments(
        self, levels: Mapping[str, NDArray[np.object_]], covariates: Mapping[str, Floats], m: int
    ) -> tuple[Floats, Floats]:
        """Expectation of the combinations for m rows of levels: mean (2, r, m), covariance (2, 2, r, m)."""
        mean_c, cov = self.coefficients
        design, k = self.design, self.size
        found = design.columns_of(levels, m)
        index = [*found, *(np.full(m, design.q + j) for j in range(len(design.fixed)))]
        asked = [*(t.covariate for t in design.terms), *design.fixed]
        value = [np.ones(m) if c == "1" else covariates.get(c, np.zeros(m)) for c in asked]
        seen = [np.where(i >= 0, v, 0.0) for i, v in zip(index, value, strict=True)]
        safe = [np.maximum(i, 0) for i in index]
        mean = np.zeros((OUTPUTS, len(mean_c), m))
        out = np.zeros((OUTPUTS, OUTPUTS, len(mean_c), m))
        for a, (i, v) in enumerate(zip(safe, seen, strict=True)):
            for one in range(OUTPUTS):
                mean[one] += mean_c[:, one * k + i] * v
                out[one, one] += cov[:, one * k + i, one * k + i] * v**2
                for j, w in zip(safe[a + 1 :], seen[a + 1 :], strict=True):
                    out[one, one] += 2.0 * cov[:, one * k + i, one * k + j] * (v * w)
            for j, w in zip(safe, seen, strict=True):
                out[0, 1] += cov[:, i, k + j] * (v * w)
        out[1, 0] = out[0, 1]
        between = self._between
        for t in range(len(design.terms)):
            out += between[:, :, :, t : t + 1] * np.where(index[t] < 0, value[t] ** 2, 0.0)
        for one in range(OUTPUTS):
            out[one, one] = np.maximum(out[one, one], 1e-12)
        return mean, out


def _inverse(a: Floats, n: int) -> Floats:
    """Inverses of matrices (r, …) whose first four blocks of n rows and columns are diagonal."""
    place = np.arange(n)
    d11, d12, d22 = (a[:, i + place, j + place, None] for i, j in ((0, 0), (0, n), (n, n)))
    det = d11 * d22 - d12**2
    top, low = a[:, :n, 2 * n :], a[:, n : 2 * n, 2 * n :]
    w = np.concatenate([(d22 * top - d12 * low) / det, (d11 * low - d12 * top) / det], axis=1)
    schur = a[:, 2 * n :, 2 * n :] - a[:, 2 * n :, : 2 * n] @ w
    root = np.sqrt(np.einsum("rii->ri", schur))
    both = root[:, :, None] * root[:, None, :]
    left = np.linalg.inv(schur / both) / both
    left = 0.5 * (left + left.transpose(0, 2, 1))
    cross = -w @ left
    out = np.block([[-cross @ w.transpose(0, 2, 1), cross], [cross.transpose(0, 2, 1), left]])
    for i, j, own in ((0, 0, d22), (n, n, d11), (0, n, -d12), (n, 0, -d12)):
        out[:, i + place, j + place] += (own / det)[:, :, 0]
    return np.asarray(out)


def correlate_normals(cov: Floats, first: Floats, second: Floats) -> Floats:
    """Two normals (2, m, n) with covariances (2, 2, m, n) from standard ones (n,)."""
    root = np.sqrt(cov[0, 0])
    slope = cov[0, 1] / root
    rest = np.sqrt(np.maximum(cov[1, 1] - slope**2, 0.0))
    return np.stack([root * first, slope * first + rest * second])
