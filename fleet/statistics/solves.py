"""What a mixed model's matrix says at given standard deviations, factorised on one BLAS thread.

On matrices of a hundred rows a second thread costs more than it saves, and beside a busy process it has been
seen to turn milliseconds into seconds.  Work that falls into parts may have the processor's cores.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING, Final, TypeVar

import numpy as np

from fleet.statistics.gram import Absorbed, Floats, Gram, absorb

if TYPE_CHECKING:
    from threadpoolctl import ThreadpoolController

STACK: Final = 64  # matrices factorised at a time: they stay in the processor's cache


def response_sd(gram: Gram) -> float:
    """Weighted standard deviation of the response about its mean (about zero without an intercept)."""
    weight, total = gram.n * gram.typical_weight, gram.yy
    if "1" in gram.design.fixed:
        j = gram.design.q + gram.design.fixed.index("1")
        weight = gram.a[j, j]
        total -= gram.b[j] ** 2 / weight
    if total <= 1e-13 * gram.yy:
        total = 1e-12 * gram.yy or 1e-12
    return float(np.sqrt(total / weight))


def theta_unit(gram: Gram) -> Floats:
    """(terms,) scale of theta: 1 / sqrt(rows per level), and 1 for a term about which there are no data."""
    rows = gram.rows_per_level
    return np.asarray(np.where(rows > 0.0, 1.0 / np.sqrt(np.where(rows > 0.0, rows, 1.0)), 1.0))


@dataclass(frozen=True, eq=False)
class Solved:
    """What the model says at given relative standard deviations.

    With the term of many levels eliminated and the fixed columns taken out, all derivatives follow from
    ``B = A - A S C⁻¹ S A`` and ``e = Z'W(y - X beta - Z u)`` (derived; B is Z'PZ and e is Z'Py of the
    textbooks): by ``τ = theta²`` those of ``log|C|`` are ``tr B_f`` and ``-|B_fg|²``, those of ``r²``
    ``-|e_f|²`` and ``2 e_f' B_fg e_g``.

    Attributes
    ----------
    log_det : log determinant of C
    r2 : penalised residual sum of squares
    square : (rest,) theta² of the random columns that were not eliminated
    pivot, weight : (own,) 1 + theta² × diagonal of those that were, and theta² over it
    absorbed : what was factorised last
    """

    gram: Gram
    theta: Floats
    log_det: float
    r2: float
    square: Floats
    pivot: Floats
    weight: Floats
    absorbed: Absorbed

    @cached_property
    def _b(self) -> tuple[Floats, Floats]:
        """B and e of the columns that were not eliminated: no division by theta, so 0 is nothing special."""
        left = self.absorbed.bordered[:-1]
        system = left[:, :-1] * self.square
        system.flat[:: len(left) + 1] += 1.0
        both = np.asarray(np.linalg.solve(system, left), dtype=np.float64)
        return both[:, :-1], both[:, -1]

    @cached_property
    def _rest(self) -> Floats:
        """Coefficients of the columns that were not eliminated, the fixed ones last."""
        slopes, x = self.absorbed.slopes, self.square * self._b[1]
        return np.append(x, slopes[:, -1] - slopes[:, :-1] @ x)

    @cached_property
    def _own_e(self) -> Floats:
        cross = self.gram.parts.cross
        return np.asarray((cross[-1] - self._rest @ cross[:-1]) / self.pivot)

    @cached_property
    def coef(self) -> Floats:
        """(q + p,) coefficients, in the design's order."""
        parts, out = self.gram.parts, np.empty(len(self.gram.b))
        out[parts.rest] = self._rest
        if len(parts.own):
            out[parts.own] = self.theta[parts.term] ** 2 * self._own_e
        return out

    @cached_property
    def _covariance(self) -> Floats:
        """Of the coefficients that were not eliminated, over sigma²."""
        random = -self.square[:, None] * self._b[0] * self.square
        random.flat[:: len(random) + 1] += self.square
        turn = np.append(np.eye(len(random)), -self.absorbed.slopes[:, :-1], axis=0)
        out = turn @ random @ turn.T
        out[len(random) :, len(random) :] += self.absorbed.inverse
        return np.asarray(out)

    @property
    def fixed_covariance(self) -> Floats:
        """(p, p) covariance of the fixed coefficients, over sigma²."""
        return self._covariance[len(self.square) :, len(self.square) :]

    @cached_property
    def slopes(self) -> tuple[Floats, Floats]:
        """Derivatives of ``log|C|`` and of ``r²`` by theta², (terms,) each."""
        (b, e), parts = self._b, self.gram.parts
        member = self.gram.member[parts.rest[: len(e)]]
        log_det, r2 = b.diagonal() @ member, -(e * e) @ member
        if len(parts.own):
            r = parts.cross[:-1] / self.pivot
            log_det[parts.term] = (parts.diagonal / self.pivot).sum() - (self._covariance * (r @ r.T)).sum()
            r2[parts.term] = -(self._own_e @ self._own_e)
        return log_det, r2

    @cached_property
    def curvature(self) -> tuple[Floats, Floats]:
        """Second derivatives of ``log|C|`` and of ``r²`` by theta², (terms, terms) each."""
        (b, e), parts = self._b, self.gram.parts
        member = self.gram.member[parts.rest[: len(e)]]
        log_det, r2 = (-(member.T @ (b * b) @ member), 2.0 * (member.T @ (b * e[:, None] * e) @ member))
        if len(parts.own):
            own, w, shrunk = self._own_e, self._covariance, parts.diagonal / self.pivot
            r = parts.cross[:-1] / self.pivot
            wide, middle = w @ (r @ r.T), (w * (r * shrunk @ r.T)).sum()
            turn = -self.square[:, None] * b
            turn.flat[:: len(turn) + 1] += 1.0
            turn = np.append(turn, -self.absorbed.slopes[:, :-1] @ turn, axis=0)
            pull = r @ own
            log_det[parts.term] = log_det[:, parts.term] = -(turn * (r @ (r.T @ turn))).sum(axis=0) @ member
            r2[parts.term] = r2[:, parts.term] = 2.0 * (pull @ turn * e) @ member
            log_det[parts.term, parts.term] = 2.0 * middle - shrunk @ shrunk - (wide * wide.T).sum()
            r2[parts.term, parts.term] = 2.0 * (shrunk @ own**2 - pull @ w @ pull)
        return log_det, r2


def solve(gram: Gram, theta: Floats) -> Solved:
    """Factorise C at ``theta`` (one relative standard deviation per term), a term of many levels first."""
    parts, absorbed, yy = gram.parts, gram.absorbed, gram.yy
    scale = np.append(theta[gram.design.owner[parts.rest[: len(parts.rest) - gram.p]]], 1.0)
    pivot = weight = parts.diagonal
    log_det = 0.0
    if len(parts.own):
        pivot = 1.0 + theta[parts.term] ** 2 * parts.diagonal
        weight = theta[parts.term] ** 2 / pivot
        absorbed = absorb(parts.inner - parts.cross * weight @ parts.cross.T, gram.p)
        log_det = float(np.log(pivot).sum())
    c = absorbed.bordered * scale * scale[:, None]
    c.flat[:: len(c) + 1] += 1.0
    c[-1, -1] = 2.0 * yy + 1.0
    factor = np.linalg.cholesky(c)
    log_det += absorbed.log_det + 2.0 * float(np.log(factor.diagonal()[:-1]).sum())
    r2 = max(float(absorbed.bordered[-1, -1] - factor[-1, :-1] @ factor[-1, :-1]), 1e-300)
    return Solved(gram, theta, log_det, r2, scale[:-1] ** 2, pivot, weight, absorbed)


def criterion_parts(gram: Gram, theta: Floats) -> tuple[Floats, Floats]:
    """``log|C|`` and ``r²`` at many (rows of) theta, inf and 1 where C can't be factorised.

    What `solve` factorises is bordered by its right-hand side (and a corner that is large enough): the last
    row of the factor is then ``L⁻¹ S b``, whose square is what the coefficients explain.  Where a term is
    eliminated, the fixed columns stay inside.
    """
    if len(theta) > STACK:
        return _joined(gram, np.array_split(theta, -(-len(theta) // STACK)))
    parts, bordered, explained = gram.parts, gram.absorbed.bordered, np.zeros(len(theta))
    random, log_det = parts.rest[: len(parts.rest) - gram.p], np.full(len(theta), gram.absorbed.log_det)
    if len(parts.own):
        square = (theta[:, parts.term] ** 2)[:, None]
        pivot = 1.0 + square * parts.diagonal
        weight = square / pivot
        bordered = parts.inner - (weight @ parts.products).reshape(-1, *parts.inner.shape)
        log_det, explained = np.log(pivot).sum(axis=1), weight @ parts.cross[-1] ** 2
    width = bordered.shape[-1] - 1
    scale = np.ones((len(theta), width + 1))
    scale[:, : len(random)] = theta[:, gram.design.owner[random]]
    c = bordered * scale[:, :, None]
    c *= scale[:, None, :]
    c[:, range(len(random)), range(len(random))] += 1.0
    c[:, width, width] = 2.0 * gram.yy + 1.0
    try:
        factor = np.linalg.cholesky(c)
    except np.linalg.LinAlgError:
        return (np.array([np.inf]), np.ones(1)) if len(theta) == 1 else _joined(gram, theta[:, None])
    log_det = log_det + 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)[:, :width]).sum(axis=1)
    explained = explained + (factor[:, width, :width] ** 2).sum(axis=1)
    whole = gram.yy if len(parts.own) else gram.absorbed.bordered[-1, -1]
    return log_det, np.maximum(whole - explained, 1e-300)


def _joined(gram: Gram, parts: Iterable[Floats]) -> tuple[Floats, Floats]:
    log_det, r2 = zip(*(criterion_parts(gram, part) for part in parts), strict=True)
    return np.concatenate(log_det), np.concatenate(r2)


@cache
def _controller() -> ThreadpoolController:
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Limit BLAS to one thread inside the block."""
    with _controller().limit(limits=1, user_api="blas"):
        yield


Part = TypeVar("Part")
Result = TypeVar("Result")
MOST_THREADS: Final = 4
"""More would mostly wait for their turn at Python itself, and each holds arrays of its own (not measured)."""


def in_threads(work: Callable[[Part], Result], parts: Iterable[Part]) -> list[Result]:
    """Results of independent parts in their order, reckoned on a few cores at once.

    Parameters
    ----------
    work : spends its time inside numpy, which lets other threads run; parts must not write to one place
    parts : what it is called with
    """
    todo = list(parts)
    threads = min(MOST_THREADS, os.cpu_count() or 1, len(todo))
    if threads < 2:
        return [work(part) for part in todo]
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, todo))


def forward(factor: Floats, vectors: Floats) -> Floats:
    """Solve L x = v for each of m: (m, d, d) lower factors, (m, d) vectors."""
    lower, x = np.moveaxis(factor, 0, -1), np.array(vectors.T, dtype=float, order="C")
    for i in range(len(x)):
        for j in range(i):
            x[i] -= lower[i, j] * x[j]
        x[i] /= lower[i, i]
    return x.T


def backward(factor: Floats, vectors: Floats) -> Floats:
    """Solve L' x = v for each of m: (m, d, d) lower factors, (..., m, d) vectors; gives (d, ..., m)."""
    lower, x = np.moveaxis(factor, 0, -1), np.array(np.moveaxis(vectors, -1, 0), dtype=float, order="C")
    for i in reversed(range(len(x))):
        for j in range(i + 1, len(x)):
            x[i] -= lower[j, i] * x[j]
        x[i] /= lower[i, i]
    return x


def precision(factor: Floats) -> Floats:
    """Inverses (d, d, m) of covariances from lower Cholesky factors (m, d, d)."""
    lower = np.moveaxis(factor, 0, -1)
    d, _, m = lower.shape
    root, out = np.zeros((d, d, m)), np.empty((d, d, m))
    for k in range(d):
        root[k, k] = 1.0 / lower[k, k]
        for i in range(k + 1, d):
            root[i, k] = -np.einsum("jm,jm->m", lower[i, k:i], root[k:i, k]) / lower[i, i]
    for j in range(d):
        for k in range(j, d):
            out[j, k] = out[k, j] = np.einsum("im,im->m", root[k:, j], root[k:, k])
    return out
