"""Judge a gauge study: `fleet gauge`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.columns import COLUMNS, Column
from fleet.errors import FleetError
from fleet.numerals import unknown

if TYPE_CHECKING:
    import pandas as pd

    from fleet.bench_trust.gauge import Gauge

_NOT_READ: Final = ("compliance_frequency_hz", "hours_used", "bench_minutes")
_ANY_FIGURE: Final = 1e12
_PARTS: Final = {
    "repeatability": "repeatability (one hand)",
    "operator": "operators",
    "interaction": "operator by unit",
    "reproducibility": "reproducibility",
    "gauge": "gauge, all of it",
    "unit": "units",
    "total": "total",
}


def gauge(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Columns unit, operator, trial and a reading; - is CSV.")
    ],
    reading: Annotated[
        str | None,
        typer.Option(
            "--reading", metavar="COLUMN", help="Which column; every reading if left out.", show_default=False
        ),
    ] = None,
    tolerance: Annotated[
        float | None,
        typer.Option(
            "--tolerance",
            min=1e-9,
            help="Width of what is accepted; 2 for the dynamic rake.",
            show_default=False,
        ),
    ] = None,
    within: Annotated[
        float | None,
        typer.Option(
            "--within",
            min=1e-9,
            help="How sure an important unit must be, ± with 95 %; a tenth of the tolerance if left out.",
            show_default=False,
        ),
    ] = None,
    out: common.OutOption = None,
) -> None:
    """Judge a gauge study: repeatability, reproducibility, who reads off, how often to read a unit.

    Several operators read several units, several times each; not all need the same number. Needs no store.
    """
    import pandas as pd

    from fleet.bench_trust.gauge import gauge as judge

    data, readings = _study(file, reading)
    if len(readings) > 1 and (tolerance is not None or within is not None):
        raise FleetError("--tolerance and --within speak of one reading; name it with --reading.")
    found = [judge(data, name, tolerance=tolerance, within=within) for name in readings]
    parts = [g.components.assign(reading=g.reading, **_ndc_columns(g)) for g in found]
    rows = pd.concat(parts, ignore_index=True)
    if common.write_out(rows[["reading", *(n for n in rows if n != "reading")]], out) and out is None:
        for g in found:
            show_gauge(g)


def _ndc_columns(g: Gauge) -> dict[str, pd.Series]:
    """Distinct categories of each row's method."""
    method = g.components["method"]
    return {
        name: method.map({m: values[i] for m, values in g.ndc.items()})
        for i, name in enumerate(("ndc", "ndc_low", "ndc_high"))
    }


def _study(file: Path, reading: str | None) -> tuple[pd.DataFrame, list[str]]:
    """The study's rows, checked, and the readings in it."""
    from fleet.intake.checks import check_table
    from fleet.intake.reader import read_table

    numbers = {n: c for n, c in COLUMNS.items() if c.kind == "number" and n not in _NOT_READ}
    name = reading or "reading"
    known: dict[str, Column] = {
        "unit": Column("unit", "text", required=True, note="which pickup"),
        "operator": Column("operator", "code", required=True, note="who read"),
        "trial": Column("trial", "number", low=0, high=_ANY_FIGURE, note="which of the repeats"),
        **numbers,
    }
    if name not in known:
        known[name] = Column(name, "number", low=-_ANY_FIGURE, high=_ANY_FIGURE, note="the reading")
    table_read = read_table(file, known)
    there = [n for n in known if n in table_read.columns and n not in ("unit", "operator", "trial")]
    if reading is not None:
        there = [n for n in there if n == reading]
    if not there:
        raise FleetError(
            f"{table_read.file} has no column {name}; name the column of the readings with --reading."
            if reading
            else f"{table_read.file} has no reading that is known; name its column with --reading COLUMN."
        )
    checked = check_table(table_read, known, key=None)
    if checked.faults:
        common.show_faults(checked.faults)
        common.warn(f"{checked.put_aside} rows of {checked.file} were left out.")
    return checked.good, there


def show_gauge(g: Gauge) -> None:
    """Print one reading's study for a reader."""
    say(f"{g.reading}: {g.units} units, {g.operators} operators, {g.readings} readings.")
    say(g.sentence)
    rows = g.components.set_index(["method", "part"])
    for method, title in (("anova", "By analysis of variance"), ("reml", "By REML")):
        own = rows.loc[method]
        note = ""
        if method == "anova":
            note = " (operator by unit taken for repeatability)" if g.pooled else ""
        value, low, high = g.ndc[method]
        say(f"{title}{note}: {_whole(value)} distinct categories ({_whole(low)} to {_whole(high)}).")
        columns = {
            "": [_PARTS[str(name)] for name in own.index],
            "sd": list(own["sd"]),
            "from": list(own["sd_low"]),
            "to": list(own["sd_high"]),
            "% of variance": [f"{100 * v:.2f}" for v in own["of_variance"]],
            "% of spread": [f"{100 * v:.2f}" for v in own["of_spread"]],
        }
        if g.tolerance is not None:
            columns["6 sd, % of tolerance"] = [f"{100 * v:.2f}" for v in own["of_tolerance"]]
        say(table(columns, digits=4))
    _show_anova(g)
    own = g.habits
    say("Operators against their mean (95 %, all at once):")
    shown = {
        "operator": list(own["operator"]),
        "readings": list(own["readings"]),
        "offset": [f"{v:+.3f}" for v in own["offset"]],
        "from": [None if unknown(float(v)) else f"{v:+.3f}" for v in own["offset_low"]],
        "to": [None if unknown(float(v)) else f"{v:+.3f}" for v in own["offset_high"]],
        "off": ["yes" if off else "" for off in own["off"]],
    }
    say(table(shown, digits=3))
    say("A mean of so many readings is within ± (95 %):")
    repeats = {
        "readings": list(g.repeats["readings"]),
        "by one operator": list(g.repeats["one_operator"]),
        "by operators in turn": list(g.repeats["operators_in_turn"]),
    }
    say(table(repeats, digits={"by one operator": 3, "by operators in turn": 3}))
    for caution in g.cautions:
        say(caution)


def _whole(value: float) -> str:
    return "no end of" if value == float("inf") else str(max(int(value), 1))


def _show_anova(g: Gauge) -> None:
    own = g.anova_table
    columns = {
        "source": [_PARTS.get(name, name) for name in own["source"]],
        "df": list(own["df"]),
        "sum of squares": list(own["ss"]),
        "mean square": list(own["ms"]),
        "F": [None if unknown(float(v)) else f"{v:.2f}" for v in own["f"]],
        "p": [None if unknown(float(v)) else "<0.0001" if v < 1e-4 else f"{v:.4f}" for v in own["p"]],
    }
    say(table(columns, digits=4))
