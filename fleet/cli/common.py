"""What the commands share: options, the store, policies, progress, faults, exit status."""

from __future__ import annotations

import datetime as dt
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from fleet.errors import FleetError
from fleet.files.places import default_path

if TYPE_CHECKING:
    from fleet.faults.likelihood_ratio import FaultPrior
    from fleet.house_model.house import House
    from fleet.intake import Fault
    from fleet.policy.policy import Policy
    from fleet.store import Store
    from fleet.store.sharing import Published

STORE_HELP: Final = "The store's file; else FLEET_STORE, else your own data folder."
MOST_FAULTS_SHOWN: Final = 50
MOST_ALIKE: Final = 5
"""Faults of one kind that are shown one by one."""

_COMMANDING: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")

root_store: ContextVar[Path | None] = ContextVar("root_store", default=None)
"""What `fleet --store PATH COMMAND` named, before the command."""


quiet: ContextVar[bool] = ContextVar("quiet", default=False)
"""Whether only tables that were asked for, warnings and faults are wanted (`fleet --quiet COMMAND`)."""

typed_words: ContextVar[tuple[str, ...]] = ContextVar("typed_words", default=())
"""What was typed after `fleet`."""


class Period(StrEnum):
    """How a table may be cut by time."""

    YEAR = "year"
    QUARTER = "quarter"
    MONTH = "month"


StoreOption = Annotated[
    Path | None, typer.Option("--store", metavar="PATH", help=STORE_HELP, show_default=False)
]


def writable(param: typer.CallbackParam, out: str | None) -> str | None:
    """Refuse a destination that can't be written, before any work is done for it."""
    from fleet.output import check_out, replace_anything

    check_out(out, option=param.opts[0])
    if out not in {None, "-"} and not replace_anything.get() and typed_words.get().count(str(out)) > 1:
        raise FleetError(
            f"{param.opts[0]} {out}: that file is read by the same command; choose another name."
        )
    return out


def table_file(option: str, what: str) -> Any:
    """An option that names a file for a table."""
    return typer.Option(option, metavar="FILE", help=what, show_default=False, callback=writable)


OutOption = Annotated[
    str | None,
    table_file(
        "--out", "Write the table to a .csv, .xlsx, .json or .parquet file; - is CSV on standard output."
    ),
]
PolicyFileOption = Annotated[
    Path | None,
    typer.Option(
        "--policy",
        metavar="FILE",
        help="TOML file of target policies (fleet explain policy); common practice if left out.",
        show_default=False,
    ),
]
PolicyNameOption = Annotated[
    str | None,
    typer.Option(
        "--policy-name",
        metavar="NAME",
        help="Which policy of the file; the one called default if left out.",
        show_default=False,
    ),
]
PriorOption = Annotated[
    Path | None,
    typer.Option(
        "--prior",
        metavar="FILE",
        help="TOML file of the workshop's own shares of faults (fleet explain verdicts).",
        show_default=False,
    ),
]
PerOption = Annotated[
    Period | None, typer.Option("--per", help="Cut each group by time.", show_default=False)
]
MinUnitsOption = Annotated[
    int | None,
    typer.Option(
        "--min-units",
        min=3,
        help="Smallest group, decided by the first publication; 5 unless told otherwise.",
        show_default=False,
    ),
]
SheetBenchOption = Annotated[
    str | None,
    typer.Option(
        "--bench", metavar="CODE", help="The sheet's bench, where several use its number.", show_default=False
    ),
]
ASKED = "asked"
"""The number of an enquiry that was typed, not read from a file."""


def column_begun(incomplete: str) -> list[str]:
    """Columns to group by, after those that stand there already, that begin like what was typed."""
    from fleet.columns import COLUMNS

    *before, last = incomplete.split(",")
    told = ["kind", *(n for n, c in COLUMNS.items() if c.kind in {"code", "word"})]
    return [",".join([*before, name]) for name in told if name.startswith(last) and name not in before]


def debug_wanted() -> bool:
    """Whether the user asked for tracebacks (`FLEET_DEBUG=1`)."""
    return os.environ.get("FLEET_DEBUG", "") not in {"", "0"}


def say(text: str = "") -> None:
    """Print for the reader on standard output."""
    if not quiet.get():
        typer.echo(harmless(text))


def warn(text: str) -> None:
    """Print for the reader on standard error, so that piped tables stay clean."""
    typer.echo(harmless(text), err=True)


def harmless(text: str) -> str:
    """Text without what commands a terminal or turns its direction, as a file's name may hold it."""
    return _COMMANDING.sub("?", text)


def store_path(given: Path | None) -> Path:
    """The store's path: the command's own option, else `fleet --store`, else the environment's."""
    return given or root_store.get() or default_path()


def the_store(given: Path | None) -> Store:
    """The store at `store_path`, not opened yet."""
    from fleet.store import Store

    return Store(store_path(given))


def the_house(store: Store) -> House:
    """The store's house model; says on standard error when sheets came in since it was fitted."""
    from fleet.fitting.kept_model import load_house

    with store.held():
        return _told_age(load_house(store), store)


def the_house_or_cold(given: Path | None) -> House:
    """The house model, or where there is none yet the one that stands on mechanics and common practice alone.

    A store that was named and isn't there is said to be absent, in case of a slip in its name.
    """
    store = the_store(given)
    named = given or root_store.get() or os.environ.get("FLEET_STORE")
    with store.held():
        from fleet.fitting.kept_model import house_or_prior

        house = house_or_prior(store)
        if house.units > 0.0:
            return _told_age(house, store)
    lacks = f"no store at {store.path} yet" if named and not store.path.exists() else "no house model yet"
    warn(f"Note: {lacks}; mechanics and common practice answer alone (fleet intake, fleet refit).")
    return house


def _told_age(house: House, store: Store) -> House:
    if store.changes_since(house.revision):
        warn("Note: sheets came in since the house model was fitted; `fleet refit` brings it up to date.")
    return house


def prior_for(store: Store, file: Path | None) -> FaultPrior:
    """Shares of faults to judge by: the file's or the documented ones, moved by the store's verdicts."""
    from fleet.faults.likelihood_ratio import FaultPrior
    from fleet.faults.verdicts import load_prior, prior_from_verdicts
    from fleet.store import count_faults

    base = FaultPrior() if file is None else load_prior(file)
    return prior_from_verdicts(base, count_faults(store)) if store.path.exists() else base


def published_groups(store: Store, policy: Policy, min_units: int | None) -> Published:
    """Groups that may be shown to others, with their counts; units that came in since join first."""
    from fleet.attainment.publishing import counting_rule, group_counts
    from fleet.sharing.groups import bring_up_to_date, publish_attainment

    with progress() as tell:
        ready = bring_up_to_date(store, smallest=min_units, progress=tell)
    return publish_attainment(
        store,
        ready,
        policy=counting_rule(policy),
        count=lambda sheets: group_counts(sheets, policy, ready.smallest),
    )


def day_of(text: str | None) -> dt.date:
    """The day that --on names; today if it was left out.

    Raises
    ------
    FleetError
        If it isn't written YYYY-MM-DD.
    """
    try:
        return dt.date.today() if text is None else dt.date.fromisoformat(text)
    except ValueError:
        raise FleetError("--on: a day is written YYYY-MM-DD, such as 2024-05-31.") from None


def check_new_toml(out: Path | None) -> None:
    """Refuse a name that is taken or doesn't end in .toml, before any work is done for it.

    Raises
    ------
    FleetError
        One line: which, and what to do.
    """
    if out is not None and (out.exists() or out.suffix != ".toml"):
        why = "is there already" if out.exists() else "should end in .toml"
        raise FleetError(f"--out {out}: {why}; choose another name.")


def write_text(text: str, out: Path) -> None:
    """Write a text file.

    Raises
    ------
    FleetError
        If the system refuses.
    """
    try:
        out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise FleetError(f"cannot write {out}: {(error.strerror or 'no reason told').lower()}.") from error


def policies_from(path: Path | None, name: str | None, *, keep_in: Store | None = None) -> dict[str, Policy]:
    """Policies by name; with a name given, that one stands as `default`.

    With a file given and a store to keep them in, the store remembers them by fingerprint (`fleet policies`).

    Raises
    ------
    FleetError
        If the file can't be read or holds no policy of that name.
    """
    from fleet.policy.files import load_policy, pick_policy
    from fleet.policy.policy import DEFAULT_NAME

    policies = load_policy(path)
    chosen = {**policies, DEFAULT_NAME: pick_policy(policies, name)}
    if path is not None and keep_in is not None:
        from fleet.policy.files import as_toml
        from fleet.store.policies import keep_policies

        keep_policies(keep_in, {policy.fingerprint: as_toml(policy) for policy in chosen.values()})
    return chosen


@contextmanager
def progress() -> Iterator[Callable[[str], None] | None]:
    """A line on a terminal's standard error that tells how far a long job is, wiped at its end; else None."""
    if not sys.stderr.isatty():
        yield None
        return

    def tell(step: str) -> None:
        sys.stderr.write(f"\r\x1b[2K{step}")
        sys.stderr.flush()

    try:
        yield tell
    finally:
        tell("")


def show_faults(faults: Iterable[Fault], *, rest: str = "") -> None:
    """Name every row put aside on standard error, one line a fault; many of one kind share a line.

    Parameters
    ----------
    faults : what was wrong.
    rest : what to say where there are more than a screen holds.
    """
    alike: dict[object, list[Fault]] = {}
    for fault in faults:
        alike.setdefault((fault.file, fault.column, fault.reason), []).append(fault)
    told = []
    for group in alike.values():
        told += [str(fault) for fault in group] if len(group) <= MOST_ALIKE else [_together(group)]
    for line in told[:MOST_FAULTS_SHOWN]:
        warn(f"  {line}")
    if len(told) > MOST_FAULTS_SHOWN:
        warn(f"  ... and {len(told) - MOST_FAULTS_SHOWN} more{rest}")


def _together(group: list[Fault]) -> str:
    """Many faults of one kind in one line."""
    lines = ", ".join(str(fault.line) for fault in group[:MOST_ALIKE])
    first = group[0]._replace(value="")
    where = f"{first.file} line {first.line}"
    return str(first).replace(where, f"{first.file}, {len(group)} rows (lines {lines}, ...)", 1)


def write_out(frame: Any, out: str | None) -> bool:
    """Write a result where the user wants it, and say so.

    Returns
    -------
    Whether standard output is still free for the reader.
    """
    if out is None:
        return True
    from fleet.output import STANDARD_OUTPUT, write_frame

    kept = write_frame(frame, out)
    if out == STANDARD_OUTPUT:
        return False
    if kept is not None:
        say(f"What stood there is kept as {kept}.")
    say(f"Wrote {out} ({len(frame)} row{'' if len(frame) == 1 else 's'}).")
    return True
