"""Planted names, serials and addresses are in nothing that a page sends or offers to download."""

from __future__ import annotations

import io
import os
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import streamlit as st
from page_helpers import APP, bold
from planted import HIDDEN, N_GOOD, sheets_with_plants
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from streamlit.runtime.forward_msg_queue import ForwardMsgQueue
from streamlit.testing.v1 import AppTest

from dashboards.shared import SHARED
from fleet.cli import run
from fleet.store import Store

pytestmark = pytest.mark.long

LONG = bool(os.environ.get("FLEET_LONG"))
N_PLANTED = 4000 if LONG else 200
PLACES = {
    place: sorted(p.stem for p in (APP.parent / place).glob("[a-z]*.py"))
    for place in ("workshop_pages", "shared_pages")
}
PAGES = [(place, page) for place, pages in PLACES.items() for page in pages]
FEW = [("workshop_pages", "unit"), ("shared_pages", "attainment")]
"""Of all pages those that are looked at in the short run, besides that of sheets."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, pd.DataFrame]:
    """A folder with a planted table, and the table; all its rows but the first `N_GOOD` are faulty."""
    folder = tmp_path_factory.mktemp("sown")  # a page may name its folder
    frame = sheets_with_plants(N_PLANTED)
    frame.to_csv(folder / "Planted-Mustersson.csv", index=False)
    return folder, frame


@pytest.fixture(scope="module")
def planted_store(filled: Path, files: tuple[Path, pd.DataFrame]) -> Iterator[Path]:
    """The filled store with the planted sheets taken in by the command, with quotes and publications."""
    folder, frame = files
    path = Path(shutil.copy(filled, folder / "fleet.duckdb"))
    enquiries = frame.head(20).assign(enquiry_id=[f"Q{i}" for i in range(20)])
    names = ["enquiry_id", "body_family", "stylus_profile", "cantilever_material", "Owner"]
    enquiries[names].to_csv(folder / "planted@mustersson.example.csv", index=False)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("FLEET_STORE", str(path))
        patch.setenv("FLEET_KEY_FILE", str(folder / "token.key"))
        for command in (
            "intake Planted-Mustersson.csv",
            "quote planted@mustersson.example.csv",
            "attainment --publish",
        ):
            assert run(command.split()) in {0, 1}, command
        assert len(Store(path).current(["sheet_no"])) == 260 + N_GOOD
        yield path


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[bytes]]:
    """Every message that a page sends, as it goes over the wire, and every file that it offers, made."""
    told: list[bytes] = []
    offer = st.download_button

    def offered(label: str, data: Any, *rest: Any, **options: Any) -> bool:
        made = data() if callable(data) else data
        told.append(made if isinstance(made, bytes) else str(made).encode())
        return offer(label, data, *rest, **options)

    def note(message: ForwardMsg) -> None:
        told.append(message.SerializeToString())

    monkeypatch.setattr(st, "download_button", offered)
    ForwardMsgQueue.on_before_enqueue_msg(note)
    yield told
    ForwardMsgQueue.on_before_enqueue_msg(None)


@pytest.fixture
def open_any(planted_store: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Open a page of the workshop's own dashboard or of the shared one over the planted store."""

    def opened(place: str, page: str, **filters: str) -> AppTest:
        monkeypatch.setenv("FLEET_STORE", str(planted_store))
        monkeypatch.setenv("FLEET_KEY_FILE", str(planted_store.with_name("token.key")))
        if place == "shared_pages":
            monkeypatch.setenv(SHARED, "1")
        app = AppTest.from_file(str(APP), default_timeout=60)
        if page != "enquiry":
            app.switch_page(f"{place}/{page}.py")
        for name, value in filters.items():
            app.query_params[name] = value
        return app.run()

    return opened


def everything(sent: list[bytes]) -> Iterator[bytes]:
    """What was sent in small letters; packed files with their parts unpacked."""
    for content in sent:
        yield content.lower()
        if content.startswith(b"PK\x03\x04"):
            with zipfile.ZipFile(io.BytesIO(content)) as packed:
                yield from (packed.read(name).lower() for name in packed.namelist())


def assert_nothing_planted(sent: list[bytes]) -> None:
    """None of the planted texts is in what was sent, in letters of one byte or more."""
    for content in everything(sent):
        for hidden in HIDDEN:
            assert hidden not in content.replace(b"\0", b""), content[:2000]


@pytest.mark.parametrize(
    ("place", "page"), [p if p in FEW else pytest.param(*p, marks=pytest.mark.long) for p in PAGES]
)
def test_no_page_sends_what_was_planted(
    place: str, page: str, open_any: Callable[..., AppTest], sent: list[bytes]
) -> None:
    """None of them is in a page's messages or downloads; a planted unit's own page is looked at too."""
    app = open_any(place, page, **({"sheet": "A5"} if page == "unit" else {}))
    assert not app.exception
    assert sum(map(len, sent)) > 3000
    assert_nothing_planted(sent)


def test_looking_at_a_planted_file_sends_none_of_it(
    open_any: Callable[..., AppTest], sent: list[bytes], files: tuple[Path, pd.DataFrame]
) -> None:
    """Put-aside rows, headings that aren't looked at and the drafted guide hold none; nor does the intake."""
    app = open_any("workshop_pages", "sheets")
    again = files[1].assign(sheet_no="B" + files[1]["sheet_no"].astype(str))
    app.file_uploader(key="sheets.file").upload("late.csv", again.to_csv(index=False).encode()).run()
    assert not app.exception
    assert f"{N_GOOD} would go in" in bold(app)
    assert_nothing_planted(sent)


def test_the_search_would_find_what_is_sent(open_any: Callable[..., AppTest], sent: list[bytes]) -> None:
    """The same search finds a sheet's number in messages and in a table offered as a workbook."""
    open_any("workshop_pages", "unit", sheet="A5")
    assert any(b"a5" in content for content in everything(sent))
    open_any("workshop_pages", "sheets")
    assert any(b"accepted" in content for content in everything(sent))
    assert any(content.startswith(b"PK") for content in sent)
