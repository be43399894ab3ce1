"""Cells and Gram matrices: equal to the products of the written-out model matrix, whatever the cells."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from engine_cases import CROSSED, columns, fleet

from fleet.errors import FleetError
from fleet.statistics.gram import Anchor, Cells, Term, add_anchors, build_gram

TERMS = [*CROSSED, Term(("source",), "s")]
FACTORS = ["profile", "source"]


def cells_of(frame: pd.DataFrame, weights: np.ndarray | None = None) -> Cells:
    """Cells about zero, so that parts of a frame can be added."""
    cells, shifts = Cells.from_frame(
        frame,
        "y",
        factors=FACTORS,
        covariates=["s", "warm"],
        weights=weights,
        unshifted=["s", "warm", "y"],
    )
    assert not shifts.any()
    return cells


def test_gram_is_the_product_of_the_written_out_matrix() -> None:
    """A = [Z X]'W[Z X], b = [Z X]'Wy, y'Wy, n and the log weights, with intercepts, slopes, interaction."""
    frame = fleet(90, seed=1)
    w = frame["w"].to_numpy()
    gram = build_gram(cells_of(frame, w), TERMS, ("1", "s", "warm"))
    m = np.hstack(columns(frame, gram.design, ["s", "warm"]))
    y = frame["y"].to_numpy()
    assert gram.a == pytest.approx(m.T @ (m * w[:, None]), rel=1e-12, abs=1e-12)
    assert gram.b == pytest.approx(m.T @ (w * y), rel=1e-12)
    assert gram.yy == pytest.approx(float(w @ y**2), rel=1e-12)
    assert gram.n == 90
    assert gram.log_w == pytest.approx(float(np.log(w).sum()), rel=1e-12)
    assert gram.typical_weight == pytest.approx(float(np.exp(np.log(w).mean())), rel=1e-12)


def test_rows_per_level_is_the_mean_squared_length_of_a_column() -> None:
    """30 rows a level on average for 3 sources of 90 rows; for slopes the sum of squares of the covariate."""
    frame = fleet(90, seed=1)
    gram = build_gram(cells_of(frame), TERMS, ("1",))
    assert gram.rows_per_level[1] == pytest.approx(30.0)
    assert gram.rows_per_level[3] == pytest.approx(float((frame["s"] ** 2).sum()) / 3.0)


def test_a_weight_may_come_with_the_cell_or_with_the_row() -> None:
    """One weight per cell gives the same Gram matrix as that weight on each of the cell's rows."""
    frame = fleet(120, seed=2)
    by_source = {"s0": 0.5, "s1": 1.0, "s2": 3.0}
    rows = build_gram(cells_of(frame, frame["source"].map(by_source).to_numpy()), TERMS)
    plain = cells_of(frame)
    cells = replace(plain, weights=np.array([by_source[s] for s in plain.levels["source"]]))
    other = build_gram(cells, TERMS)
    assert other.a == pytest.approx(rows.a, rel=1e-12)
    assert other.b == pytest.approx(rows.b, rel=1e-12)
    assert (other.yy, other.log_w) == pytest.approx((rows.yy, rows.log_w), rel=1e-12)


def test_cells_add() -> None:
    """Two halves summed apart and laid side by side give the Gram matrix of the whole."""
    frame = fleet(120, seed=3)
    whole = build_gram(cells_of(frame), TERMS)
    a, b = cells_of(frame[:50]), cells_of(frame[50:])
    both = Cells(
        {f: np.concatenate([a.levels[f], b.levels[f]]) for f in FACTORS},
        a.columns,
        np.concatenate([a.moments, b.moments]),
        np.concatenate([a.counts, b.counts]),
    )
    assert build_gram(both, TERMS).a == pytest.approx(whole.a, rel=1e-12, abs=1e-12)
    assert build_gram(both, TERMS).design.levels == whole.design.levels


def test_shifts_are_the_means() -> None:
    """Response and covariates are centred unless told otherwise; the shifts say by how much."""
    frame = fleet(40, seed=4)
    cells, shifts = Cells.from_frame(frame, "y", factors=FACTORS, covariates=["s", "warm"], unshifted=["s"])
    assert shifts == pytest.approx([0.0, 0.0, frame["warm"].mean(), frame["y"].mean()])
    assert cells.moments[:, 0, -1].sum() == pytest.approx(0.0, abs=1e-10)


def test_a_level_never_seen_has_no_column() -> None:
    """Known levels get their column, in the order of the design; unknown ones and unknown pairs -1."""
    frame = fleet(60, seed=5)
    frame = frame[(frame["profile"] != "p0") | (frame["source"] != "s2")]
    design = build_gram(cells_of(frame), CROSSED).design
    asked = {
        "profile": np.array(["p1", "p0", "px"], dtype=object),
        "source": np.array(["s0", "s2", "s0"], dtype=object),
    }
    found = design.columns_of(asked, 3)
    assert found[0].tolist() == [1, 0, -1]
    assert found[1].tolist() == [4, 6, 4]
    assert found[2, 0] == 7 + design.levels[2].index(("p1", "s0"))
    assert found[2, 1:].tolist() == [-1, -1]


def test_empty_cells_and_rows_without_weight_are_left_out() -> None:
    """A cell without rows adds no level; a row of weight 0 counts neither in n nor in the log weights."""
    frame = fleet(50, seed=6)
    weights = np.where(frame["profile"] == "p3", 0.0, 1.0)
    left, other = cells_of(frame, weights), cells_of(frame[frame["profile"] != "p3"])
    assert build_gram(left, TERMS).a == pytest.approx(build_gram(other, TERMS).a, rel=1e-13)
    assert build_gram(left, TERMS).n == build_gram(other, TERMS).n
    counts = np.where(other.levels["source"] == "s1", 0.0, other.counts)
    gram = build_gram(replace(other, counts=counts), CROSSED)
    assert gram.design.levels[1] == (("s0",), ("s2",))


def test_term_names() -> None:
    """Factors joined by a colon, a slope's covariate in front."""
    assert Term(("profile", "source")).name == "profile:source"
    assert Term(("source",), "s").name == "s|source"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f.drop(columns="source"), "no column 'source'"),
        (lambda f: f.assign(y=f["y"].where(f.index > 2)), "3 missing or infinite values in 'y'"),
        (lambda f: f.assign(s=np.inf), "50 missing or infinite values in 's'"),
    ],
)
def test_a_frame_that_cannot_be_summed_is_named(change, said: str) -> None:
    """Missing columns and values that are no numbers are refused in one line."""
    with pytest.raises(FleetError, match=said):
        cells_of(change(fleet(50, seed=7)))


@pytest.mark.parametrize(
    ("weights", "said"),
    [
        (np.ones(49), "shape"),
        (np.append(np.ones(49), -1.0), "negative"),
        (np.append(np.ones(49), np.nan), "not finite"),
    ],
)
def test_weights_that_do_not_fit_are_refused(weights: np.ndarray, said: str) -> None:
    """Weights must be one a row, finite and not below 0."""
    with pytest.raises(FleetError, match=said):
        cells_of(fleet(50, seed=7), weights)


def test_moments_must_have_the_cells_shape() -> None:
    """Moments of another shape than (cells, columns, columns) are refused."""
    with pytest.raises(ValueError, match=r"expected \(2, 2, 2\)"):
        Cells({}, ("1", "y"), np.zeros((2, 3, 3)), np.ones(2))


def test_a_belief_about_a_slope_counts_as_one_more_row() -> None:
    """Anchored: the Gram matrix with one further row, its slope column 1, its response the mean believed."""
    frame = fleet(50, seed=8)
    gram = build_gram(cells_of(frame), CROSSED, ("1", "s"))
    got = add_anchors(gram, [Anchor("s", 0.45, 0.2), Anchor("warm", 0.0, 1.0)])
    m = np.hstack(columns(frame, gram.design, ["s"]))
    row = np.zeros(gram.design.q + 2)
    row[-1] = 1.0
    a, b = np.vstack([m, row]), np.append(frame["y"], 0.45)
    w = np.append(np.ones(50), 0.2**-2)
    assert got.a == pytest.approx(a.T @ (a * w[:, None]), rel=1e-12, abs=1e-12)
    assert got.b == pytest.approx(a.T @ (w * b), rel=1e-12)
    assert got.yy == pytest.approx(float(w @ b**2), rel=1e-12)
    assert (got.n, got.log_w) == (51.0, pytest.approx(-2.0 * np.log(0.2)))
    assert [x.column for x in got.anchors] == ["s"]


def test_a_missing_label_is_a_level_of_its_own() -> None:
    """Rows without a label share one level, found again by None or NaN; numbers are labels by their text."""
    frame = pd.DataFrame({"g": ["b", None, "a", None], "year": [3, 3, 20, 3], "y": [1.0, 2.0, 3.0, 4.0]})
    cells, _ = Cells.from_frame(frame, "y", factors=["g", "year"])
    design = build_gram(cells, [Term(("g",)), Term(("year",))]).design
    assert design.levels == ((("a",), ("b",), ("nan",)), (("20",), ("3",)))
    asked = {"g": np.array([None, np.nan, "a", "c"], dtype=object), "year": np.array([3, 20, 4, 3])}
    assert design.columns_of(asked, 4).tolist() == [[2, 2, 0, -1], [4, 3, -1, 4]]
