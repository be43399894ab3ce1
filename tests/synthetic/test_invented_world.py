"""Sheets, enquiries and draws of an invented world agree with its own truth."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from fleet import columns
from fleet.alignment.tilt import reach
from fleet.errors import FleetError
from fleet.policy.files import load_policy
from synthetic_data import units as units_module
from synthetic_data.catalogue import draw_catalogue
from synthetic_data.frames import SHEET_COLUMNS
from synthetic_data.readings import STEPS
from synthetic_data.spec import FAULTS, SLIPS, TIDY, Noise
from synthetic_data.world import NOT_TOLD, World, WorldSpec

N = 40_000


@pytest.fixture(scope="module")
def world() -> World:
    return World(WorldSpec(seed=3, **TIDY))


@pytest.fixture(scope="module")
def sheets_and_truth(world: World) -> tuple[pd.DataFrame, pd.DataFrame]:
    return world.sheets(N)


def test_the_same_spec_is_the_same_world_and_another_stream_another_sample(world: World) -> None:
    """Equal specs give equal sheets, however often asked; a stream changes units but no family."""
    first, truth = world.sheets(200)
    again, truth_again = World(WorldSpec(seed=3, **TIDY)).sheets(200)
    pd.testing.assert_frame_equal(first, again)
    pd.testing.assert_frame_equal(truth, truth_again)
    other, _ = world.sheets(200, stream=1)
    assert not np.array_equal(first["sra_static_deg"], other["sra_static_deg"])
    facts = ["body_family", "assembly_source", "vtf_mn", "stylus_profile", "cantilever_material"]
    lines = pd.concat([first, other])[facts].drop_duplicates()
    assert lines["body_family"].is_unique


def test_sheets_keep_the_contract(sheets_and_truth: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """Columns are canonical, every figure lies in its accepted range, every word is an accepted word."""
    sheets, truth = sheets_and_truth
    assert set(sheets.columns) <= set(columns.COLUMNS)
    assert list(sheets.columns) == list(SHEET_COLUMNS)
    assert sheets["sheet_no"].is_unique
    assert sheets["measured_on"].is_monotonic_increasing
    assert (truth["sheet_no"] == sheets["sheet_no"]).all()
    for name in sheets.columns:
        column, told = columns.COLUMNS[name], sheets[name].dropna()
        if column.kind == "number":
            assert told.between(column.low, column.high).all(), name
            if column.choices:
                assert set(told.unique()) <= set(column.choices)
        if column.kind == "word":
            assert set(told.unique()) <= set(column.words), name
        if column.kind == "codes":
            assert {word for cell in told.unique() for word in cell.split(";")} <= set(column.words)
        if column.kind == "code":
            assert told.astype("str").str.fullmatch(columns.CODE_PATTERN).all(), name


@pytest.mark.parametrize(
    "name",
    [
        "sra_static_deg",
        "sra_dynamic_deg",
        "vta_dynamic_deg",
        "azimuth_optical_deg",
        "azimuth_electrical_deg",
        "zenith_deg",
        "channel_balance_db",
    ],
)
def test_reading_minus_truth_has_the_stated_noise(
    world: World, sheets_and_truth: tuple[pd.DataFrame, pd.DataFrame], name: str
) -> None:
    """Within an operator, reading minus truth has the noise's sd with the rounding step's step^2/12."""
    sheets, truth = sheets_and_truth
    error = (sheets[name] - truth[name])[truth["fault"] != "misread"]
    by_operator = error - error.groupby(sheets["operator"]).transform("mean")
    expected = np.hypot(getattr(world.spec.noise, name), STEPS[name] / np.sqrt(12.0))
    assert abs(by_operator.std() / expected - 1.0) < 0.02  # 5 standard errors at 37 000 readings
    habit = error.groupby(sheets["operator"]).mean().abs().max()
    assert habit < 4.0 * Noise().operator * getattr(world.spec.noise, name)


def test_read_sag_is_sag_plus_the_noise_of_two_readings(
    world: World, sheets_and_truth: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    """The operator's habit cancels in the sag; its reading can be below zero though the truth is not."""
    sheets, truth = sheets_and_truth
    read = sheets["sra_static_deg"] - sheets["sra_dynamic_deg"]
    error = (read - truth["sag_deg"])[truth["fault"] != "misread"]
    noise = world.spec.noise
    step = STEPS["sra_static_deg"]
    expected = np.sqrt(noise.sra_static_deg**2 + noise.sra_dynamic_deg**2 + 2 * step**2 / 12.0)
    assert abs(error.std() / expected - 1.0) < 0.02
    assert abs(error.mean()) < 5.0 * expected / np.sqrt(N)
    assert (truth["sag_deg"] > 0).all()
    assert (read < 0).any()


def test_shares_are_those_asked_for(
    world: World, sheets_and_truth: tuple[pd.DataFrame, pd.DataFrame]
) -> None:
    """Faulty units, slips, repeats and missing facts come at their shares, within 4 standard errors."""
    sheets, truth = sheets_and_truth
    spec = world.spec
    healthy = truth["fault"].isin(["healthy", "misread"])
    for share, wanted in (
        (truth["fault"].isin(FAULTS).mean(), spec.fault_share),
        ((truth["slip"] != "")[healthy].mean(), spec.slip_share),
        (sheets["compliance_um_per_mn"].isna().mean(), spec.missing_compliance),
        (sheets["cantilever_length_mm"].isna().mean(), spec.missing_length),
        (sheets["vta_dynamic_deg"].isna().mean(), spec.missing_vta),
        (sheets["temperature_c"].isna().mean(), spec.missing_temperature),
        (sheets["hours_used"].isna().mean(), spec.missing_hours),
    ):
        assert abs(share - wanted) < 4.0 * np.sqrt(wanted * (1 - wanted) / N)
    assert sheets["serial"].nunique() == N - int(N * spec.repeat_share)
    assert (sheets["compliance_frequency_hz"].isna() == sheets["compliance_um_per_mn"].isna()).all()
    assert (truth.loc[truth["slip"] != "", "fault"] == "misread").all()


def test_a_unit_measured_again_is_the_same_unit(
    sheets_and_truth: tuple[pd.DataFrame, pd.DataFrame],
) -> None:
    """Repeats keep fault, built-in angle, zenith and softness; only hours (and what follows) grow."""
    _, truth = sheets_and_truth
    twice = truth[truth.duplicated("unit", keep=False)].groupby("unit")
    for name in ("built_in_deg", "zenith_deg", "softness", "fault_size"):
        assert (twice[name].max() == twice[name].min()).all(), name
    assert (twice["hours_used"].last() >= twice["hours_used"].first()).all()


def test_a_retipped_unit_is_another_unit_under_the_same_serial() -> None:
    """After a new assembly the serial stays, the unit's name changes and the sheet says `retipped`."""
    sheets, truth = World(WorldSpec(seed=3, repeat_share=0.4, retip_share=0.5)).sheets(2000)
    retipped = sheets["peculiarities"].fillna("").str.contains("retipped")
    assert retipped.sum() == 400
    fresh = truth[retipped.to_numpy()]
    first = truth[~retipped.to_numpy()].drop_duplicates("serial").set_index("serial")
    assert not (first.loc[fresh["serial"], "built_in_deg"].to_numpy() == fresh["built_in_deg"]).any()
    assert set(fresh["unit"]).isdisjoint(first["unit"])
    by_serial = sheets.groupby("serial")["measured_on"].min()
    assert (sheets[retipped].set_index("serial")["measured_on"] >= by_serial.loc[fresh["serial"]]).all()


def test_slips_spoil_what_they_say(world: World) -> None:
    """Every kind of slip leaves the mark of its kind on the reading, against the truth."""
    sheets, truth = World(WorldSpec(seed=5, **TIDY, slip_share=0.5, fault_share=0.0, missing_vta=0.0)).sheets(
        6000
    )
    read = sheets[["sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg"]]
    off = read - truth[list(read.columns)]
    kind = truth["slip"]
    assert set(kind) == {"", *SLIPS}
    swapped = kind == "swapped"
    sag = (read["sra_static_deg"] - read["sra_dynamic_deg"])[swapped]
    assert abs((sag + truth["sag_deg"][swapped]).mean()) < 0.05
    tens = off[kind == "tens_wrong"].abs().max(axis=1)
    assert ((tens > 8.0) & (tens < 12.0)).all()
    unit = (read / truth[list(read.columns)])[kind == "wrong_unit"]
    ratio = np.exp(np.log(unit).abs().max(axis=1))
    assert abs(ratio.median() - 10.0 / 9.0) < 0.01
    signed = ["zenith_deg", "azimuth_optical_deg", "azimuth_electrical_deg", "channel_balance_db"]
    flipped = (sheets[signed] + truth[signed])[kind == "sign_flipped"].abs().min(axis=1)
    assert (flipped < 1.2).all()
    digits = off[kind == "digits_exchanged"].abs().max(axis=1)
    # Exchanging a and b in a.b moves the figure by 0.9 (b - a).
    whole_steps = (digits / 0.9).round() * 0.9
    assert np.percentile((digits - whole_steps).abs(), 90) < 0.75
    clean = off[kind == ""].abs().max(axis=1)
    assert clean.max() < 2.0


def test_spherical_families_have_neither_rake_nor_zenith() -> None:
    """Their sheets and truth are empty there, and both targets met means tracking met."""
    world = World(WorldSpec(seed=4, spherical_share=0.3))
    sheets, truth = world.sheets(3000)
    edgeless = sheets["stylus_profile"] == "spherical"
    assert 0.02 < edgeless.mean() < 0.8
    for frame in (sheets, truth):
        for name in ("sra_static_deg", "sra_dynamic_deg", "zenith_deg"):
            assert frame.loc[edgeless, name].isna().all()
            assert frame.loc[~edgeless, name].notna().all()
    assert not truth.loc[edgeless, "fault"].isin(["rake_set_wrong", "stylus_twisted"]).any()
    assert (truth["both_reachable"] == truth["tracking_reachable"])[edgeless].all()


def test_reachable_is_what_the_default_policy_calls_reachable() -> None:
    """The world's own rule of reach and the tool's, written apart, agree on every unit."""
    _, truth = World(WorldSpec(seed=5, spherical_share=0.2)).sheets(8000)
    sra, vta, room = (truth[f"{n}_deg"].to_numpy() for n in ("sra_dynamic", "vta_dynamic", "tilt_room"))
    found = reach(sra, vta, room, load_policy()["default"])
    for name in ("rake", "tracking", "both"):
        assert np.array_equal(getattr(found, name), truth[f"{name}_reachable"]), name


def test_scales_of_the_spec_reach_the_catalogue() -> None:
    """Double the spread between sources doubles their effects and leaves families as they are."""
    plain, wide = (draw_catalogue(WorldSpec(seed=6, source_sd_scale=k)) for k in (1.0, 2.0))
    base = WorldSpec(seed=6)
    for name, centre in (
        ("built_in_mean_deg", base.built_in_mean_deg + plain.figures("family_built_in_deg")),
        ("tracking_mean_deg", base.tracking_mean_deg + plain.figures("family_tracking_deg")),
    ):
        assert np.allclose(wide.figures(name) - centre, 2.0 * (plain.figures(name) - centre))
    softness = [
        np.log(c.figures("static_compliance") / c.figures("compliance_10_hz") / base.softness_median)
        for c in (plain, wide)
    ]
    assert np.allclose(softness[1], 2.0 * softness[0])


@pytest.mark.long
def test_between_source_and_family_sds_are_the_reference_ones() -> None:
    """Over many seeds the sds between sources and families are those of the spec."""
    spec = WorldSpec(seed=0).spread
    frames = [draw_catalogue(WorldSpec(seed=s)).frame.iloc[:36] for s in range(150)]
    families = pd.concat(frames)
    assert abs(families["family_tracking_deg"].std() / spec.tracking_family_deg - 1.0) < 0.04
    slope = np.polyfit(families["family_tracking_deg"], families["family_built_in_deg"], 1)[0]
    assert abs(slope - spec.built_in_per_tracking_family) < 0.03
    left = families["family_built_in_deg"] - slope * families["family_tracking_deg"]
    assert abs(left.std() / spec.built_in_family_deg - 1.0) < 0.04
    sources = pd.concat([f.drop_duplicates("assembly_source") for f in frames])
    effect = sources["tracking_mean_deg"] - 25.0 - sources["family_tracking_deg"]
    assert abs(effect.std() / spec.tracking_source_deg - 1.0) < 0.12
    softness = np.log(sources["static_compliance"] / sources["compliance_10_hz"])
    assert abs(np.exp(softness.median()) / 1.75 - 1.0) < 0.04
    assert abs(softness.std() / spec.softness_source_log - 1.0) < 0.12


def test_drift_moves_the_rake_readings_alone() -> None:
    """A drifting bench reads the rake ever higher from its day on; the truth and VTA stay."""
    spec = {**TIDY, "seed": 7, "fault_share": 0.0, "slip_share": 0.0}
    still, truth = World(WorldSpec(**spec)).sheets(1500)
    drifting, same = World(WorldSpec(**spec, drift_deg_per_week=0.05, drift_from=0.5)).sheets(1500)
    pd.testing.assert_frame_equal(truth, same)
    days = (still["measured_on"] - pd.Timestamp(WorldSpec(seed=7).start)).dt.days
    expected = 0.05 * np.maximum(days - 0.5 * 4.4 * 365.25, 0.0) / 7.0
    for name in ("sra_static_deg", "sra_dynamic_deg"):
        assert np.allclose(drifting[name] - still[name], expected, atol=0.051)
    pd.testing.assert_series_equal(still["vta_dynamic_deg"], drifting["vta_dynamic_deg"])


def test_sheets_are_drawn_all_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A thousand times the sheets takes no more solver calls: nothing loops over sheets."""
    calls = []
    solver = units_module.settled_deg

    def counted(*args: object) -> object:
        calls.append(1)
        return solver(*args)  # type: ignore[arg-type]

    monkeypatch.setattr(units_module, "settled_deg", counted)
    world = World(WorldSpec(seed=8))
    for n in (20, 20_000):
        world.sheets(n)
    assert len(calls) == 4


def test_enquiries_hide_facts_at_their_shares_and_keep_the_contract(world: World) -> None:
    """Each fact is untold at its share, columns are the enquiry file's, outcomes answer in order."""
    n = 8000
    enquiries, outcomes, truth = world.enquiries(n, not_told={"hours_used": 0.5})
    assert set(enquiries.columns) <= set(columns.ENQUIRY_COLUMNS)
    for name, share in {**NOT_TOLD, "hours_used": 0.5}.items():
        assert abs(enquiries[name].isna().mean() - share) <= 4.0 * np.sqrt(share * (1 - share) / n), name
    assert list(outcomes["enquiry_id"]) == list(enquiries["enquiry_id"]) == list(truth["enquiry_id"])
    assert set(outcomes.columns) <= set(columns.COLUMNS)
    told = enquiries["body_family"].notna()
    assert (enquiries["body_family"] == truth["body_family"])[told].all()
    sheets, _ = world.sheets(500)
    assert outcomes["measured_on"].min() > sheets["measured_on"].max()
    assert set(outcomes["sheet_no"]).isdisjoint(sheets["sheet_no"])


def test_new_families_come_in_enquiries_only(world: World) -> None:
    """At the share asked for, enquiries are about families that no sheet shows."""
    sheets, _ = world.sheets(5000)
    _, _, truth = world.enquiries(4000, new_family_share=0.25)
    new = ~truth["body_family"].isin(sheets["body_family"].unique())
    assert abs(new.mean() - 0.25) < 0.03
    assert truth.loc[new, "body_family"].nunique() == world.spec.n_new_families
    assert set(world.families) == set(sheets["body_family"])


def _ranks(world: World, drawer: World, *, visit_share: float = 0.0, n: int = 250) -> dict[str, np.ndarray]:
    """Where the outcomes stand in draws of the predictive distribution, with chance for ties, in (0, 1)."""
    enquiries, outcomes, _ = world.enquiries(n, new_family_share=0.1, visit_share=visit_share, stream=2)
    rng = np.random.default_rng(0)
    names = ("sra_dynamic_deg", "vta_dynamic_deg", "zenith_deg", "tilt_room_deg", "bench_minutes")
    ranks = {name: [] for name in names}
    for i, facts in enumerate(enquiries.to_dict("records")):
        drawn = drawer.draws(facts, 60, new_family_share=0.1, stream=i)
        for name in names:
            got, values = outcomes[name].iloc[i], drawn[name].to_numpy()
            if not np.isnan(got) and (name != "tilt_room_deg" or pd.isna(facts[name])):
                below, same = (values < got).sum(), (values == got).sum()
                ranks[name].append((below + rng.uniform(0, same + 1)) / (len(values) + 1))
    return {name: np.array(r) for name, r in ranks.items()}


@pytest.mark.parametrize("visit_share", [0.0, pytest.param(1.0, marks=pytest.mark.long)])
@pytest.mark.parametrize(
    "spec", [pytest.param(TIDY, marks=pytest.mark.long, id="tidy"), pytest.param({}, id="as a workshop's")]
)
def test_draws_are_the_true_predictive_distribution(spec: dict[str, Any], visit_share: float) -> None:
    """Outcomes are uniform in the draws given the facts told, with or without an earlier visit."""
    world = World(WorldSpec(seed=3, **spec))
    for name, ranks in _ranks(world, world, visit_share=visit_share).items():
        assert len(ranks) > 100
        assert stats.kstest(ranks, "uniform").pvalue > 0.002, name


def test_draws_of_a_wrong_world_are_found_out(world: World) -> None:
    """The same check rejects a world of half the unit spread: it can fail."""
    spread = world.spec.spread
    narrow = World(
        WorldSpec(
            seed=3,
            **{
                **TIDY,
                "spread": type(spread)(tracking_unit_deg=0.5, built_in_unit_deg=0.4, softness_unit_log=0.06),
            },
        )
    )
    ranks = _ranks(world, narrow, n=150)
    assert stats.kstest(ranks["sra_dynamic_deg"], "uniform").pvalue < 1e-4


def test_draws_take_the_told_family_and_match_the_untold_one(world: World) -> None:
    """A told family gives its own specification; an untold one comes from families with the told words."""
    line = world.catalogue.frame.iloc[4]
    drawn = world.draws({"body_family": line["body_family"], "tilt_room_deg": 2.5}, 500)
    assert set(drawn["body_family"]) == {line["body_family"]}
    assert set(drawn["tilt_room_deg"]) == {2.5}
    facts = {"stylus_profile": "line_contact", "assembly_source": "S01", "body_family": None}
    mixed = world.draws(facts, 3000)
    frame = world.catalogue.frame.assign(share=world.catalogue.share)
    match = frame[(frame["stylus_profile"] == "line_contact") & (frame["assembly_source"] == "S01")]
    expected = match.set_index("body_family")["share"] / match["share"].sum()
    found = mixed["body_family"].value_counts(normalize=True).reindex(expected.index).fillna(0.0)
    assert np.abs(found - expected).max() < 4.0 * np.sqrt(0.25 / 3000)


def test_healthy_draws_carry_no_fault_and_named_ones_carry_theirs(world: World) -> None:
    """`healthy` and `faults=...` draw what they say; the same streams give the same draws."""
    family = world.families[0]
    sound = world.healthy(family, 800)
    assert set(sound["fault"]) == {"healthy"}
    twisted = world.draws({"body_family": family}, 800, faults="stylus_twisted")
    assert set(twisted["fault"]) == {"stylus_twisted"}
    assert twisted["zenith_deg"].std() > 3.0 * sound["zenith_deg"].std()
    pd.testing.assert_frame_equal(sound, world.healthy(family, 800))
    share = (world.draws({"body_family": family}, 20_000)["fault"].isin(FAULTS)).mean()
    assert abs(share - 0.05) < 0.007


def test_withheld_families_leave_the_sheets(world: World) -> None:
    """The two parts are disjoint in families and together hold every sheet."""
    sheets, _ = world.sheets(600)
    rest, held = world.withhold(sheets, world.families[:2])
    assert len(rest) + len(held) == 600
    assert set(held["body_family"]) == set(world.families[:2])
    assert set(rest["body_family"]).isdisjoint(held["body_family"])


@pytest.mark.parametrize(
    ("facts", "line"),
    [
        ({"body_family": "F999"}, "no family 'F999'"),
        ({"stylus_profile": "spherical"}, "no family of this world matches"),
    ],
)
def test_facts_that_match_nothing_are_refused(world: World, facts: dict[str, str], line: str) -> None:
    """A family that isn't there, or facts that no family has, get one clear line."""
    with pytest.raises(FleetError, match=line):
        world.draws(facts, 10)


def test_impossible_specs_are_refused(world: World) -> None:
    """Shares outside their range, unknown faults and unknown facts get one clear line."""
    with pytest.raises(FleetError, match="repeat_share"):
        WorldSpec(seed=1, repeat_share=0.8)
    with pytest.raises(FleetError, match="fault_share"):
        WorldSpec(seed=1, fault_share=-0.1)
    with pytest.raises(FleetError, match="n_families"):
        WorldSpec(seed=1, n_families=3)
    with pytest.raises(FleetError, match="no fault is called"):
        world.draws({}, 5, faults="lost")
    with pytest.raises(FleetError, match="names no enquiry column"):
        world.enquiries(5, not_told={"colour": 0.5})
    with pytest.raises(FleetError, match="new_family_share"):
        world.enquiries(5, new_family_share=1.5)
