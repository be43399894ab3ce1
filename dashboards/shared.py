"""The shared dashboard: who may enter, which pages there are, and what they may draw from.

Its pages stand in `shared_pages` and draw from published groups of units alone; nothing that fetches a
unit, a sheet or an operator is imported by them, and a test holds it.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import streamlit as st

from dashboards import layout
from dashboards.layout import Ready
from fleet.attainment.publishing import counting_rule
from fleet.policy.policy import Policy
from fleet.store import Store
from fleet.store.sharing import UNITS, live_groups, published_under

SHARED: Final = "FLEET_SHARED"
ALLOWED: Final = "FLEET_SHARED_ALLOW"
EVERYONE: Final = "*"
PAGES: Final = Path(__file__).parent / "shared_pages"
PUBLISH: Final = "fleet attainment --publish"


@dataclass(frozen=True)
class Groups:
    """Published groups of units.

    Attributes
    ----------
    parts : labels, units, counts and content of each
    policy : the counting rule of their counts; None where no attainment was published
    """

    parts: tuple[tuple[Mapping[str, str], int, Mapping[str, Any], Mapping[str, Any]], ...]
    policy: str | None

    @property
    def counts(self) -> list[tuple[Mapping[str, str], int, Mapping[str, Sequence[int]]]]:
        """What attainment is added up from."""
        return [(labels, units, counts) for labels, units, counts, _ in self.parts]

    @property
    def contents(self) -> list[tuple[Mapping[str, str], int, Mapping[str, Any]]]:
        """What readings are added up from."""
        return [(labels, units, content) for labels, units, _, content in self.parts]

    def levels(self, name: str) -> list[str]:
        """Codes or words of a column that some group has in common, in order."""
        return sorted({str(labels[f"by {name}"]) for labels, *_ in self.parts if f"by {name}" in labels})


def is_shared() -> bool:
    """Whether this server shows published figures only."""
    return os.environ.get(SHARED, "") not in {"", "0"}


def pages() -> list[Any]:
    """The pages of the shared dashboard; no others are served."""
    return [
        st.Page(PAGES / "enquiry.py", title="Enquiry", icon=":material/contact_support:", default=True),
        st.Page(PAGES / "distributions.py", title="Distributions", icon=":material/bar_chart:"),
        st.Page(PAGES / "attainment.py", title="Attainment", icon=":material/target:"),
    ]


def may_enter(user: Mapping[str, Any], allow: str) -> bool:
    """Whether someone who has logged in is among those who may.

    Parameters
    ----------
    user : claims of the login: `email`, and `email_verified` as the provider says it.
    allow : addresses, or domains with their @, by comma; `*` for everyone whom the provider knows.
    """
    if allow == EVERYONE:
        return True
    email = str(user.get("email") or "").strip().lower()
    if user.get("email_verified") not in (True, "true") or email.count("@") != 1:
        return False
    known = {name for name in allow.split(",") if name}
    return email in known or f"@{email.split('@')[1]}" in known


def gate() -> None:
    """Let nobody past who hasn't logged in where a login is configured; stops the page otherwise."""
    allow = os.environ.get(ALLOWED, "")
    if not allow:
        return
    if not st.user.get("is_logged_in", False):
        st.title("Who is there?")
        layout.note("Figures of a workshop, for those whom it lets in.")
        st.button("Log in", on_click=st.login)
        st.stop()
    if not may_enter(st.user, allow):
        st.title("Not for this account")
        layout.note("The workshop has not let this account in. Another one may be.")
        st.button("Log out", on_click=st.logout)
        st.stop()


def groups(found: Ready) -> Groups:
    """Published groups, or a sentence and the command that makes some."""
    held = _groups(found.path, found.revision)
    if not held.parts:
        layout.empty("Nothing has been published from this store yet.", PUBLISH)
        st.stop()
    return held


@st.cache_data(max_entries=2, show_spinner="Reading the store …")
def _groups(path: str, revision: str) -> Groups:
    del revision
    with Store(path).reader() as con:
        live = [g for g in live_groups(con) if g.kind == UNITS]
        _, policy = published_under(con)
    parts = tuple((dict(g.labels), g.units, dict(g.counts or {}), dict(g.content)) for g in live)
    return Groups(parts, policy)


def counted_under(held: Groups, policies: Mapping[str, Policy]) -> Policy:
    """The policy that attainment was published under; without it the page stops."""
    for policy in policies.values():
        if held.policy == counting_rule(policy):
            return policy
    layout.empty("Attainment was not published under a target policy of this dashboard.", PUBLISH)
    st.stop()
    raise AssertionError  # st.stop doesn't return


def told_only(basis: str) -> str:
    """What a quote stands on, without the counts of units behind it."""
    return basis.split(";")[0]
