"""A header that leaves something open is never taken for one of its meanings without a question."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fleet.intake import propose_guide
from fleet.intake.guides.headers import meanings

Write = Callable[..., Path]


@pytest.mark.parametrize(
    ("header", "to"),
    [
        ("SRA (static)", "sra_static_deg"),
        ("SRA (dyn.) [°]", "sra_dynamic_deg"),
        ("Rake, record turning", ""),
        ("VTA statisch [°]", ""),
        ("VTA dynamisch", "vta_dynamic_deg"),
        ("Azimuth (optical)", "azimuth_optical_deg"),
        ("Azimut électrique [°]", "azimuth_electrical_deg"),
        ("Rake spread", ""),
        ("Zenith (±)", "zenith_deg"),
        ("Tracking force (g)", "vtf_mn"),
        ("Übersprechen R->L", "crosstalk_r_to_l_db"),
    ],
)
def test_a_whole_name_has_one_meaning(header: str, to: str) -> None:
    """Still, turning, seen, electrical are read inside brackets too; what has no place in a sheet is none."""
    best = meanings(header)[0][0]
    assert (best.to, best.open) == (to, "")


HALF = ["SRA", "Rake [°]", "VTA", "Spurwinkel", "Azimuth", "Azimut (°)", "Rake after"]


@pytest.mark.parametrize("header", HALF)
def test_half_a_name_stays_open(header: str) -> None:
    """The bare name of an angle says neither still nor turning, neither seen nor electrical."""
    assert meanings(header)[0][0].open


def drafted(write: Write, header: str, rows: list[str]) -> dict[str, list[str]]:
    """The first question about each set of headers, with its answers."""
    text = "\n".join(
        [f"No;Date;Model;{header}", *(f"N{i};{i + 13}.01.2024;M{i % 3};{r}" for i, r in enumerate(rows))]
    )
    proposal = propose_guide(write(text + "\n"))
    told: dict[str, list[str]] = {}
    for question in proposal.open:
        told.setdefault(" ".join(question.about), [question.line, *(c.words for c in question.choices)])
    return told


def test_bare_angles_are_asked_about(write: Write) -> None:
    """Nothing of SRA, VTA and Azimuth goes in unasked; one question serves rake and tracking angle."""
    asked = drafted(write, "SRA;VTA;Azimuth", ["91,5;20,5;0,4", "90,5;21,5;-0,4", "92,0;22,0;0,1"])
    assert {"SRA VTA", "Azimuth"} <= set(asked)
    assert asked["SRA VTA"][1:3] == ["record turning", "record still (VTA is left out then)"]


def test_two_rakes_are_told_apart_by_their_figures(write: Write) -> None:
    """Of two columns of one name the higher one is proposed as still, and asked about; the draft is TOML."""
    asked = drafted(write, "SRA;SRA", ["90,5;91,2", "89,5;90,1", "92,0;92,4"])
    text, first, *_ = asked["SRA SRA (2)"]
    assert "SRA (2) lies 0.57° above SRA on average" in text
    assert first == "SRA is sra_dynamic_deg, SRA (2) is sra_static_deg"


def test_names_that_the_figures_contradict_are_asked_about(write: Write) -> None:
    """A still rake below the turning one on average is a question, whatever the headers say."""
    asked = drafted(write, "Rake still;Rake turning", ["90,5;91,2", "89,5;90,1", "92,0;92,4"])
    assert "Rake still lies 0.57° below Rake turning" in asked["Rake still Rake turning"][0]
    assert drafted(write, "Rake still;Rake turning", ["91,2;90,5", "90,1;89,5"]).keys() == {
        "Rake still Rake turning"
    }  # whether they were read level


@pytest.mark.parametrize("unit", ["%", "'", "mrad"])
def test_a_unit_that_is_not_known_is_never_passed_over(write: Write, unit: str) -> None:
    """Figures under a unit that no scale knows stay out, or are asked about."""
    lines = ["No;Date;Model;Zenith [UNIT]", "N1;13.01.2024;M1;1,5", "N2;14.01.2024;M1;-0,5"]
    proposal = propose_guide(write("\n".join(lines).replace("UNIT", unit) + "\n"))
    (read,) = [read for read in proposal.columns if read.header.startswith("Zenith")]
    asked = [q for q in proposal.open if q.text == "Is this right?" and read.header in q.about]
    assert read.rule is None or asked


def test_signs_are_asked_about(write: Write) -> None:
    """Zenith, balance and tilt say what + means; figures never below 0 that a sign may be missing."""
    text, *choices = drafted(write, "Zenith;Balance;Tilt used", ["1,2;-0,5;1,0", "0,4;0,5;-1,0"])[
        "Zenith Balance Tilt used"
    ]
    assert "looking at the tip" in text
    assert "left channel louder" in text
    assert "tail up" in text
    assert choices == [
        "Zenith has the other sign",
        "Zenith has no sign, as no figure is below 0: leave it out",
        "Balance has the other sign",
        "Tilt used has the other sign",
    ]
