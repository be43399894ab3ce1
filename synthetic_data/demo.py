"""The demo bench: an invented fleet, made on the fly from a fixed seed.

Nothing in it is a real pickup, maker or owner; bench code, sheet numbers and serials say `DEMO`.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from synthetic_data.watch import check_pickup
from synthetic_data.world import World, WorldSpec

DEMO_SEED = 21
"""Of the seeds 11 to 30 the one whose list of suspects comes nearest their average: .095 of it false, .64 of
the faulty units found."""
DEMO_LABEL = "Invented demo bench: no real pickup, maker or owner."
_SHEETS, _ENQUIRIES, _WEEKS, _CREEP_WEEKS = 900, 40, 229, 30


@dataclass(frozen=True)
class Demo:
    """The demo bench's frames.

    Attributes
    ----------
    sheets : DataFrame
        Bench sheets, canonical columns: 900 of customers' units and one a week of the check pickup.
    enquiries : DataFrame
        40 later enquiries, half told.
    outcomes : DataFrame
        What the bench then read of them.
    known_faults : DataFrame
        `sheet_no`, `fault`: which sheets carry which invented fault or slip (`misread`).
    label : str
        The sentence that says it is invented.
    """

    sheets: pd.DataFrame
    enquiries: pd.DataFrame
    outcomes: pd.DataFrame
    known_faults: pd.DataFrame
    label: str = DEMO_LABEL


def _mark(frame: pd.DataFrame) -> pd.DataFrame:
    """Put `DEMO-` before sheet numbers, serials and enquiry numbers."""
    marked = frame.copy()
    for name in ("sheet_no", "serial", "enquiry_id"):
        if name in marked:
            marked[name] = ("DEMO-" + marked[name].astype("str")).where(marked[name].notna())
    return marked


def demo_fleet(out_dir: Path | None = None, *, seed: int = DEMO_SEED) -> Demo:
    """Make the demo bench; with `out_dir`, also write it there as CSV.

    Parameters
    ----------
    out_dir : Path, optional
        Folder for `demo-sheets.csv`, `demo-enquiries.csv`, `demo-outcomes.csv`, `demo-known-faults.csv`;
        made if it is not there.
    seed : int
        Another seed is another bench.

    Returns
    -------
    Demo
        The same frames every time for the same seed.
    """
    spec = WorldSpec(
        seed=seed,
        n_families=24,
        profiles=("elliptical", "line_contact", "narrow_edge"),
        retip_share=0.1,
        bench="demo",
    )
    world = World(spec)
    sheets, truth = world.sheets(_SHEETS)
    enquiries, outcomes, asked = world.enquiries(_ENQUIRIES, new_family_share=0.08, visit_share=0.1)
    checks = check_pickup(world, _WEEKS, drift_deg_per_week=0.02, drift_from_week=_WEEKS - _CREEP_WEEKS)
    known = pd.concat([truth, asked])[["sheet_no", "fault"]]
    demo = Demo(
        sheets=_mark(pd.concat([sheets, checks], ignore_index=True)),
        enquiries=_mark(enquiries),
        outcomes=_mark(outcomes),
        known_faults=_mark(known[known["fault"] != "healthy"].reset_index(drop=True)),
    )
    if out_dir is not None:
        out_dir.mkdir(parents=True, exist_ok=True)
        for name in ("sheets", "enquiries", "outcomes", "known_faults"):
            file = out_dir / f"demo-{name.replace('_', '-')}.csv"
            getattr(demo, name).to_csv(file, index=False, date_format="%Y-%m-%d")
    return demo
