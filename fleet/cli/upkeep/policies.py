"""List the target policies used so far, or give one back: `fleet policies`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fleet.cli import common
from fleet.cli.common import say
from fleet.cli.tables import table
from fleet.errors import FleetError


def policies(
    fingerprint: Annotated[
        str | None,
        typer.Argument(
            metavar="[FINGERPRINT]",
            help="As results name it, or its first digits; without it, all are listed.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Write the policy to this .toml file; else it is printed."
        ),
    ] = None,
    store: common.StoreOption = None,
) -> None:
    """List the target policies that results in this store were made under, or give an old one back.

    quote, attainment and suspects keep a --policy FILE the first time they use it. Names are not kept.
    """
    from fleet.store.policies import list_policies, policy_text

    where = common.the_store(store).open()
    if fingerprint is None:
        if out is not None:
            raise FleetError("--out needs a fingerprint: which policy?")
        kept = list_policies(where)
        say(f"{len(kept)} {'policy' if len(kept) == 1 else 'policies'} kept.")
        if len(kept):
            names = ("fingerprint", "first_used_on")
            say(table({name: list(kept[name]) for name in names}))
        return
    text = policy_text(where, fingerprint)
    if out is None:
        say(text.rstrip())
        return
    common.check_new_toml(out)
    common.write_text(text, out)
    say(f"Wrote {out}. Use it with: --policy {out}")
