"""Write tallies that other benches can learn from: `fleet export`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from fleet.cli import common, files_out
from fleet.cli.common import say, warn
from fleet.errors import FleetError

if TYPE_CHECKING:
    from fleet.store import Store


def export(
    file: Annotated[
        Path | None, files_out.own_file("", "Where to write the tallies, e.g. ours.npz.", ".npz")
    ] = None,
    bench: Annotated[
        str | None,
        typer.Option(
            "--as", metavar="CODE", help="Code that the bench goes by; none if left out.", show_default=False
        ),
    ] = None,
    min_units: common.MinUnitsOption = None,
    rows: Annotated[
        Path | None,
        files_out.own_file(
            "--rows", "One row a sheet instead, .parquet: for your own use, not to share.", ".parquet"
        ),
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """Write tallies that other benches can learn from: sums over groups of units, no single one.

    No sheet number, token, operator or date is in them. A later export adds groups; it never changes one by
    fewer units than the smallest group, so two exports can't be subtracted (fleet explain sharing).
    """
    if (file is None) == (rows is None):
        raise FleetError(
            "say what to write: fleet export FILE for tallies, or --rows FILE for one row a sheet."
        )
    where = common.the_store(store).open()
    if rows is not None:
        _rows(where, rows)
        return
    from fleet.sharing.exchange import export_tallies

    assert file is not None
    files_out.make_way(file)
    with common.progress() as tell:
        done = export_tallies(where, file, bench=bench or "", smallest=min_units, progress=tell)
    say(f"Wrote {file}: {done.sentence}")
    say("Another bench takes it in with: fleet merge FILE")


def _rows(store: Store, path: Path) -> None:
    from fleet.sharing.rows import export_rows

    files_out.make_way(path)
    count = export_rows(store, path)
    say(f"Wrote {path}: {count} sheets, one row each.")
    warn(
        "This file is pseudonymous, not anonymous: a rare pickup in a known month can be told from its row. "
        "Keep it for your own use; share tallies instead (fleet export FILE)."
    )
