"""From cell sums to the Gram matrix of a mixed model.

A *cell* is one combination of factor levels.  All that a linear mixed model with these factors needs is,
per cell, the matrix of sums of products of the columns ``(1, covariates..., y)``: the rows themselves can
stay where they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from fleet.errors import FleetError
from fleet.numerals import unknown
from fleet.rows import Columns, combinations, groups_in_order, height, take_rows
from fleet.rows import Floats as Floats
from fleet.rows import Ints as Ints

MANY_LEVELS = 16


@dataclass(frozen=True)
class Term:
    """One random term: independent N(0, sd²) coefficients of ``covariate``, one per level of ``factors``.

    ``covariate="1"`` is a random intercept, any other column a random slope; several factors make an
    interaction (one coefficient per combination that occurs).
    """

    factors: tuple[str, ...]
    covariate: str = "1"

    @property
    def name(self) -> str:
        """The factors joined by ``:``, with the covariate in front where it is a slope."""
        label = ":".join(self.factors)
        return label if self.covariate == "1" else f"{self.covariate}|{label}"


@dataclass(frozen=True)
class Cells:
    """Sums of products per cell.

    Attributes
    ----------
    levels : mapping of factor name to (m,) array of level labels
    columns : names of the K columns of the moments; the first is ``"1"``, the last the response
    moments : (m, K, K) array, sums of products (symmetric)
    weights : (m,) array, one weight for all rows of a cell (residual variance sigma² / weight)
    log_weights : (m,) array, per cell the sum of the log weights that are already inside ``moments``
    counts : (m,) array, rows per cell
    """

    levels: Mapping[str, NDArray[np.object_]]
    columns: tuple[str, ...]
    moments: Floats
    counts: Floats
    weights: Floats = field(default_factory=lambda: np.ones(0))
    log_weights: Floats = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        m = len(self.counts)
        if self.weights.size == 0:
            object.__setattr__(self, "weights", np.ones(m))
        if self.log_weights.size == 0:
            object.__setattr__(self, "log_weights", np.zeros(m))
        k = len(self.columns)
        if self.moments.shape != (m, k, k):
            raise ValueError(f"got moments of shape {self.moments.shape}, expected {(m, k, k)}")

    @classmethod
    def from_frame(
        cls,
        frame: Columns,
        response: str,
        *,
        factors: Sequence[str],
        covariates: Sequence[str] = (),
        weights: NDArray[np.float64] | None = None,
        unshifted: Sequence[str] = (),
    ) -> tuple[Cells, Floats]:
        """Sum a data frame up into cells; returns the cells and the shifts taken off the columns.

        Response and covariates are shifted by their mean before products are formed: unshifted sums lose
        every digit when the mean is large against the spread.  Columns in ``unshifted`` keep their zero.
        Rows of weight 0 are left out.

        Raises
        ------
        FleetError
            If a column is missing, a value isn't a finite number, or the weights don't fit the rows.
        """
        columns = ("1", *covariates, response)
        frame, row_weights = _usable(frame, [*columns[1:], *factors], weights)
        values = np.ones((len(row_weights), len(columns)))
        shifts = np.zeros(len(columns))
        for j, name in enumerate(columns[1:], start=1):
            raw = _finite(frame, name)
            shifts[j] = 0.0 if name in unshifted or not len(raw) else raw.mean()
            values[:, j] = raw - shifts[j]
        code, first = combinations(frame, factors)
        few = take_rows(frame, first, factors) if factors else {}
        labels = {f: np.array([str(x) for x in few[f]], dtype=object) for f in factors}
        place, order = groups_in_order(labels, factors) if factors else (code, [0])
        code, m, k = place[code] if factors else code, len(order), len(columns)
        moments = np.empty((m, k, k))
        for a in range(k):
            for b in range(a, k):
                product = row_weights * values[:, a] * values[:, b]
                moments[:, a, b] = moments[:, b, a] = np.bincount(code, product, minlength=m)
        levels = {f: labels[f][order] for f in factors}
        counts = np.bincount(code, minlength=m).astype(np.float64)
        log_weights: Floats = np.bincount(code, np.log(row_weights), minlength=m).astype(np.float64)
        return cls(levels, columns, moments, counts, log_weights=log_weights), shifts


def _usable(
    frame: Columns, needed: Sequence[str], weights: NDArray[np.float64] | None
) -> tuple[Columns, Floats]:
    """The rows that count, and their weights."""
    missing = [name for name in needed if name not in frame]
    if missing:
        raise FleetError(f"got no column {missing[0]!r}; expected it in the frame beside {list(frame)[:8]}")
    rows = height(frame)
    w = np.ones(rows) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (rows,):
        raise FleetError(f"got weights of shape {w.shape}, expected one for each of {rows} rows")
    if not np.all(np.isfinite(w) & (w >= 0.0)):
        raise FleetError("got a weight that is negative or not finite, expected weights of 0 or more")
    return take_rows(frame, np.flatnonzero(w > 0.0), needed), w[w > 0.0]


def _finite(frame: Columns, name: str) -> Floats:
    raw = np.asarray(frame[name], dtype=np.float64)
    if bad := int((~np.isfinite(raw)).sum()):
        raise FleetError(f"got {bad} missing or infinite values in {name!r}: drop those rows first")
    return raw


@dataclass(frozen=True)
class Design:
    """Which column of the model matrix belongs to which level of which term.

    Attributes
    ----------
    terms : the random terms
    levels : for each term, the tuple of its level keys (tuples of labels), in column order
    fixed : names of the fixed columns (``"1"`` is the intercept)
    """

    terms: tuple[Term, ...]
    levels: tuple[tuple[tuple[str, ...], ...], ...]
    fixed: tuple[str, ...]

    @cached_property
    def sizes(self) -> list[int]:
        """Number of columns of each random term."""
        return [len(level) for level in self.levels]

    @cached_property
    def q(self) -> int:
        """Number of random columns."""
        return sum(self.sizes)

    @cached_property
    def owner(self) -> Ints:
        """(q,) array: which term each random column belongs to."""
        return np.repeat(np.arange(len(self.terms)), self.sizes)

    def columns_of(self, levels: Columns, size: int) -> Ints:
        """(terms, size) array of column numbers, -1 where a level was never seen."""
        found = np.full((len(self.terms), size), -1, dtype=np.int64)
        offset = 0
        for t, (term, keys) in enumerate(zip(self.terms, self.levels, strict=True)):
            lookup = {key: offset + i for i, key in enumerate(keys)}
            asked, code = combinations_of(levels, term.factors)
            found[t] = np.array([lookup.get(key, -1) for key in asked], dtype=np.int64)[code]
            offset += len(keys)
        return found


Combinations = tuple[list[tuple[str, ...]], Ints]
"""Distinct combinations of labels, as text, and which one each row has."""


class Levels(dict[str, NDArray[Any]]):
    """Columns of level labels by factor whose combinations are looked up once."""

    @cached_property
    def known(self) -> dict[tuple[str, ...], Combinations]:
        """Those that were."""
        return {}


def combinations_of(levels: Columns, factors: tuple[str, ...]) -> Combinations:
    """Combinations of some factors' labels."""
    known = levels.known if isinstance(levels, Levels) else {}
    if factors not in known:
        known[factors] = _combinations([levels[f] for f in factors])
    return known[factors]


def _combinations(columns: Sequence[Any]) -> Combinations:
    every = list(zip(*(np.asarray(column, dtype=object).tolist() for column in columns), strict=True))
    texts = {key: tuple("nan" if unknown(x) else str(x) for x in key) for key in dict.fromkeys(every)}
    keys = list(dict.fromkeys(texts.values()))
    number = dict(zip(keys, range(len(keys)), strict=True))
    place = {key: number[text] for key, text in texts.items()}
    return keys, np.fromiter(map(place.__getitem__, every), dtype=np.int64, count=len(every))


class Anchor(NamedTuple):
    """A prior belief about one fixed coefficient: normal with this mean and sd (sd in units of sigma)."""

    column: str
    mean: float
    sd: float


@dataclass(frozen=True)
class Parts:
    """A Gram matrix round a term of many levels, whose own block is diagonal: each row has one level.

    Attributes
    ----------
    term : which term that is
    own, rest : its columns (none where no term has `MANY_LEVELS`), and the others
    diagonal : of its block
    cross : (rest + 1, own) between the others and it, with ``b`` as the last row
    inner : (rest + 1, rest + 1) among the others, bordered by ``b`` and the response's own square
    """

    term: int
    own: Ints
    rest: Ints
    diagonal: Floats
    cross: Floats
    inner: Floats

    @cached_property
    def products(self) -> Floats:
        """(own, (rest + 1)²) products of the columns of ``cross`` with themselves."""
        each = self.cross.T[:, :, None] * self.cross.T[:, None, :]
        return np.asarray(each.reshape(len(self.own), len(self.inner) ** 2))


class Absorbed(NamedTuple):
    """A bordered matrix with its fixed columns taken out, as least squares takes them out.

    What is left among the random columns and the response (r + 1, r + 1); the slopes of these on the fixed
    columns (p, r + 1); of the fixed columns' own block the inverse and the logarithm of the determinant.
    """

    bordered: Floats
    slopes: Floats
    inverse: Floats
    log_det: float


def absorb(bordered: Floats, p: int) -> Absorbed:
    """Take out the ``p`` fixed columns that stand before the last."""
    fixed = slice(len(bordered) - 1 - p, len(bordered) - 1)
    factor = np.linalg.cholesky(bordered[fixed, fixed])
    root = np.linalg.inv(factor)
    half = root @ np.delete(bordered[fixed], fixed, 1)
    left = np.delete(np.delete(bordered, fixed, 0), fixed, 1) - half.T @ half
    log_det = 2.0 * float(np.log(factor.diagonal()).sum())
    return Absorbed(left, root.T @ half, root.T @ root, log_det)


@dataclass(frozen=True)
class Gram:
    """The products ``[Z X]'W[Z X]``, ``[Z X]'Wy``, ``y'Wy`` of one response, and how they are laid out.

    Attributes
    ----------
    design : Design
    a : (q + p, q + p) array
    b : (q + p,) array
    yy : weighted sum of squares of the (shifted) response
    n : number of rows
    log_w : sum of the log weights
    anchors : prior beliefs about fixed columns that are already inside
    """

    design: Design
    a: Floats
    b: Floats
    yy: float
    n: float
    log_w: float
    anchors: tuple[Anchor, ...] = ()

    @property
    def p(self) -> int:
        """Number of fixed columns."""
        return len(self.design.fixed)

    @cached_property
    def parts(self) -> Parts:
        """The matrix taken apart round the term with most levels, if these are many."""
        sizes = self.design.sizes
        most = int(np.argmax(sizes)) if sizes else 0
        start = sum(sizes[:most])
        own = np.arange(start, start + sizes[most] if sizes and sizes[most] >= MANY_LEVELS else start)
        rest = np.delete(np.arange(len(self.b)), own)
        inner = np.append(self.a[rest[:, None], rest], self.b[rest][:, None], axis=1)
        inner = np.append(inner, [np.append(self.b[rest], self.yy)], axis=0)
        cross = np.append(self.a[rest[:, None], own], [self.b[own]], axis=0)
        return Parts(most, own, rest, self.a[own, own], cross, inner)

    @cached_property
    def absorbed(self) -> Absorbed:
        """`Parts.inner` without the fixed columns."""
        return absorb(self.parts.inner, self.p)

    @cached_property
    def member(self) -> Floats:
        """(q, terms) 1 where a random column belongs to a term."""
        return np.asarray(self.design.owner[:, None] == np.arange(len(self.design.terms)), dtype=np.float64)

    @property
    def typical_weight(self) -> float:
        """Geometric mean of the rows' weights."""
        return float(np.exp(self.log_w / max(self.n, 1.0)))

    @property
    def rows_per_level(self) -> Floats:
        """(terms,) mean of the diagonal of Z'WZ over each term's columns: the scale that a sd is seen at."""
        return np.asarray(np.diag(self.a)[: self.design.q] @ self.member / np.maximum(self.design.sizes, 1))


def build_gram(
    cells: Cells,
    terms: Sequence[Term],
    fixed: Sequence[str] = ("1",),
    *,
    among: NDArray[np.bool_] | None = None,
) -> Gram:
    """Sum weighted cell moments into the Gram matrix of ``y ~ fixed + terms``.

    Parameters
    ----------
    cells : Cells
    terms : the random terms; their factors must be among the cells' factors
    fixed : names of fixed columns among ``cells.columns``
    among : (m,) cells whose levels get a column, whether they have rows or not; default those with rows
    """
    index = {name: i for i, name in enumerate(cells.columns)}
    keep = cells.counts > 0 if among is None else among
    m = int(keep.sum())
    moments = cells.moments[keep] * cells.weights[keep][:, None, None]
    told = [combinations_of(cells.levels, t.factors) for t in terms]
    keys = [tuple(sorted(names[i] for i in np.unique(code[keep]))) for names, code in told]
    design = Design(tuple(terms), tuple(keys), tuple(fixed))
    q, p, size = design.q, len(fixed), design.q + len(fixed)
    where = [*design.columns_of(cells.levels, len(keep))[:, keep]] + [np.full(m, q + j) for j in range(p)]
    kind = [index[t.covariate] for t in terms] + [index[c] for c in fixed]
    y = len(cells.columns) - 1
    flat, values = [], []
    b = np.zeros(size)
    for i, (rows_i, ki) in enumerate(zip(where, kind, strict=True)):
        b = b + np.bincount(rows_i, moments[:, ki, y], minlength=size)
        for rows_j, kj in zip(where[i:], kind[i:], strict=True):
            flat.append(rows_i * size + rows_j)
            values.append(moments[:, ki, kj])
    total = np.bincount(np.concatenate(flat), np.concatenate(values), minlength=size * size)
    upper = total.reshape(size, size).astype(np.float64)
    a = upper + np.triu(upper, 1).T + np.tril(upper, -1).T
    log_w = float(cells.log_weights[keep].sum() + (cells.counts[keep] * np.log(cells.weights[keep])).sum())
    return Gram(design, a, b, float(moments[:, y, y].sum()), float(cells.counts[keep].sum()), log_w)


def add_anchors(gram: Gram, anchors: Sequence[Anchor]) -> Gram:
    """Add prior beliefs about fixed columns: each counts as one more row of weight 1 / sd².

    A belief about a column that the design doesn't have is left out.
    """
    a, b, yy, log_w = gram.a.copy(), gram.b.copy(), gram.yy, gram.log_w
    used = tuple(x for x in anchors if x.column in gram.design.fixed)
    for column, mean, sd in used:
        j = gram.design.q + gram.design.fixed.index(column)
        weight = sd**-2
        a[j, j] += weight
        b[j] += weight * mean
        yy += weight * mean**2
        log_w += float(np.log(weight))
    return replace(gram, a=a, b=b, yy=yy, n=gram.n + len(used), log_w=log_w, anchors=(*gram.anchors, *used))
