"""Look the whole store through: `fleet check`."""

from __future__ import annotations

from fleet.cli import common
from fleet.cli.common import say
from fleet.errors import FleetError


def check(store: common.StoreOption = None) -> None:
    """Look the whole store through: every block is read, every row accounted for."""
    from fleet.store import check_store

    health = check_store(common.the_store(store))
    say(health.sentence)
    if health.problems:
        raise FleetError(f"{'; '.join(health.problems)}. Take the newest backup: fleet restore BACKUP")
