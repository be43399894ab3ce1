"""Words the pages add: answers with their figures, next steps that follow from the result."""

from __future__ import annotations

import pandas as pd

from dashboards import sentences
from dashboards.layout import plain
from fleet.attainment.attainment import attainment
from fleet.attainment.comparisons import trends
from fleet.attainment.distributions import distribution
from fleet.charts.rates import attainment_answer
from fleet.policy.policy import Policy


def units(n: int = 40, *, vta_deg: float = 21.0) -> pd.DataFrame:
    """Units of two years, rake in its band; whether both can be met is up to the tracking angle."""
    return pd.DataFrame(
        {
            "sheet_no": [f"B{i}" for i in range(n)],
            "measured_on": pd.date_range("2023-01-15", periods=n, freq="15D"),
            "stylus_profile": "line_contact",
            "sra_dynamic_deg": 91.0,
            "vta_dynamic_deg": vta_deg,
            "tilt_room_deg": 3.0,
        }
    )


def test_the_answer_holds_count_rate_and_interval() -> None:
    """10 of 40 units can't be served: the answer says 30, 75% and Wilson's interval 60 to 86%
    (Wilson 1927, computed by hand: (33.8416 / 2 ± ...) / 43.8416)."""
    frame = pd.concat([units(30), units(10, vta_deg=30.0)], ignore_index=True)
    whole = attainment(frame, [], Policy())
    said = attainment_answer(whole, "both_reachable")
    assert said.startswith(
        "Of 40 units read, both targets are within reach of some tilt in 30: 75 % (95 % interval 60 to 86 %)."
    )
    assert "The built-in angle rules it out in 25 %, the room or the lower limit of tilt in 0 %." in said


def test_nothing_read_is_said() -> None:
    """Without a tracking angle nothing can be said of it."""
    whole = attainment(units().drop(columns="vta_dynamic_deg"), [], Policy())
    assert attainment_answer(whole, "tracking_level").startswith("No unit was read")


def test_trends_are_told_only_where_chance_does_not_explain_them() -> None:
    """A flat rate is left to chance; one that falls from all to none is named with its group."""
    flat = attainment(units(), ["stylus_profile"], Policy(), "year")
    assert "chance explains" in sentences.trend_lines(trends(flat), ["stylus_profile"])[0]
    falling = units()
    falling.loc[falling.index >= 24, "vta_dynamic_deg"] = 30.0
    table = attainment(falling, ["stylus_profile"], Policy(), "quarter")
    line = sentences.trend_lines(trends(table), ["stylus_profile"])[0]
    assert line.startswith("line contact: The rate falls")


def test_next_steps_follow_from_the_chances() -> None:
    """A built-in conflict, a made wedge and frequent faults each bring their own advice, and only then."""
    calm = {"p_rake_met": 0.8, "p_conflict_built_in": 0.1, "p_conflict_reach": 0.1, "p_made_wedge": 0.1}
    calm |= {"p_faulty": 0.02}
    assert len(sentences.after_quote(calm)) == 1
    loud = calm | {"p_conflict_built_in": 0.6, "p_made_wedge": 0.8, "p_faulty": 0.2}
    text = " ".join(sentences.after_quote(loud))
    assert "will probably not serve both" in text
    assert "wedge made to measure" in text
    assert "20 % of such units turn out faulty" in text
    room = calm | {"p_conflict_reach": 0.4}
    assert "tilt room decides whether both targets" in sentences.after_quote(room)[0]
    round_tip = room | {"p_rake_met": None}
    assert "tilt room decides whether the tracking angle" in sentences.after_quote(round_tip)[0]


def test_a_slip_brings_the_command_that_mends_it() -> None:
    """A misread sheet is corrected by an intake that supersedes; a sound unit goes on."""
    slip = {"flagged": True, "p_healthy": 0.0, "leading_fault": "misread"}
    assert any("--supersede" in line for line in sentences.after_suspect(slip))
    twisted = slip | {"leading_fault": "stylus_twisted"}
    assert not any("--supersede" in line for line in sentences.after_suspect(twisted))
    sound = {"flagged": False, "p_healthy": 0.99, "leading_fault": "other"}
    assert sentences.after_suspect(sound)[0].startswith("Nothing stands out")


def test_small_groups_are_named_in_the_next_steps() -> None:
    """Groups too small for an interval are named; with none there is no such line."""
    frame = units(12).assign(cantilever_material=["boron"] * 9 + ["ruby"] * 3)
    lines = sentences.after_distribution(distribution(frame, "sra_dynamic_deg", "cantilever_material"))
    assert lines[0].startswith("Too few units to lean on: ruby.")
    lines = sentences.after_distribution(distribution(frame, "sra_dynamic_deg", "stylus_profile"))
    assert not any("Too few" in line for line in lines)


def test_what_stands_in_the_way_decides_the_advice() -> None:
    """Built-in angles are the maker's; room is the body's."""
    built_in = attainment(units(vta_deg=30.0), [], Policy())
    assert "show it to the maker" in sentences.after_attainment(built_in)[0]
    tight = attainment(units().assign(sra_dynamic_deg=86.0, vta_dynamic_deg=16.0), [], Policy())
    assert "Room or lower limit" in sentences.after_attainment(tight)[0]


def test_a_link_to_a_like_enquiry_says_only_what_is_told() -> None:
    """Codes as the sheet has them; what isn't told is left out."""
    row = {"stylus_profile": "narrow_edge", "cantilever_material": float("nan"), "assembly_source": "S_01"}
    assert sentences.asked_like(row) == {"stylus_profile": "narrow_edge", "assembly_source": "S_01"}


def test_signs_are_not_taken_for_markup_but_commands_are() -> None:
    """Stars, dollars and colons stay what they are; a command between backquotes stays a command."""
    assert plain("5 * 3_a $x$ :red[b]") == "5 \\* 3\\_a \\$x\\$ \\:red\\[b\\]"
    assert plain("run `fleet refit`") == "run `fleet refit`"
