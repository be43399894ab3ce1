"""What the store keeps of sharing: groups published with their members, and other benches' tallies."""

from __future__ import annotations

import datetime as dt
import json
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from fleet.store.append import bump_revision
from fleet.store.connection import Connection, utc_now
from fleet.store.store import Store

if TYPE_CHECKING:
    pass

UNITS: Final = "units"
"""The kind of group that cells and attainment are made of."""
REPEATS: Final = "repeats"
FAULTY: Final = "faulty"
FORMAT: Final = 2
"""Of what groups give away. Out of format 1 single units could be worked out."""
CUT: Final = "cut."
"""Before the name of a link: units beyond its cut."""


@dataclass(frozen=True)
class KeptGroup:
    """A group of units that has been or may be published.

    Attributes
    ----------
    kind : what is summed up (see `UNITS`)
    members : record of every unit of the group (what it stood on when the group was formed)
    labels : what all its units have in common
    content : sums over its units
    counts : attainment of its units, None until it was published
    group_id, formed_on : number and day, None before it is kept
    units : how many units the group was formed of; fewer members are left when units were forgotten
    format : of ``content`` (see `FORMAT`)
    """

    kind: str
    members: Mapping[str, str]
    labels: Mapping[str, str]
    content: Mapping[str, Any]
    counts: Mapping[str, Any] | None = None
    group_id: int | None = None
    formed_on: dt.date | None = None
    units: int = field(default=0)
    format: int = FORMAT


def published_under(con: Connection) -> tuple[int | None, str | None]:
    """Smallest group and target policy that the store publishes under; None where nothing was yet."""
    rows = con.execute("select min_units, policy from share_state").fetchall()
    return (int(rows[0][0]), rows[0][1]) if rows else (None, None)


def note_published(con: Connection, *, min_units: int, policy: str | None = None) -> None:
    """Hold to a smallest group, and to a target policy if one is named, from now on."""
    con.execute(
        "insert into share_state values (true, $size, $identity, $policy, null, null, $key) "
        "on conflict (only_row) do update set policy = coalesce(policy, $policy), "
        "blur_key = coalesce(blur_key, $key)",
        {
            "size": min_units,
            "identity": secrets.token_hex(16),
            "policy": policy,
            "key": secrets.token_hex(32),
        },
    ).fetchall()


def note_up_to_date(con: Connection, *, revision: int, waiting: int) -> None:
    """Note at which revision groups were brought up to date, and how many units wait."""
    con.execute("update share_state set revision = ?, waiting = ?", [revision, waiting]).fetchall()


def up_to_date(con: Connection) -> Published | None:
    """What may be published, if nothing has changed since groups were last brought up to date."""
    rows = con.execute(
        "select min_units, waiting, identity from share_state join store_state "
        "on share_state.revision = store_state.revision"
    ).fetchall()
    if not rows:
        return None
    smallest, waiting, name = rows[0]
    return Published(tuple(live_groups(con)), int(smallest), int(waiting), str(name))


def identity(con: Connection) -> str | None:
    """What tells this store's tallies from others'; None before the first publication."""
    rows = con.execute("select identity from share_state").fetchall()
    return str(rows[0][0]) if rows else None


def blur_key(con: Connection) -> str:
    """What the errors of blurred readings are drawn from; the same as long as the store lives."""
    return str(con.execute("select blur_key from share_state").fetchall()[0][0])


def live_groups(con: Connection) -> list[KeptGroup]:
    """Groups that aren't withdrawn, in the order in which they were formed."""
    members: dict[int, dict[str, str]] = {}
    for group, unit, record in con.execute("select group_id, unit, record from share_member").fetchall():
        members.setdefault(int(group), {})[str(unit)] = str(record)
    rows = con.execute(
        "select group_id, kind, formed_on, units, labels, content, counts, format from share_group "
        "where not withdrawn order by group_id"
    ).fetchall()
    return [
        KeptGroup(
            kind,
            members.get(group, {}),
            json.loads(labels),
            json.loads(content),
            None if counts is None else json.loads(counts),
            group,
            day,
            units,
            version,
        )
        for group, kind, day, units, labels, content, counts, version in rows
    ]


def withdraw(con: Connection, group: int, *, unchanged: Iterable[str]) -> None:
    """Take a group out of later publications; its unchanged units may stand in another one.

    What it gave away is erased. Its changed units' records stay: should they ever come back as they were,
    they are not published again.
    """
    con.execute(
        "delete from share_member where group_id = $group and unit in (select unnest($units))",
        {"group": group, "units": list(unchanged)},
    ).fetchall()
    con.execute(
        "update share_group set withdrawn = true, content = '{}', counts = null where group_id = ?", [group]
    ).fetchall()


def spent_records(con: Connection) -> dict[str, set[str]]:
    """Per kind the records that stood in a group now withdrawn and changed then."""
    out: dict[str, set[str]] = {}
    for kind, record in con.execute(
        "select kind, record from share_member join share_group using (group_id) where withdrawn"
    ).fetchall():
        out.setdefault(str(kind), set()).add(str(record))
    return out


def keep_groups(con: Connection, groups: Iterable[KeptGroup]) -> None:
    """Keep newly formed groups and their members."""
    import pandas as pd

    found = con.execute("select coalesce(max(group_id), 0) from share_group").fetchall()
    first = int(found[0][0]) + 1
    today = utc_now().date()
    rows, members = [], []
    for number, group in enumerate(groups, start=first):
        rows.append(
            (number, group.kind, today, len(group.members), json.dumps(dict(group.labels)),
             json.dumps(dict(group.content)))
        )  # fmt: skip
        members += [(number, unit, record) for unit, record in group.members.items()]
    if not rows:
        return
    names = ["group_id", "kind", "formed_on", "units", "labels", "content"]
    con.register("groups_in", pd.DataFrame(rows, columns=names))
    con.execute(
        "insert into share_group select group_id, kind, formed_on, units, labels, content, null, false, ? "
        "from groups_in order by group_id",
        [FORMAT],
    ).fetchall()
    con.unregister("groups_in")
    con.register("members_in", pd.DataFrame(members, columns=["group_id", "unit", "record"]))
    con.execute("insert into share_member select group_id, unit, record from members_in").fetchall()
    con.unregister("members_in")


def keep_content(con: Connection, group: int, content: Mapping[str, Any]) -> None:
    """Keep what a group of an older format gives away from now on."""
    con.execute(
        "update share_group set content = ?, format = ? where group_id = ?",
        [json.dumps(dict(content)), FORMAT, group],
    ).fetchall()


def publish_counts(con: Connection, counts: Mapping[int, Mapping[str, Any]]) -> None:
    """Keep the attainment of groups."""
    for group, told in counts.items():
        con.execute(
            "update share_group set counts = ? where group_id = ?",
            [json.dumps(dict(told)), group],
        ).fetchall()


@dataclass(frozen=True)
class Published:
    """Groups that may be published now.

    Attributes
    ----------
    groups : all of them, in the order in which they were formed
    smallest : fewest units of a group
    waiting : teaching units that stand in no group yet
    identity : what tells this store's tallies from others'
    """

    groups: tuple[KeptGroup, ...]
    smallest: int
    waiting: int
    identity: str

    def of(self, kind: str) -> list[KeptGroup]:
        """Groups of one kind."""
        return [g for g in self.groups if g.kind == kind]


@dataclass(frozen=True)
class KeptTallies:
    """Another bench's tallies as they lie in the store.

    Attributes
    ----------
    code : the bench's code here
    identity : what tells its tallies from others', whatever it is called
    digest : hash of the file
    made_on : day on which the other bench made it
    units, min_units : units behind it, and its smallest group
    same_codes : whose codes are the same as here: none, families, sources, all
    file : the file's bytes
    """

    code: str
    identity: str
    digest: str
    made_on: dt.date
    units: int
    min_units: int
    same_codes: str
    file: bytes = field(repr=False)


_KEPT = (
    "select code, identity, digest, made_on, units, min_units, same_codes, file "
    "from shared_tallies order by code"
)


def kept_tallies(store: Store) -> list[KeptTallies]:
    """Tallies of other benches, by code."""
    with store.reader() as con:
        return [KeptTallies(*row) for row in con.execute(_KEPT).fetchall()]


def keep_tallies(store: Store, tallies: KeptTallies) -> None:
    """Keep another bench's tallies in place of the ones it sent before."""
    with store.writer() as con:
        con.execute("delete from shared_tallies where identity = ?", [tallies.identity]).fetchall()
        con.execute(
            "insert into shared_tallies values (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                tallies.code,
                tallies.identity,
                tallies.digest,
                tallies.made_on,
                utc_now(),
                tallies.units,
                tallies.min_units,
                tallies.same_codes,
                tallies.file,
            ],
        ).fetchall()
        bump_revision(con)


def drop_tallies(store: Store, code: str) -> bool:
    """Take another bench's tallies out; False if there were none of this code."""
    with store.writer() as con:
        there = con.execute("select 1 from shared_tallies where code = ?", [code]).fetchall()
        con.execute("delete from shared_tallies where code = ?", [code]).fetchall()
        if there:
            bump_revision(con)
    return bool(there)
