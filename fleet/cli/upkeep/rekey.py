"""Give every unit a token under a new key: `fleet rekey`."""

from __future__ import annotations

from fleet.cli import common
from fleet.cli.common import say


def rekey(store: common.StoreOption = None) -> None:
    """Give every unit a token under a new key, in one transaction; for a key that others may know.

    The key file keeps the earlier keys. Other stores under the same key need the same command once each.
    """
    from fleet.files.places import key_path
    from fleet.intake import change_token_key

    say(f"{change_token_key(common.the_store(store).open())} units have new tokens.")
    say(f"Keep a copy of the new key apart from the store: {key_path()}. No backup of the store holds it.")
