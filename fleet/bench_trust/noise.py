"""Reading noise as daily work shows it: from repeats of a unit within weeks, by quantity, bench and operator.

Readings of one unit within `EPISODE_DAYS` on one bench are an episode: they differ by noise, and by who read.
Model per quantity: ``reading = episode + operator + noise`` by least squares; each operator's own variance by
`fleet.bench_trust.operators`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from fleet.bench_trust.operators import operator_variances
from fleet.bench_trust.watch import check_pickups
from fleet.house_model.chain import READINGS
from fleet.numerals import figure, span, with_sign
from fleet.words import quantity

Floats = NDArray[np.float64]
EPISODE_DAYS: Final = 92
SLIP_SIGMAS: Final = 4.0
LEVEL: Final = 0.95
SMALLEST_DOF: Final = 5.0
_MAD_TO_SD: Final = 1.482602218505602


@dataclass(frozen=True)
class Noise:
    """Reading noise of a bench's work.

    Attributes
    ----------
    table : a row a quantity and group: `reading`, `unit`, `bench` ("" all), `operator` ("" all), `readings`,
        `dof`, `sd`, `sd_low`, `sd_high` (95 %), `slips` (readings left out as slips, beyond 4 sigmas)
    operators : a row a quantity, bench and operator that shares units with others: `offset` from the mean of
        the operators, `offset_se`, `offset_low`, `offset_high` (95 % for all operators and quantities at
        once), `off`
    sentence : the answer
    """

    table: pd.DataFrame
    operators: pd.DataFrame
    sentence: str


def repeat_noise(sheets: pd.DataFrame) -> Noise:
    """Estimate reading noise from whatever was read more than once.

    Parameters
    ----------
    sheets : `unit`, `measured_on`, `bench`, the readings; `operator` if noted.  Check pickups count too (see
        `fleet.bench_trust.watch.check_pickups`)
    """
    if "purpose" in sheets:
        units = sheets[sheets["purpose"] != "reference"]
        sheets = pd.concat([units, check_pickups(sheets)], ignore_index=True)
    sheets = sheets[sheets.duplicated(["bench", "unit"], keep=False)]  # read once tells nothing
    frame = sheets.assign(measured_on=pd.to_datetime(sheets["measured_on"]))
    frame = frame.assign(unit=frame["unit"].astype(str), bench=frame["bench"].astype(str))
    who = frame["operator"] if "operator" in frame else pd.Series("", index=frame.index)
    frame = frame.assign(operator=who.astype("str").where(who.notna(), ""))
    frame = frame.sort_values(["bench", "unit", "measured_on"], kind="stable").reset_index(drop=True)
    frame["episode"] = _episodes(frame)
    tables, offsets = [], []
    quantities = [name for name in READINGS if name in frame and frame[name].notna().any()]
    for reading in quantities:
        rows, shifts = _one_reading(frame[frame[reading].notna()], reading, len(quantities))
        tables += rows
        offsets += shifts
    table = pd.DataFrame(tables, columns=list(_COLUMNS))
    operators = pd.DataFrame(offsets, columns=list(_OFFSETS))
    return Noise(table, operators, _sentence(table, operators))


def noise_over_time(sheets: pd.DataFrame, per: str) -> pd.DataFrame:
    """Reading noise of each period by quantity and bench: does it grow?

    Parameters
    ----------
    sheets : as for `repeat_noise`
    per : `year`, `quarter` or `month`; an episode counts where all of it lies in one

    Returns
    -------
    DataFrame
        The rows of `Noise.table` that speak of no single operator, with `period` in front.
    """
    days = pd.to_datetime(sheets["measured_on"])
    periods = days.dt.to_period({"year": "Y", "quarter": "Q", "month": "M"}[per]).astype("str")
    parts = []
    for period in sorted(periods.unique()):
        own = repeat_noise(sheets[(periods == period).to_numpy()]).table
        parts.append(own[own["operator"] == ""].drop(columns="operator").assign(period=period))
    table = pd.concat(parts, ignore_index=True)
    names = ["period", *(name for name in table if name != "period")]
    return table[names].sort_values(["reading", "bench", "period"], kind="stable", ignore_index=True)


_COLUMNS: Final = (
    "reading", "unit", "bench", "operator", "readings", "dof", "sd", "sd_low", "sd_high", "slips",
)  # fmt: skip
_OFFSETS: Final = (
    "reading", "unit", "bench", "operator", "readings", "offset", "offset_se", "offset_low", "offset_high",
    "off",
)  # fmt: skip


def _episodes(frame: pd.DataFrame) -> NDArray[np.int64]:
    """Number of each row's episode: same bench and unit, within so many days of its first reading."""
    out = np.zeros(len(frame), dtype=np.int64)
    number, start, key = -1, np.datetime64("NaT"), ("", "")
    days = frame["measured_on"].to_numpy().astype("datetime64[D]")
    for i, own in enumerate(zip(frame["bench"], frame["unit"], strict=True)):
        if own != key or not days[i] - start <= np.timedelta64(EPISODE_DAYS, "D"):
            number, start, key = number + 1, days[i], own
        out[i] = number
    return out


def _one_reading(
    frame: pd.DataFrame, reading: str, quantities: int
) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    frame = frame[frame.groupby("episode")["episode"].transform("size") > 1]
    slips = pd.Series(0, index=frame.index)
    if len(frame):
        rest, left = _rest(frame, reading)
        scale = np.sqrt(np.maximum(left, 1e-9))
        rough = (
            _MAD_TO_SD * float(np.median(np.abs(rest / scale)[left > 1e-9])) if (left > 1e-9).any() else 0.0
        )
        beyond = np.abs(rest) > SLIP_SIGMAS * max(rough, 1e-6) * scale
        slips = pd.Series(beyond.astype(int), index=frame.index)
        kept = frame[slips == 0]
        kept = kept[kept.groupby("episode")["episode"].transform("size") > 1]
    else:
        kept = frame
    if kept.empty:
        return [], []
    rest, left = _rest(kept, reading)
    lost = frame[slips > 0]
    rows = [_row(kept, lost, rest, left, reading, "")]
    benches = sorted(kept["bench"].unique())
    for bench in benches:
        if len(benches) > 1:
            rows.append(_row(kept, lost, rest, left, reading, bench))
        rows += _hands(kept, lost, rest, left, reading, bench)
    shifts = [
        row
        for bench in benches
        for row in _operators(kept[kept["bench"] == bench], reading, bench, quantities)
    ]
    return rows, shifts


def _within(frame: pd.DataFrame, reading: str) -> tuple[Floats, Floats, list[tuple[str, str]], Floats]:
    """Readings and operator columns less their episode's mean, the operators, 1 / size of each episode."""
    keys = [(b, o) for b, o in sorted(set(zip(frame["bench"], frame["operator"], strict=True))) if o]
    owner = frame["bench"].to_numpy(dtype=str), frame["operator"].to_numpy(dtype=str)
    z = np.zeros((len(frame), len(keys)))
    for j, (bench, operator) in enumerate(keys):
        z[:, j] = (owner[0] == bench) & (owner[1] == operator)
    table = pd.DataFrame(z, index=frame.index).assign(y=frame[reading].astype(float))
    mean = table.groupby(frame["episode"]).transform("mean")
    centred = (table - mean).to_numpy()
    size = frame.groupby("episode")["episode"].transform("size").to_numpy(dtype=float)
    return centred[:, -1], centred[:, :-1], keys, 1.0 / size


def _rest(frame: pd.DataFrame, reading: str) -> tuple[Floats, Floats]:
    """Residuals, and the part of each row that the fit leaves free (1 - its leverage)."""
    y, z, _, share = _within(frame, reading)
    u, s, _ = np.linalg.svd(z, full_matrices=False)
    basis = u[:, s > 1e-8]  # no column at all where nobody noted who read
    return y - basis @ (basis.T @ y), 1.0 - share - (basis**2).sum(axis=1)


def _row(
    kept: pd.DataFrame, lost: pd.DataFrame, rest: Floats, left: Floats, reading: str, bench: str
) -> tuple[object, ...]:
    """Noise of a bench, or of all."""
    own = np.ones(len(kept), dtype=bool) if bench == "" else (kept["bench"] == bench).to_numpy()
    dof = float(left[own].sum())
    variance = float((rest[own] ** 2).sum() / dof) if dof > 0.5 else float("nan")
    slips = len(lost) if bench == "" else int((lost["bench"] == bench).sum())
    return (reading, quantity(reading).unit, bench, "", int(own.sum()), *_spread(variance, dof), slips)


def _hands(
    kept: pd.DataFrame, lost: pd.DataFrame, rest: Floats, left: Floats, reading: str, bench: str
) -> list[tuple[object, ...]]:
    """Noise of each operator of a bench."""
    own = (kept["bench"] == bench).to_numpy()
    who, slipped = kept["operator"].to_numpy(dtype=str)[own], lost[lost["bench"] == bench]
    found = operator_variances(rest[own], who, kept["episode"].to_numpy()[own], float(left[own].sum()))
    rows = []
    for name in sorted(set(who) - {""}):
        variance, dof, low, high = found.get(name, (float("nan"), 0.0, float("nan"), float("nan")))
        limits = (low, high) if dof >= SMALLEST_DOF else (float("nan"), float("nan"))
        spread = (round(dof, 1), *(float(np.sqrt(v)) for v in (variance, *limits)))
        slips = int((slipped["operator"] == name).sum())
        rows.append((reading, quantity(reading).unit, bench, name, int((who == name).sum()), *spread, slips))
    return rows


def _spread(variance: float, dof: float) -> tuple[float, float, float, float]:
    """Degrees of freedom, standard deviation and its 95 % limits; none where there is too little."""
    sd = float(np.sqrt(variance))
    if not dof >= SMALLEST_DOF:
        return round(dof, 1), sd, float("nan"), float("nan")
    low, high = (
        float(sd * np.sqrt(dof / stats.chi2.ppf(q, dof))) for q in ((1 + LEVEL) / 2, (1 - LEVEL) / 2)
    )
    return round(dof, 1), sd, low, high


def _operators(frame: pd.DataFrame, reading: str, bench: str, quantities: int) -> list[tuple[object, ...]]:
    """Each operator's offset from the mean of those who share units, with simultaneous intervals (Šidák)."""
    y, z, keys, share = _within(frame, reading)
    shared = np.flatnonzero((z**2).sum(axis=0) > 1e-9)
    if len(shared) < 2:
        return []
    z = z[:, shared]
    inverse = np.linalg.pinv(z.T @ z)
    rank = np.linalg.matrix_rank(z)
    if rank < len(shared) - 1:
        return []  # groups of operators that never read the same unit can't be compared
    dof = float((1.0 - share).sum()) - rank
    if dof < SMALLEST_DOF:
        return []
    effect = inverse @ (z.T @ y)
    rest = y - z @ effect
    variance = float(rest @ rest) / dof
    centre = np.eye(len(shared)) - 1.0 / len(shared)
    offset = centre @ effect
    error = np.sqrt(np.diag(centre @ inverse @ centre.T) * variance)
    wide = stats.t.ppf(0.5 + 0.5 * LEVEL ** (1.0 / len(shared) / quantities), dof)
    counts = frame["operator"].value_counts()
    return [
        (
            reading, quantity(reading).unit, bench, keys[j][1], int(counts[keys[j][1]]), float(o), float(e),
            float(o - wide * e), float(o + wide * e), bool(abs(o) > wide * e),
        )
        for j, o, e in zip(shared, offset, error, strict=True)
    ]  # fmt: skip


def _sentence(table: pd.DataFrame, operators: pd.DataFrame) -> str:
    if table.empty:
        return (
            f"No unit was read twice within {EPISODE_DAYS} days, so nothing is known of the reading noise: "
            "read a unit again now and then, or run a gauge study (fleet gauge)."
        )
    whole = table[(table["bench"] == "") & (table["operator"] == "")]
    known = whole[whole["sd_low"].notna()]
    said = "; ".join(
        f"{quantity(r['reading']).short} {figure(r['sd'], r['unit'])} ({span(r['sd_low'], r['sd_high'])})"
        for r in known.to_dict("records")
    )
    first = (
        f"One reading scatters by (standard deviation, 95 %): {said}." if said else "Too few repeats to tell."
    )
    off = operators[operators["off"]]
    if operators.empty:
        return f"{first} No two operators share units, so their habits can't be compared."
    if off.empty:
        return f"{first} No operator stands off the others by more than chance explains."
    names = "; ".join(
        f"{r['operator']} reads the {quantity(r['reading']).short} {with_sign(r['offset'], r['unit'])} off "
        f"the operators' mean"
        for r in off.to_dict("records")
    )
    return f"{first} {names}."
