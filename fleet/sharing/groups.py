"""Groups of units that are published together, formed once and then left as they are.

Every publication (tallies for other benches, attainment for other eyes) is made of the same groups, so
that no two of them can be subtracted to show fewer units than the smallest group.  New units wait until
there are enough of them; a group is withdrawn only when so many of its units have changed or gone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from fleet.errors import FleetError
from fleet.files.tokens import load_key, refuse_an_earlier_key
from fleet.house_model.chain import JUDGED
from fleet.sharing import content
from fleet.sharing.blur import blur_counts, blur_readings, blur_squares
from fleet.sharing.generalisation import Places, form_groups
from fleet.sharing.units import NAMES, Repeats, Units, records, repeats, some_of, teaching_units
from fleet.store.backup import catch_up, note_ledger
from fleet.store.sharing import (
    CUT,
    FAULTY,
    FORMAT,
    REPEATS,
    UNITS,
    KeptGroup,
    Published,
    blur_key,
    identity,
    keep_content,
    keep_groups,
    live_groups,
    note_published,
    note_up_to_date,
    publish_counts,
    published_under,
    spent_records,
    up_to_date,
    withdraw,
)
from fleet.store.tallies import TEACHING, gather

if TYPE_CHECKING:
    import pandas as pd

    from fleet.store import Store
    from fleet.store.connection import Connection

DEFAULT_SMALLEST: Final = 5
LEAST_SMALLEST: Final = 3

Counts = Mapping[str, Any]
Counter = Callable[["pd.DataFrame"], Counts]


def bring_up_to_date(
    store: Store, *, smallest: int | None = None, progress: Callable[[str], None] | None = None
) -> Published:
    """Form groups of the units that came in since the last publication; withdraw those that changed.

    Parameters
    ----------
    store : Store
    smallest : smallest group; None takes the store's, or `DEFAULT_SMALLEST` before its first publication
    progress : called with a few words before each step

    Raises
    ------
    FleetError
        If there is no sheet, the store has published with another smallest group, or it is from before its
        key was changed.
    """
    say = progress or (lambda _: None)
    if (token_key := load_key(make=False)) is not None:  # whose store and ledger name units alike
        refuse_an_earlier_key(token_key, store.key_check())
    catch_up(store)
    revision = store.revision()
    with store.reader() as con:
        least = _settle(con, smallest)
        if (ready := up_to_date(con)) is not None:
            return ready
        gathered = gather(con, TEACHING, progress=progress)
    say("forming groups")
    units = teaching_units(store.teaching(), gathered)
    again = repeats(store.current(), gathered.noise_sd)
    known = dict(zip(units.unit, units.record, strict=True))
    with store.writer() as con:
        note_published(con, min_units=_settle(con, smallest))
        _withdraw_changed(con, known, again.record, least)
        key = blur_key(con)
        _tell_anew(con, units, key, least)
        live, spent = live_groups(con), spent_records(con)
        keep_groups(con, _new_groups(units, again, live, spent, least, key))
        live, name = live_groups(con), identity(con) or ""
        held = {u for g in live if g.kind == UNITS for u in g.members}
        waiting = int(sum(u not in held for u in units.unit))
        note_up_to_date(con, revision=revision, waiting=waiting)
    note_ledger(store)
    return Published(tuple(live), least, waiting, name)


def _settle(con: Connection, smallest: int | None) -> int:
    """The store's smallest group, which its first publication decides."""
    kept, _ = published_under(con)
    if kept is not None and smallest not in {None, kept}:
        raise FleetError(
            f"this store has published groups of at least {kept} units; other sizes could be subtracted from "
            "those, so leave --min-units out"
        )
    least = kept or smallest or DEFAULT_SMALLEST
    if least < LEAST_SMALLEST:
        raise FleetError(
            f"the smallest group to publish must be at least {LEAST_SMALLEST} units, got {least}: of two, "
            "each owner can work the other one out"
        )
    return least


def _withdraw_changed(
    con: Connection, known: Mapping[str, str], repeated: Mapping[str, str], smallest: int
) -> None:
    for group in live_groups(con):
        now = repeated if group.kind == REPEATS else known
        unchanged = [u for u, record in group.members.items() if now.get(u) == record]
        if group.units - len(unchanged) >= smallest and group.group_id is not None:
            withdraw(con, group.group_id, unchanged=unchanged)


def _tell_anew(con: Connection, units: Units, key: str, smallest: int) -> None:
    """What groups of an older format give away is made anew of those units that are as they were.

    They stay the same groups, as their attainment is published already; one with too few such units left is
    withdrawn, and its units stand in no other.
    """
    place = {u: i for i, u in enumerate(units.unit)}
    for group in live_groups(con):
        if group.format >= FORMAT or group.group_id is None:
            continue
        same = [place[u] for u, r in group.members.items() if u in place and units.record[place[u]] == r]
        if group.kind == REPEATS:
            keep_content(con, group.group_id, group.content)
        elif len(same) >= smallest:
            told = _content(group.kind, next(_blurred(units, [np.array(same)], key)), smallest)
            keep_content(con, group.group_id, told)
        else:
            withdraw(con, group.group_id, unchanged=())


def _blurred(units: Units, groups: list[Places], key: str) -> Iterator[Units]:
    """Each group's units with their readings blurred, in an order that doesn't depend on the others."""
    some = np.unique(np.concatenate([*groups, np.array([], dtype=np.intp)]))
    some = some[np.argsort(units.record[some].astype(str), kind="stable")]
    blurred = blur_readings(some_of(units, some), key)
    for group in groups:
        yield some_of(blurred, np.flatnonzero(np.isin(some, group)))


def _content(kind: str, units: Units, smallest: int) -> Mapping[str, Any]:
    """What a group of these units, blurred, gives away."""
    everyone = np.arange(len(units.unit))
    if kind == UNITS:
        return content.sums_of_units(units, everyone, smallest)
    if kind == FAULTY:
        return content.sums_of_faulty(units, everyone, smallest)
    return content.sums_of_cut(units, kind.removeprefix(CUT), everyone)


def _new_groups(
    units: Units,
    again: Repeats,
    live: list[KeptGroup],
    spent: Mapping[str, set[str]],
    smallest: int,
    key: str,
) -> Iterator[KeptGroup]:
    """Groups of units that stand in none of their kind yet."""

    def free(kind: str, which: NDArray[np.bool_]) -> Places:
        held = _held(live, kind, spent)
        fresh = [not held & {u, r} for u, r in zip(units.unit, units.record, strict=True)]
        return np.flatnonzero(which & np.array(fresh, dtype=bool))

    new: list[tuple[str, Places, Mapping[str, str]]] = []
    pool = free(UNITS, np.ones(len(units.unit), dtype=bool))
    factors = units.factors.iloc[pool].reset_index(drop=True)
    for places in form_groups(factors, units.year[pool], units.whole[pool], smallest):
        group = pool[places]
        new.append((UNITS, group, content.labels_of(units, group)))
    beyond = {n: ~np.isnan(units.residual[n]) & ~units.inside[n] for n in NAMES}
    for name, which in beyond.items():
        group = free(CUT + name, which)
        if len(group) >= smallest:
            new.append((CUT + name, group, {}))
    group = free(FAULTY, np.any([which for n, which in beyond.items() if n in JUDGED], axis=0))
    if len(group) >= smallest:
        new.append((FAULTY, group, {}))
    blurred = _blurred(units, [group for _, group, _ in new], key)
    for (kind, group, labels), readings in zip(new, blurred, strict=True):
        members = {str(units.unit[i]): str(units.record[i]) for i in group}
        yield KeptGroup(kind, members, labels, _content(kind, readings, smallest), units=len(members))
    yield from _new_repeats(again, _held(live, REPEATS, spent), smallest, key)


def _held(live: list[KeptGroup], kind: str, spent: Mapping[str, set[str]]) -> set[str]:
    """Units of groups of a kind, and records: a unit may have another name than when its group was formed."""
    return spent.get(kind, set()).union(
        *(pair for g in live if g.kind == kind for pair in g.members.items()),
    )


def _new_repeats(again: Repeats, held: set[str], smallest: int, key: str) -> Iterator[KeptGroup]:
    new = {u: r for u, r in again.record.items() if not held & {u, r}}
    if len(new) >= smallest:
        member = np.array([u in new for u in again.unit], dtype=bool)
        told = content.sums_of_repeats(again, member, smallest, lambda v, texts: blur_squares(v, key, texts))
        yield KeptGroup(REPEATS, new, {}, told, units=len(new))


def publish_attainment(store: Store, published: Published, *, policy: str, count: Counter) -> Published:
    """The same groups with their attainment, blurred; once it was published so it stays as it is.

    Parameters
    ----------
    store : Store
    published : groups
    policy : the target policy as JSON
    count : counts attainment of a few sheets, given their canonical columns

    Raises
    ------
    FleetError
        If attainment was published under another policy before.
    """
    sheets = store.teaching()
    now = dict(zip(sheets["unit"], records(sheets), strict=True))
    with store.writer() as con:
        _, before = published_under(con)
        if before not in {None, policy}:
            raise FleetError(
                "this store has published attainment under another target policy; the same units under two "
                "policies could be subtracted, so publish under the one before (without --publish any serves)"
            )
        note_published(con, min_units=published.smallest, policy=policy)
        place = {u: i for i, u in enumerate(sheets["unit"])}
        key, told = blur_key(con), {}
        for group in (g for g in live_groups(con) if g.kind == UNITS):
            if group.counts is None and group.group_id is not None:
                same = [place[u] for u, r in group.members.items() if now.get(u) == r]
                if len(same) >= published.smallest:
                    exact = count(sheets.iloc[np.sort(np.array(same, dtype=int))])
                    told[group.group_id] = blur_counts(
                        exact, key, (now[sheets["unit"].iloc[i]] for i in same)
                    )
            elif group.counts and group.group_id is not None and len(next(iter(group.counts.values()))) < 3:
                told[group.group_id] = blur_counts(group.counts, key, group.members.values())
        publish_counts(con, told)
        live = tuple(live_groups(con))
    note_ledger(store)
    return replace(published, groups=live)
