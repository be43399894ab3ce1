"""An attacker who solves what groups of units tell for single readings.

He is given each group's sums by themselves, though exports add some of them up; he knows who stands in every
sum, what the fit took off each unit's reading, every covariate, and every reading but those that he is after.
Readings are whole thousandths.  He is sure of an answer that a second sum bears out, and of one that lies on
that grid or follows from one sum, if the blur, which everybody can look up, leaves it a small error.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from fleet.house_model.angle_sums import JOINT
from fleet.house_model.chain import ANGLES, PAIRED
from fleet.sharing import content
from fleet.sharing.units import Units

Floats = np.ndarray
HALF_A_DEGREE = 0.5
CLOSE = {"sag": 0.1, "repeats": 0.2}
"""What counts as recovered where it isn't half a degree: a tenth in the sag, in which units differ by a
quarter; a fifth of what others' repeats differ by."""
GRID = 1000.0
IN_DEGREES = ("tracking", "built_in", "sag", "zenith", "azimuth_seen", "azimuth_electrical")
RAKE = "rake, still"


@dataclass(frozen=True)
class Told:
    """One set of units and the sums that are told of it.

    Attributes
    ----------
    link : whose response
    records : of the units
    rows : what each unit brings in truth: 1, covariates, the response; one column a unit
    sums : what is told of their products, scaled to the set
    offset : what was taken off each unit's reading
    error : standard deviation of the blur in one unit's response
    """

    link: str
    records: list[str]
    rows: Floats
    sums: Floats
    offset: Floats
    error: float


@dataclass(frozen=True)
class Found:
    """What an attack says of one reading: its estimate, whether it is sure, the truth, a guess without it.

    ``error`` is the standard deviation that the blur gives the estimate, where it is simply known.
    """

    attack: str
    link: str
    record: str
    estimate: float
    sure: bool
    truth: float
    guess: float
    error: float = float("nan")


def told_of(true: Units, seen: Units, smallest: int, blur: dict[str, float]) -> Iterator[Told]:
    """The sets that a group tells of.

    Parameters
    ----------
    true, seen : the group's units, and the same as the sums have them
    smallest : smallest group
    blur : per ``"link link"`` what the blur adds to a product on average
    """
    everyone = np.arange(len(true.unit))
    sets = [
        (name, members)
        for names, members in content._angle_sets(true, everyone, smallest)
        for name in names + ((JOINT,) if set(PAIRED) <= set(names) else ())
    ]
    sets += [(n, everyone[true.inside[n]]) for n in IN_DEGREES if n not in ANGLES]
    for name, members in sets:
        if len(members) < smallest:
            continue
        names = PAIRED if name == JOINT else (name,)
        rows = content.rows_of_units(true, names, members, smallest)
        told = content.rows_of_units(seen, names, members, smallest)
        variance = sum(blur[f"{n} {n}"] for n in names)
        read = sum(true.observed[f"y_{n}"].to_numpy(dtype=float)[members] for n in names)
        if name == JOINT:
            rows, told = (np.vstack([r[:-2], r[-2] + r[-1]]) for r in (rows, told))
            variance += 2.0 * blur["tracking built_in"]
        yield Told(
            RAKE if name == JOINT else name,
            [str(r) for r in true.record[members]],
            rows,
            told @ told.T,
            np.asarray(read - rows[-1]),
            float(np.sqrt(max(variance, 0.0))),
        )


def lone_covariate(told: Told) -> Iterator[Found]:
    """A covariate at which one unit stands alone: two sums say so, a quotient of two is its reading."""
    n, y = len(told.records), told.rows[-1]
    for c in range(1, len(told.rows) - 1):
        values, counts = np.unique(told.rows[c], return_counts=True)
        usual = float(values[counts.argmax()])
        total = told.sums[0, c] - n * usual
        squares = told.sums[c, c] - 2.0 * usual * told.sums[0, c] + n * usual**2
        if abs(total) > 1e-6 and abs(total**2 - squares) < 1e-6 * squares:
            place = int(np.argmax(np.abs(told.rows[c] - usual)))
            estimate = (told.sums[c, -1] - usual * told.sums[0, -1]) / total
            sure = 2.0 * told.error <= close(told.link)
            yield _found("lone covariate", told, place, estimate, sure, _others(y, place))


def all_but_one_known(told: Told) -> Iterator[Found]:
    """The sum less all other readings; sure if the sum of squares bears it out or the blur is small."""
    y, n = told.rows[-1], len(told.records)
    for place in range(n):
        estimate = told.sums[0, -1] - (y.sum() - y[place])
        square = told.sums[-1, -1] - ((y**2).sum() - y[place] ** 2)
        error = float(np.sqrt(n) * told.error)
        sure = abs(estimate**2 - square) < 1e-6 or 2.0 * error <= close(told.link)
        found = _found("all but one known", told, place, estimate, sure, _others(y, place))
        yield replace(found, error=error)


def by_its_square(told: Told) -> Iterator[Found]:
    """All others known: squares about their mean, which an outlier dominates, less what a blur adds."""
    y, n = told.rows[-1], len(told.records)
    for place in range(n):
        middle = _others(y, place)
        about = told.sums[-1, -1] - 2.0 * middle * told.sums[0, -1] + n * middle**2 - n * told.error**2
        square = max(about - (np.delete(y - middle, place) ** 2).sum(), 0.0)
        side = 1.0 if told.sums[0, -1] > y.sum() - y[place] + middle else -1.0
        sure = 2.0 * told.error <= close(told.link)
        yield _found("its square", told, place, middle + side * np.sqrt(square), sure, middle)


def all_but_two_known(told: Told) -> Iterator[Found]:
    """Sum and sum of squares of two readings, which must lie on the grid."""
    y = told.rows[-1]
    for one, two in pairwise(range(len(y))):
        if abs(told.offset[one] - told.offset[two]) > 1e-9:
            continue
        total = told.sums[0, -1] - (y.sum() - y[one] - y[two])
        square = told.sums[-1, -1] - ((y**2).sum() - y[one] ** 2 - y[two] ** 2)
        within = 2.0 * square - total**2
        if within < -1e-6:
            continue
        pair = 0.5 * (total + np.array([-1.0, 1.0]) * np.sqrt(max(within, 0.0)))
        sure = _on_grid(pair + told.offset[one]) and 2.0 * told.error <= close(told.link)
        order = (one, two) if y[one] <= y[two] else (two, one)
        for place, estimate in zip(order, pair, strict=True):
            yield _found("all but two known", told, place, float(estimate), sure, _others(y, place))


def all_but_three_known(told: Told) -> Iterator[Found]:
    """Sum and sum of squares of three readings on the grid: sure if only one set of three has both."""
    y = told.rows[-1]
    places = np.flatnonzero(np.abs(told.offset - told.offset[0]) < 1e-9)[:3]
    if len(places) < 3:
        return
    rest = np.delete(np.arange(len(y)), places)
    off = told.offset[0]
    total = told.sums[0, -1] - y[rest].sum() + 3.0 * off
    square = told.sums[-1, -1] - (y[rest] ** 2).sum()
    square += 2.0 * off * (total - 3.0 * off) + 3.0 * off**2
    whole = np.array([total * GRID, square * GRID**2])
    if np.abs(whole - np.round(whole)).max() > 1e-2:
        return
    total, square = (int(v) for v in np.round(whole))
    middle = total // 3
    third = np.arange(middle - 8000, middle + 8001)
    within = 2 * (square - third**2) - (total - third) ** 2
    root = np.round(np.sqrt(np.maximum(within, 0))).astype(np.int64)
    fits = (within >= 0) & (root**2 == within) & ((total - third - root) % 2 == 0)
    low, high = (total - third - root) // 2, (total - third + root) // 2
    sets = {tuple(sorted(s)) for s in zip(third[fits], low[fits], high[fits], strict=True)}
    if not sets:
        return
    spread = np.ptp(np.array(sorted(sets)), axis=0).max() / GRID
    estimate = np.mean(sorted(sets), axis=0) / GRID - off
    for place, value in zip(places[np.argsort(y[places])], estimate, strict=True):
        sure = bool(spread + 2.0 * told.error <= close(told.link))
        yield _found("all but three known", told, int(place), float(value), sure, _others(y, int(place)))


def by_subtraction(everything: list[Told]) -> Iterator[Found]:
    """Sums of all exports, known covariates as weights: readings that some combination singles out."""
    for link in sorted({t.link for t in everything}):
        sets = [t for t in everything if t.link == link]
        columns = {r: i for i, r in enumerate(sorted({r for t in sets for r in t.records}))}
        weights, figures = [], []
        for told in sets:
            where = [columns[r] for r in told.records]
            for c in range(len(told.rows) - 1):
                row = np.zeros(len(columns))
                row[where] = told.rows[c]
                scale = np.linalg.norm(row)
                if scale > 1e-9:
                    known = told.rows[c] @ told.offset
                    weights.append(row / scale)
                    figures.append((told.sums[c, -1] + known) / scale)
        matrix = np.array(weights)
        inverse = np.linalg.pinv(matrix, rcond=1e-9)
        single = np.abs(np.diag(inverse @ matrix) - 1.0) < 1e-7
        solved = inverse @ np.array(figures)
        truth = {r: v for t in sets for r, v in zip(t.records, t.rows[-1] + t.offset, strict=True)}
        guess = float(np.mean(list(truth.values())))
        for record, i in columns.items():
            if single[i]:
                sure = 2.0 * sets[0].error <= close(link)
                yield Found("subtraction", link, record, float(solved[i]), sure, truth[record], guess)


def by_averaging(everything: list[Told]) -> Iterator[Found]:
    """All others known: the answers of all groups that a reading ever stood in, weighed together.

    A reading has the same error in each, so two answers share the errors of the units that the groups share.
    """
    for link in sorted({t.link for t in everything}):
        answers: dict[str, list[tuple[Told, int, float]]] = {}
        for told in (t for t in everything if t.link == link):
            off = float(told.sums[0, -1] - told.rows[-1].sum())
            for place, record in enumerate(told.records):
                answers.setdefault(record, []).append((told, place, off))
        for of in answers.values():
            told, place, _ = of[0]
            spread = averaged_spread([set(t.records) for t, _, _ in of]) * max(told.error, 1e-6) ** 2
            weight = np.linalg.pinv(spread, rcond=1e-9).sum(axis=0)
            error = float(np.sqrt(1.0 / weight.sum()))
            estimate = told.rows[-1][place] + float(weight @ [off for _, _, off in of]) / weight.sum()
            sure = 2.0 * error <= close(link)
            yield _found("averaged over groups", told, place, estimate, sure, _others(told.rows[-1], place))


def averaged_spread(groups: list[set[str]]) -> Floats:
    """Covariance of sums over groups of units, each unit with an error of its own of variance one."""
    return np.array([[float(len(a & b)) for b in groups] for a in groups])


def products_of_residuals(true: Units, seen: Units) -> Iterator[Found]:
    """Three products of one unit's residuals give each of the three; another three bear it out."""
    a, b, c, d = "zenith", "azimuth_seen", "azimuth_electrical", "balance"
    members = np.flatnonzero(np.all([true.inside[n] for n in (a, b, c, d)], axis=0))
    if len(members) < 5:
        return
    exact = {n: true.residual[n][members] for n in (a, b, c, d)}
    told = {n: seen.residual[n][members] for n in (a, b, c, d)}

    def left(one: str, two: str, place: int) -> float:
        rest = np.delete(exact[one] * exact[two], place).sum()
        return float((told[one] * told[two]).sum() - rest)

    for place, whole in enumerate(members):
        product = {p: left(*p, place) for p in ((a, b), (a, c), (b, c), (a, d), (b, d))}
        with np.errstate(divide="ignore", invalid="ignore"):
            first = np.sqrt(product[a, b] * product[a, c] / np.float64(product[b, c]))
            second = np.sqrt(product[a, b] * product[a, d] / np.float64(product[b, d]))
        if np.isfinite(first) and np.isfinite(second):
            sure = abs(first - second) < 1e-3
            yield Found(
                "products", a, str(true.record[whole]), float(first), bool(sure),
                abs(float(exact[a][place])), float(np.abs(np.delete(exact[a], place)).mean()),
            )  # fmt: skip


def mean_beyond_the_cut(true: Units, seen: Units, link: str, error: float) -> Iterator[Found]:
    """The mean size of residuals beyond a cut less all others'."""
    exact, told = np.abs(true.residual[link]), np.abs(seen.residual[link])
    for place in range(len(exact)):
        estimate = told.sum() - np.delete(exact, place).sum()
        sure = 2.0 * np.sqrt(len(exact)) * error <= close(link)
        guess = float(np.delete(exact, place).mean())
        yield Found(
            "beyond the cut", link, str(true.record[place]), float(estimate), bool(sure), exact[place], guess
        )


ONE_SET = (lone_covariate, all_but_one_known, by_its_square, all_but_two_known, all_but_three_known)


def close(link: str) -> float:
    """How near to a reading of a link an answer must be to have recovered it [degrees]."""
    return CLOSE.get(link, HALF_A_DEGREE)


def _others(y: Floats, place: int) -> float:
    return float(np.delete(y, place).mean())


def _on_grid(values: Floats) -> bool:
    return bool(np.abs(values * GRID - np.round(values * GRID)).max() < 1e-3)


def _found(attack: str, told: Told, place: int, estimate: float, sure: bool, guess: float) -> Found:
    record = told.records[place]
    return Found(attack, told.link, record, float(estimate), bool(sure), float(told.rows[-1][place]), guess)


def table_of(found: list[Found], by: str = "attack") -> pd.DataFrame:
    """Readings that have an answer; those recovered, of how many units; near by the answer, near by a guess.

    Recovered is an answer that the attacker is sure of and that is right to half a degree.
    """
    frame = pd.DataFrame(found, columns=list(Found.__dataclass_fields__))
    limit = frame["link"].map(close)
    frame["near"] = (frame["estimate"] - frame["truth"]).abs() <= limit
    frame["near_by_guess"] = (frame["guess"] - frame["truth"]).abs() <= limit
    frame["recovered"] = frame["near"] & frame["sure"].astype(bool)
    table = frame.groupby(by)[["recovered", "near", "near_by_guess"]].sum()
    table["answers"] = frame.groupby(by).size()
    table["units"] = frame[frame["recovered"]].groupby(by)["record"].nunique()
    return table.fillna(0).astype(int)
