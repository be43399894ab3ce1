"""Which store the dashboard shows, the state it was found in, what it holds, and its house model."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Concatenate, Final, ParamSpec, TypeVar

import streamlit as st

from fleet.files.places import default_path
from fleet.store import Overview, Store
from fleet.store import overview as look_over
from fleet.store.models import answers_from

if TYPE_CHECKING:
    from fleet.house_model.house import House

_STORES_KEPT: Final = 2
_Rest = ParamSpec("_Rest")
_Answer = TypeVar("_Answer")


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


@st.cache_data(max_entries=4 * _STORES_KEPT, show_spinner=False)
def _sheets_state(path: str, revision: str) -> str:
    return answers_from(Store(path)) if revision else ""


def of_sheets(
    cached: Callable[Concatenate[str, str, _Rest], _Answer],
) -> Callable[Concatenate[str, str, _Rest], _Answer]:
    """Key a cached function by the sheets and the model in use alone: a verdict or a kept quote spares it.

    Not for what looks at verdicts, quotes or published groups.
    """

    @wraps(cached)
    def call(path: str, revision: str, /, *args: _Rest.args, **options: _Rest.kwargs) -> _Answer:
        return cached(path, _sheets_state(path, revision), *args, **options)

    return call


@of_sheets
@st.cache_data(max_entries=_STORES_KEPT, show_spinner="Reading the store …")
def overview(path: str, revision: str) -> Overview:
    """Counts of what the store holds."""
    del revision
    return look_over(Store(path).open())


@of_sheets
@st.cache_resource(max_entries=_STORES_KEPT, show_spinner="Loading the house model …")
def house(path: str, revision: str) -> House:
    """The house model in the store (never changed once loaded)."""
    from fleet.fitting.kept_model import load_house

    del revision
    return load_house(Store(path))


@of_sheets
@st.cache_resource(max_entries=_STORES_KEPT, show_spinner="Loading the house model …")
def quoting_house(path: str, revision: str) -> House:
    """The house model, or where there is none yet the one of mechanics and common practice alone."""
    from fleet.fitting.kept_model import house_or_prior

    del revision
    return house_or_prior(Store(path))


def fit_again(path: str) -> str:
    """Fit the house model on the sheets that are there, as `fleet refit` does; say what became of it."""
    from fleet.fitting.refit import refit

    return refit(Store(path)).sentence


@of_sheets
@st.cache_data(max_entries=_STORES_KEPT, show_spinner=False)
def model_age(path: str, revision: str) -> int:
    """How many changes the store has seen since the model was fitted."""
    return Store(path).changes_since(house(path, revision).revision)
