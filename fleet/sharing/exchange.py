"""Give own tallies to other benches."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fleet.errors import FleetError
from fleet.files.replacing import write_whole
from fleet.sharing.files import CODE, Exported, tallies_bytes, tallies_of
from fleet.sharing.groups import bring_up_to_date

if TYPE_CHECKING:
    from fleet.store import Store


@dataclass(frozen=True)
class Export:
    """What was exported.

    Attributes
    ----------
    units, cells : how many units stand in how many cells
    waiting : units that wait for more of their like
    smallest : fewest units of a group
    """

    units: int
    cells: int
    waiting: int
    smallest: int

    @property
    def sentence(self) -> str:
        """What happened, in one sentence."""
        few = self.waiting < self.smallest
        rest = f"fewer than {self.smallest} wait" if few else f"about {self.rounded} wait"
        return (
            f"{self.units} units in {self.cells} cells, none of fewer than {self.smallest} units; "
            f"{rest if self.waiting else 'none wait'} for more of their like."
        )

    @property
    def rounded(self) -> int:
        """Units waiting, to the nearest multiple of the smallest group."""
        return self.smallest * round(self.waiting / self.smallest)


def export_tallies(
    store: Store,
    path: Path,
    *,
    bench: str = "",
    smallest: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> Export:
    """Write a store's tallies to a file for other benches.

    Parameters
    ----------
    store, path : where from, where to
    bench : code that the bench goes by in the file; "" for none
    smallest : smallest group; None takes the store's
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If there is nothing to tell, the code is no code, or the file can't be written.
    """
    if bench and not CODE.fullmatch(bench):
        raise FleetError("a bench's code has up to 24 letters, digits, dots, dashes or underscores")
    if not path.resolve().parent.is_dir():
        raise FleetError(f"there is no folder {path.parent}; make it first")
    published = bring_up_to_date(store, smallest=smallest, progress=progress)
    tallies = tallies_of(published)
    month = dt.date.today().replace(day=1)
    exported = Exported(bench, published.identity, month, published.smallest, tallies)
    write_whole(path, lambda file: file.write(tallies_bytes(exported)))
    return Export(int(tallies.units), len(tallies.cells), published.waiting, published.smallest)
