"""Options that name an arm, for `fleet zenith` and `fleet reach`."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer


class Limits(StrEnum):
    """Recorded radii by standard."""

    IEC = "iec"
    DIN = "din"
    JIS = "jis"


LimitsOption = Annotated[Limits, typer.Option("--limits", help="Recorded radii of which standard.")]
LengthOption = Annotated[
    float, typer.Option("--effective-length-mm", min=100, max=500, metavar="mm", help="Stylus tip to pivot.")
]
