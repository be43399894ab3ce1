"""Target policies kept in the store under their fingerprint, so that an old result can be made again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fleet.errors import FleetError
from fleet.store.connection import utc_now
from fleet.store.store import Store, as_frame

if TYPE_CHECKING:
    import pandas as pd

_KEEPING_WAIT_S = 1.0


def keep_policies(store: Store, texts: Mapping[str, str]) -> bool:
    """Keep policies that the store doesn't hold yet; never in the way of what they are used for.

    Parameters
    ----------
    store : the store; where there is none, none is made.
    texts : text of each policy file by fingerprint.

    Returns
    -------
    Whether the store holds them all now; it may be in use, or may only be read.
    """
    if not store.path.exists():
        return False
    try:
        with store.reader() as con:
            known = {row[0] for row in con.execute("select fingerprint from policy").fetchall()}
        new = [[name, text, utc_now().date()] for name, text in texts.items() if name not in known]
        if new:
            with store.writer(wait_s=_KEEPING_WAIT_S) as con:
                for row in new:
                    con.execute("insert or ignore into policy values (?, ?, ?)", row).fetchall()
    except FleetError:
        return False
    return True


def list_policies(store: Store) -> pd.DataFrame:
    """Kept policies, oldest first: `fingerprint`, `first_used_on`, `text`."""
    with store.reader() as con:
        return as_frame(
            con, "select fingerprint, first_used_on, text from policy order by first_used_on, fingerprint"
        )


def policy_text(store: Store, fingerprint: str) -> str:
    """The text of a kept policy.

    Parameters
    ----------
    store : the store.
    fingerprint : as results name it, or its first digits, at least four.

    Raises
    ------
    FleetError
        If the store holds none of it, or several begin so.
    """
    if len(fingerprint) < 4:
        raise FleetError("give at least four digits of the fingerprint.")
    with store.reader() as con:
        found = con.execute(
            "select text from policy where starts_with(fingerprint, ?)", [fingerprint.lower()]
        ).fetchall()
    if not found:
        raise FleetError(
            "the store holds no policy of that fingerprint; fleet policies lists those it holds."
        )
    if len(found) > 1:
        raise FleetError(f"{len(found)} policies begin so; give more digits.")
    return str(found[0][0])
