"""Changing the token key: the key file first, then every token of the store in one transaction."""

from __future__ import annotations

import os
import secrets
from typing import TYPE_CHECKING, Final

from fleet.errors import FleetError
from fleet.files.places import key_path
from fleet.files.replacing import exclusive, put_in_place
from fleet.files.tokens import TokenKey, next_key_path, read_key_file, write_key_file

_WAIT_S: Final = 60.0
"""How long one change of key waits for another [s]."""

if TYPE_CHECKING:
    from fleet.store import Store


def change_token_key(store: Store) -> int:
    """Give a store's units tokens under a new key, or bring a store up to a key that was changed before.

    The new key file lies beside the old one until the store has changed, so an interrupted change is finished
    by asking for it again. Earlier secrets stay in the key file: they are what turns a serial into its token.

    Parameters
    ----------
    store : the store; other stores under the same key are brought up by the same call on each.

    Returns
    -------
    How many units have a new token.

    Raises
    ------
    FleetError
        If the key is not in a key file, or the store was made with a key that it doesn't hold.
    """
    if os.environ.get("FLEET_SECRET"):
        raise FleetError(
            "the key in FLEET_SECRET cannot be changed; only a key file remembers the earlier keys."
        )
    with exclusive(key_path(), wait_s=_WAIT_S, what="the key file") as place:
        key = read_key_file(place)
        if key is None:
            raise FleetError(f"there is no key file {key_path()} to change; set FLEET_KEY_FILE.")
        noted = store.key_check()
        pending = read_key_file(next_key_path())
        if pending is None and noted in {None, key.check}:
            pending = TokenKey(secrets.token_bytes(32), (*key.earlier, key.secret))
            write_key_file(next_key_path(), pending)
        new = pending or key
        changed = _bring_up(store, new)
        if pending is not None:
            try:
                put_in_place(next_key_path(), place)
            except OSError as error:
                why = (error.strerror or type(error).__name__).lower()
                raise FleetError(
                    f"cannot write {key_path()}: {why}; the store has its new tokens already: see to it, "
                    "then give the command again."
                ) from error
        return changed


def _bring_up(store: Store, key: TokenKey) -> int:
    from fleet.store import change_key

    noted = store.key_check()
    if noted is None:
        return 0
    if noted not in key.checks:
        raise FleetError(
            "the store was made with a key that the key file doesn't hold; set FLEET_KEY_FILE to its own."
        )
    return change_key(
        store, lambda token: key.retoken(token, since=noted), old_check=noted, new_check=key.check
    )
