"""Tallies of other benches: taken in, kept, and made ready to be fitted with one's own."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from fleet.errors import FleetError
from fleet.files.door import read_whole
from fleet.store.sharing import KeptTallies, identity, keep_tallies, kept_tallies
from fleet.tallies.files import LARGEST_FILE
from fleet.tallies.pooling import CODED, SharedTallies

if TYPE_CHECKING:
    from fleet.store import Store

SAME: Final = {"none": (), "families": ("family",), "sources": ("source",), "all": CODED}
"""Whose codes mean the same at both benches, as the user says it."""


def take_in(
    store: Store, path: Path, *, code: str | None = None, same_codes: str = "none"
) -> KeptTallies | None:
    """Take another bench's tallies in; those that it sent before give way.

    Parameters
    ----------
    store, path : where to, where from
    code : what the bench is called here; None takes what the file says
    same_codes : a key of `SAME`

    Returns
    -------
    What is kept, or None if just this was there already.

    Raises
    ------
    FleetError
        If the file can't be read, or the bench has no code.
    """
    from fleet.sharing.files import CODE, read_exported

    raw = read_whole(path, told=f"{path} can't be read", most=LARGEST_FILE)
    exported = read_exported(raw, path.name)
    name = code or exported.bench
    if not name:
        raise FleetError(f"{path.name} doesn't say which bench it is from; name it with --as CODE")
    if not CODE.fullmatch(name):
        raise FleetError("a bench's code has up to 24 letters, digits, dots, dashes or underscores")
    if same_codes not in SAME:
        raise FleetError(f"--same-codes {same_codes}: expected one of {', '.join(SAME)}")
    with store.reader() as con:
        own = identity(con)
    if exported.identity == own:
        raise FleetError(f"{path.name} is this store's own export; its sheets are here already")
    digest = hashlib.sha256(raw).hexdigest()
    for there in kept_tallies(store):
        if there.identity == exported.identity and there.code != name:
            raise FleetError(
                f"that bench's tallies are here already, as {there.code}; a bench counts once "
                f"(fleet merge --drop {there.code} takes them out)"
            )
        if there.code == name and there.identity != exported.identity:
            raise FleetError(f"another bench is called {name} here; name this one with --as CODE")
        if (there.code, there.digest, there.same_codes) == (name, digest, same_codes):
            return None
    kept = KeptTallies(
        name,
        exported.identity,
        digest,
        exported.made_on,
        int(exported.tallies.units),
        exported.smallest,
        same_codes,
        raw,
    )
    keep_tallies(store, kept)
    return kept


def merged_tallies(store: Store) -> list[tuple[KeptTallies, SharedTallies]]:
    """Other benches' tallies, coded as here; those withdrawn are left out."""
    told_by = [k for k in kept_tallies(store) if k.file]
    if not told_by:
        return []
    from fleet.sharing.files import read_exported

    out = []
    for kept in told_by:
        told = read_exported(kept.file, f"what {kept.code} sent").tallies
        out.append((kept, told.coded_as(kept.code, SAME[kept.same_codes])))
    return out


def lent_units(kept: Iterable[KeptTallies]) -> tuple[str, ...]:
    """How many units other benches told of, in a sentence of its own without full stop; none if none did."""
    told = [f"{k.code} {k.units}" for k in kept]
    return (f"units that other benches told of, counted among these: {', '.join(told)}",) if told else ()
