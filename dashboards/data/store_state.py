"""Which store the dashboard shows, the state it was found in, what it holds, and its house model."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import streamlit as st

from fleet.store import Overview, Store, default_path
from fleet.store import overview as look_over

if TYPE_CHECKING:
    from fleet.house_model.house import House

_STORES_KEPT: Final = 2


def store_path() -> str:
    """The store that the dashboard was started for (`FLEET_STORE`, else the user's default)."""
    return str(default_path())


def revision(path: str) -> str:
    """State of the store's file and its log, unopened (a writer may hold it); "" if it isn't there."""
    parts = []
    for file in (Path(path), Path(f"{path}.wal")):
        try:
            stat = file.stat()
        except OSError:
            continue
        parts.append(f"{stat.st_mtime_ns}:{stat.st_size}")
    return "/".join(parts)


@st.cache_data(max_entries=_STORES_KEPT, show_spinner="Reading the store …")
def overview(path: str, revision: str) -> Overview:
    """Counts of what the store holds."""
    del revision
    return look_over(Store(path).open())


@st.cache_resource(max_entries=_STORES_KEPT, show_spinner="Loading the house model …")
def house(path: str, revision: str) -> House:
    """The house model in the store (never changed once loaded)."""
    from fleet.fitting.kept_model import load_house

    del revision
    return load_house(Store(path))


@st.cache_data(max_entries=_STORES_KEPT, show_spinner=False)
def model_age(path: str, revision: str) -> int:
    """How many changes the store has seen since the model was fitted."""
    return Store(path).changes_since(house(path, revision).revision)
