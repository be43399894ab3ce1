"""Command, JSON, page and paper print one alignment; and none says a figure whose reading isn't there."""

from __future__ import annotations

import json
import math
import os
import re
from datetime import date
from functools import reduce
from itertools import chain, combinations
from operator import xor
from pathlib import Path

import pandas as pd
import pytest
from page_helpers import OpenPage

from dashboards.data import store_state as data
from dashboards.data.bench_unit import judge_readings
from fleet.alignment.alignment import WITHHELD, Alignment
from fleet.attainment.peers import PeerGroup
from fleet.cli import run
from fleet.columns import COLUMNS
from fleet.faults.one_unit import Verdict, judge
from fleet.fitting.kept_model import load_house
from fleet.house_model.house import House
from fleet.policy.policy import Policy
from fleet.report.units import unit_paper
from fleet.store import Store

POLICY = Policy()
LONG = os.environ.get("FLEET_LONG") == "1"
READINGS = {
    "sra_static_deg": "88.9",
    "sra_dynamic_deg": "88.31",
    "vta_dynamic_deg": "21.47",
    "zenith_deg": "1.73",
    "azimuth_optical_deg": "0.41",
    "azimuth_electrical_deg": "1.37",
    "channel_balance_db": "0.12",
}
BODY = {"tilt_room_deg": "3.1", "height_mm": "16.8", "tip_to_mount_mm": "9.4", "vtf_mn": "18.3"}
KIND = {"stylus_profile": "line_contact", "cantilever_material": "boron"}
LAST_DIGIT = 1.01e-15
"""JSON carries fifteen decimals."""
SUBSETS = tuple(chain.from_iterable(combinations(READINGS, k) for k in range(len(READINGS) + 1)))


def is_orthogonal(subset: tuple[str, ...]) -> bool:
    """Whether it is a word of the Hamming code: among these 16, any three readings come in all eight ways."""
    return not reduce(xor, (list(READINGS).index(name) + 1 for name in subset), 0)


def paper_lines(house: House, told: dict[str, str], verdict: Verdict, among: PeerGroup) -> tuple[str, ...]:
    """The alignment section of the unit's paper."""
    sheet = pd.DataFrame([dict.fromkeys(COLUMNS) | told | {"sheet_no": "T"}])
    paper = unit_paper(sheet, verdict, among, house, POLICY, on=date(2024, 6, 1))
    (section,) = [s for s in paper.sections if s.heading == "How to align it"]
    return tuple(line for line in section.lines if not line.startswith("Read "))


def test_command_json_page_and_paper_print_one_alignment(
    filled: Path,
    open_page: OpenPage,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Steps and figures agree to the last digit, whichever way the unit's readings went in."""
    monkeypatch.setenv("FLEET_STORE", str(filled))
    told = {**KIND, **READINGS, **BODY}
    words = [w for name, text in told.items() for w in (f"--{name.replace('_', '-')}", text)]
    readings = {n: float(v) if n not in KIND else v for n, v in told.items()}
    house = load_house(Store(filled))
    own = judge(house, pd.DataFrame([readings]), POLICY).alignment

    assert run(["judge", *words]) == 0
    printed = [line.strip() for line in capsys.readouterr().out.splitlines()]
    assert [line for line in printed if line in own.lines] == list(own.lines)
    file = tmp_path / "one.json"
    assert run(["judge", *words, "--out", str(file)]) == 0
    (written,) = json.loads(file.read_text(encoding="utf-8"))
    record = own.record()
    for name, value in record.items():
        if isinstance(value, float):
            same = written[name] is None if math.isnan(value) else abs(written[name] - value) < LAST_DIGIT
            assert same, (name, value, written[name])
        else:
            assert written[name] == value, name
    capsys.readouterr()
    assert run(["align", *[w for w in words if w not in ("--channel-balance-db", "0.12")]]) == 0
    aligned = capsys.readouterr().out.splitlines()
    assert [line for line in aligned if line.split(":")[0] in dict(own.steps)] == list(own.lines)

    app = open_page(filled, "on_the_bench", **told)
    assert not app.exception
    shown = [str(m.value).replace("\\", "") for m in app.markdown]
    steps = [f"**{heading}:** {text}" for heading, text in own.steps]
    assert [text for text in shown if text in steps] == steps
    seen = judge_readings(str(filled), data.revision(str(filled)), tuple(told.items()), POLICY)
    assert paper_lines(house, told, *seen) == own.lines


def unfounded(a: Alignment, there: set[str], told: str) -> list[str]:
    """Figures of an alignment that stand on a reading that is neither there nor predicted and said so."""
    spherical = told == "spherical"
    text = " ".join(a.lines)
    rake = "sra_dynamic_deg" in there and not spherical
    has_rake = told == "line_contact" or bool(there & {"sra_static_deg", "sra_dynamic_deg"})
    may_predict = has_rake and not spherical
    found = []

    def hold(name: str, figure: float, founded: bool) -> None:
        if not math.isnan(figure) and not founded:
            found.append(name)

    said_rake = "Dynamic rake predicted" in text
    said_vta = "Tracking angle predicted" in text
    tilted = a.tilt.decision != WITHHELD
    hold("rake", a.rake.value if tilted else math.nan, rake or (may_predict and said_rake))
    hold("tracking", a.tracking.value if tilted else math.nan, "vta_dynamic_deg" in there or said_vta)
    hold(
        "tilt",
        a.tilt.set.value,
        (("vta_dynamic_deg" in there or said_vta) if spherical else rake or said_rake),
    )
    zenith = "zenith_deg" in there and not spherical
    hold("turn", a.turn.set.value, zenith or spherical)
    hold("seen", a.seen.value, zenith or spherical)
    hold("roll", a.roll.set.value, "azimuth_electrical_deg" in there)
    hold("lean", a.lean.value, "azimuth_electrical_deg" in there)
    if spherical and re.search(r"\brake -?\d", text):
        found.append("a rake of a spherical stylus")
    if a.cost_before is not None and not zenith:
        found.append("cost of a turn")
    for name in ("sra_dynamic_deg", "vta_dynamic_deg"):
        given = a.known[name]
        if given.how == "predicted" and (given.by != tuple(n for n in given.by if n in there)):
            found.append(f"{name} predicted from a reading that isn't there")
    return found


@pytest.mark.parametrize(
    "profile", [None, *(pytest.param(p, marks=pytest.mark.long) for p in ("spherical", "line_contact"))]
)
def test_no_figure_stands_on_a_reading_that_is_not_there(filled: Path, profile: str | None) -> None:
    """Subsets of the seven readings through the page's function, which is judge's.

    Every subset if `FLEET_LONG=1`, else those of six (with an edge of one, too) and sixteen in which any
    three readings are there and missing in all eight ways. Those of none and seven, with an edge also of one
    and six (in the long run all), through judge itself and the paper too. A profile that isn't told, a
    spherical stylus and one with an edge: nothing unfounded, one alignment.
    """
    house = load_house(Store(filled))
    revision = data.revision(str(filled))
    figures = 0
    sizes = (1, 6) if profile == "line_contact" else (6,)
    tried = [s for s in SUBSETS if LONG or len(s) in sizes or is_orthogonal(s)]
    compared = (0, 1, 6, 7) if profile == "line_contact" else (0, 7)
    for subset in tried:
        told = {name: READINGS[name] for name in subset}
        if profile is not None:
            told["stylus_profile"] = profile
        page, among = judge_readings(str(filled), revision, tuple(told.items()), POLICY)
        assert unfounded(page.alignment, set(subset), profile or "") == [], subset
        figures += sum(not math.isnan(v) for v in page.alignment.record().values() if isinstance(v, float))
        if LONG or len(subset) in compared:
            values = {n: v if n == "stylus_profile" else float(v) for n, v in told.items()}
            sheet = pd.DataFrame([values | {"sheet_no": "T"}])
            assert judge(house, sheet, POLICY).alignment.lines == page.alignment.lines
            assert paper_lines(house, told, page, among) == page.alignment.lines
    assert figures > len(tried) * 5
