"""Pictures of who is not normal: every flagged unit is drawn, marked by its cause, and inside the frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest
from worlds import LONG, Fleet, awkward, fleet_from, fleet_of, ideal

from fleet.attainment.distributions import QUANTITIES, distribution, group_labels
from fleet.attainment.peers import standing
from fleet.charts import groups, normal, planes
from fleet.faults.suspects import suspects
from fleet.house_model.chain import JUDGED
from fleet.policy.policy import Policy
from fleet.words import fault_words
from synthetic_data.demo import demo_fleet

FURTHER = ("ideal 3", "ideal 4", "awkward 5", "awkward 7")
BENCHES = (
    "demo",
    *(pytest.param(b, marks=pytest.mark.long) for b in ("awkward 6", *(FURTHER if LONG else ()))),
)
"""The demo bench and five invented ones; outside the long run the demo and one."""
N = 160
MAKE_UP = ["stylus_profile", "cantilever_material", "body_family", "assembly_source"]


@dataclass(frozen=True)
class Judged:
    """A bench, its judged units in words, and where every reading of theirs stands."""

    fleet: Fleet
    units: pd.DataFrame
    stand: pd.DataFrame

    @property
    def flagged(self) -> set[str]:
        """Every flagged unit."""
        return set(self.units.loc[self.units["flagged"], "unit"])


@cache
def judged(bench: str) -> Judged:
    name, _, seed = bench.partition(" ")
    if name == "demo":
        sheets = demo_fleet().sheets
        fleet = fleet_from(ideal(1), sheets[sheets["purpose"] == "unit"])
    else:
        fleet = fleet_of((ideal if name == "ideal" else awkward)(int(seed)), N)
    table = suspects(fleet.house, fleet.current).table
    about = fleet.current[["sheet_no", "unit", *MAKE_UP]].astype({"unit": "str"})
    table = table.merge(about.drop_duplicates(["sheet_no", "unit"]), on=["sheet_no", "unit"])
    return Judged(fleet, normal.in_words(table), standing(fleet.house, fleet.current))


def layers(chart: Any) -> Iterator[tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Each layer of a picture with the rows that it draws."""
    spec = chart.to_dict()
    for layer in spec["layer"]:
        yield layer, spec["datasets"][layer["data"]["name"]]


def drawn_marks(chart: Any) -> list[dict[str, Any]]:
    """Rows of the layers that tell the cause by colour and by shape alike."""
    rows = []
    for layer, data in layers(chart):
        codes = layer["encoding"]
        if codes.get("color", {}).get("field") == codes.get("shape", {}).get("field") == "cause":
            rows += data
    return rows


@pytest.mark.parametrize("bench", BENCHES)
def test_every_flagged_unit_is_on_the_first_picture(bench: str) -> None:
    """100 % of flagged units are drawn and marked, by every reading they have, inside the axis."""
    found = judged(bench)
    assert found.flagged
    shown = normal.prepare(found.stand, found.units)
    chart = normal.every_unit(shown)
    rows = drawn_marks(chart)
    unit_of = dict(zip(found.stand["sheet_no"], found.stand["unit"], strict=True))
    assert {unit_of[row["sheet_no"]] for row in rows} == found.flagged
    assert len(rows) == found.stand["unit"].isin(found.flagged).sum()
    domain = next(
        codes["encoding"]["x"]["scale"]["domain"]
        for codes, _ in layers(chart)
        if "yOffset" in codes["encoding"]
    )
    assert all(domain[0] < row["sigmas"] < domain[1] for row in rows)
    named = found.units.drop_duplicates("unit").set_index("unit")
    assert all(row["cause"] == named.loc[unit_of[row["sheet_no"]], "cause"] for row in rows)


@pytest.mark.parametrize("bench", BENCHES)
def test_every_flagged_unit_is_on_the_picture_of_its_quantity(bench: str) -> None:
    """On each quantity's picture every flagged unit read for it is marked inside the frame."""
    found = judged(bench)
    current = found.fleet.current
    mine = current[current["newest"] & current["unit"].astype(str).isin(found.flagged)]
    told = found.units.drop_duplicates("unit").drop(columns="sheet_no")
    seen = set()
    for key in ("sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg"):
        for by in ("kind", "body_family"):
            what = distribution(current, key, by, found.fleet.house)
            value = QUANTITIES[key].read(mine)
            flagged = mine[["sheet_no", "unit"]].astype({"unit": "str"})
            flagged = flagged.assign(value=value, group=group_labels(mine, by)).merge(told, on="unit")
            chart = groups.readings_by_group(what, flagged=flagged, policy=Policy())
            rows = drawn_marks(chart)
            expected = set(mine["sheet_no"][~np.isnan(value)])
            assert {row["sheet_no"] for row in rows} == expected
            low, high = groups.frame(what)
            assert all(low <= row["at"] <= high for row in rows)
            seen |= expected
            said = groups.reading_guide(what, flagged)
            assert (f"marked by its likeliest cause ({len(rows)})" in said) is bool(rows)
    read = mine[["sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg"]].notna().any(axis=1)
    assert seen == set(mine["sheet_no"][read])
    assert seen


@pytest.mark.parametrize("bench", BENCHES[:2])
def test_planes_hold_every_flagged_unit_and_are_square(bench: str) -> None:
    """Both planes mark every flagged unit read for them, inside the frame, a degree as long across as up."""
    found = judged(bench)
    units = found.fleet.current[found.fleet.current["newest"]]
    for x, y in ((planes.TRACKING, planes.RAKE), (planes.SEEN, planes.ELECTRICAL)):
        plane = planes.prepare(units, found.units, x, y)
        read = units[[x, y]].notna().all(axis=1)
        expected = set(units.loc[read & units["unit"].astype(str).isin(found.flagged), "sheet_no"])
        if x == planes.TRACKING:
            chart = planes.rake_and_tracking(plane, Policy())
        else:
            chart = planes.azimuths(plane, 0.5)
        rows = drawn_marks(chart)
        assert {row["sheet_no"] for row in rows} == expected
        assert all(plane.across[0] <= row[x] <= plane.across[1] for row in rows)
        assert all(plane.up[0] <= row[y] <= plane.up[1] for row in rows)
        spec = chart.to_dict()
        assert spec["width"] == spec["height"]
        assert plane.across[1] - plane.across[0] == pytest.approx(plane.up[1] - plane.up[0], abs=0.03)


def test_the_bulk_is_thinned_and_the_count_said() -> None:
    """Of the others at most as many as asked for are drawn, over their whole range, and the note says so."""
    found = judged("demo")
    shown = normal.prepare(found.stand, found.units, most=400)
    assert len(shown.bulk) <= 400
    assert f"{len(shown.bulk)} of {shown.readings} readings" in shown.sentence
    rest = found.stand[~found.stand["unit"].isin(found.flagged)]
    assert len(rest) == shown.readings
    assert shown.bulk["sigmas"].max() == rest["sigmas"].max()
    assert shown.bulk["sigmas"].min() == rest["sigmas"].min()
    whole = normal.prepare(found.stand, found.units, most=10**6)
    assert f"all {shown.readings} readings" in whole.sentence


def test_of_very_many_flagged_units_only_readings_within_the_band_are_left_out() -> None:
    """Beyond as many marks as asked for each flagged unit stays, and all its readings beyond two sigmas."""
    found = judged("demo")
    mine = found.stand[found.stand["unit"].isin(found.flagged)]
    shown = normal.prepare(found.stand, found.units, most=len(mine) - 1)
    far = mine[mine["sigmas"].abs() > normal.BAND_SIGMAS]
    drawn = set(zip(shown.marks["unit"], shown.marks["link"], strict=True))
    assert set(shown.marks["unit"]) == found.flagged
    assert set(zip(far["unit"], far["link"], strict=True)) <= drawn
    assert len(far) <= len(drawn) < len(mine)
    assert (
        f"each of the {len(found.flagged)} flagged units is marked where it stands beyond" in shown.sentence
    )
    assert "every reading of the" in normal.prepare(found.stand, found.units, most=len(mine)).sentence


def test_sigmas_are_those_of_the_bulk() -> None:
    """Of readings that nobody flagged about one in twenty lies beyond two sigmas, on either side alike."""
    found = judged("demo")
    rest = found.stand[~found.stand["unit"].isin(found.flagged)]
    assert 0.02 < (rest["sigmas"].abs() > 2).mean() < 0.07
    assert abs((rest["sigmas"] > 0).mean() - 0.5) < 0.05
    assert set(rest["link"]) <= set(JUDGED)


def test_no_two_causes_look_alike() -> None:
    """Every cause has a pair of colour and shape of its own."""
    assert len(set(normal.LOOKS.values())) == len(normal.LOOKS)
    colour, shape = normal.codes(["misread", "stylus_twisted"])
    assert colour.to_dict()["scale"]["domain"] == [fault_words(f) for f in ("stylus_twisted", "misread")]
    assert len(shape.to_dict()["scale"]["range"]) == 2


@pytest.mark.long
def test_a_fleet_without_flags_has_no_marks() -> None:
    """Where nothing is flagged the picture has its dots and says that nothing is."""
    found = judged("awkward 6")
    none = found.units.assign(flagged=False)
    shown = normal.prepare(found.stand, none)
    assert drawn_marks(normal.every_unit(shown)) == []
    assert "0 flagged" in str(normal.every_unit(shown).description)
    assert "flagged" not in shown.sentence
