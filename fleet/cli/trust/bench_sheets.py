"""The sheets that `fleet watch`, `fleet noise` and `fleet budget` look at."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from fleet.cli import common
from fleet.errors import FleetError

if TYPE_CHECKING:
    import pandas as pd

LOOKED_AT: Final = (
    "sheet_no", "measured_on", "bench", "unit", "serial_token", "purpose", "operator", "body_family",
    "assembly_source", "temperature_c", "sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg",
    "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db",
)  # fmt: skip
"""Columns that watch and noise look at."""
BenchOption = Annotated[
    str | None, typer.Option("--bench", metavar="CODE", help="Only this bench.", show_default=False)
]


def sheets_of(file: Path | None, store: Path | None) -> pd.DataFrame:
    """Sheets of the store, or of a file through the same checks; its serials get tokens that aren't kept."""
    if file is None:
        return common.the_store(store).open().current(LOOKED_AT)
    import secrets

    from fleet.intake import TokenKey, read_sheets
    from fleet.intake.checks import check_sheets

    checked = check_sheets(read_sheets(file), key=TokenKey(secrets.token_bytes(32)))
    if checked.faults:
        common.show_faults(checked.faults)
        common.warn(f"{checked.put_aside} rows of {checked.file} were left out.")
    frame = checked.good.assign(unit=checked.good["serial_token"]).reset_index(drop=True)
    return frame[list(LOOKED_AT)]


def only_bench(sheets: pd.DataFrame, bench: str | None) -> pd.DataFrame:
    """Only the sheets of one bench; all where none is named."""
    if bench is None:
        return sheets
    own = sheets[sheets["bench"] == bench]
    if own.empty:
        known = ", ".join(sorted(sheets["bench"].dropna().unique())) or "none"
        raise FleetError(f"--bench {bench}: no such bench among the sheets; there are {known}.")
    return own
