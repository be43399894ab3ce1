"""Target policies: the file, its defaults, its refusals, and what follows from it for wedge and price."""

import numpy as np
import pytest

from fleet.errors import FleetError
from fleet.policy.files import DEFAULT_TOML, load_policy, pick_policy
from fleet.policy.policy import Policy
from fleet.policy.remedies import made_wedge, price, remedy


def written(tmp_path, text):
    path = tmp_path / "policies.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_shown_file_is_the_default(tmp_path):
    """The file shown to users, read back, is the built-in default, and names every key that has one."""
    assert load_policy(written(tmp_path, DEFAULT_TOML)) == {"default": Policy()}
    assert load_policy(None) == {"default": Policy()}
    keys = {line.strip("# ").split(" = ")[0] for line in DEFAULT_TOML.splitlines() if " = " in line}
    assert {f for f in Policy.__dataclass_fields__ if f != "name"} <= keys


def test_defaults_are_common_practice():
    """Rake 90.5-92.5, best 91-92, aim 91; tracking 22, wish 20; tilt from -5; arm alone 1 deg (no source)."""
    policy = Policy()
    assert policy.rake_accepted_deg == (90.5, 92.5)
    assert policy.rake_best_deg == (91.0, 92.0)
    assert policy.aim_deg == 91.0
    assert (policy.tracking_limit_deg, policy.tracking_wish_deg) == (22.0, 20.0)
    assert (policy.tilt_lower_limit_deg, policy.clearance_deg, policy.guard_sigmas) == (-5.0, 0.0, 0.0)
    assert policy.arm_only_deg == (-1.0, 1.0)
    assert policy.stock_wedges_deg == ()
    assert policy.hourly_rate is None


def test_several_policies_by_name(tmp_path):
    """Tables may build on each other in any order; what they leave out comes from there."""
    path = written(
        tmp_path,
        '[edge]\nbased_on = "strict"\nrake_aim_deg = 90.5\n'
        "[strict]\ntracking_limit_deg = 21\nrake_best_deg = [91.2, 91.8]\n",
    )
    policies = load_policy(path)
    assert list(policies) == ["default", "edge", "strict"]
    assert policies["strict"].aim_deg == 91.2
    assert (policies["edge"].aim_deg, policies["edge"].tracking_limit_deg) == (90.5, 21.0)
    assert pick_policy(policies, "").name == "default"
    assert pick_policy(policies, "edge").name == "edge"
    with pytest.raises(FleetError, match=r"no policy 'loose'.*default, edge, strict"):
        pick_policy(policies, "loose")


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("rake_acepted_deg = [90, 92]", "unknown key 'rake_acepted_deg'"),
        ("rake_accepted_deg = [92.5, 90.5]", "rake_accepted_deg must be two numbers, the lower first"),
        ("rake_accepted_deg = [90.5]", "rake_accepted_deg must be two numbers"),
        ('rake_accepted_deg = ["a", 92]', "rake_accepted_deg must be a list of numbers"),
        ("rake_best_deg = [90.0, 92.0]", "rake_best_deg must lie within"),
        ("rake_aim_deg = 93", "rake_aim_deg must lie within"),
        ("rake_kept_deg = 90.6", "rake_kept_deg must lie between"),
        ("tracking_limit_deg = -1", "tracking_limit_deg must be above 0"),
        ("tracking_wish_deg = 23", "tracking_wish_deg must be above 0 and at most"),
        ("tracking_limit_deg = true", "tracking_limit_deg must be a number"),
        ("tracking_limit_deg = nan", "tracking_limit_deg must be a number"),
        ('preference = ["rake"]', "preference must be"),
        ("tilt_lower_limit_deg = 1", "tilt_lower_limit_deg must be from -20 to 0"),
        ("clearance_deg = 6", "clearance_deg must be from 0"),
        ("guard_sigmas = 1", "rake_reading_sd_deg must be given when guard_sigmas"),
        (
            "guard_sigmas = 5\nrake_reading_sd_deg = 1\ntracking_reading_sd_deg = 1",
            "guard_sigmas leaves nothing",
        ),
        ("arm_only_deg = [0.5, 1]", "arm_only_deg must hold 0"),
        ("stock_wedges_deg = [25]", "stock_wedges_deg must be within"),
        ("wedge_step_deg = 0", "wedge_step_deg must be from"),
        ("hourly_rate = -1", "hourly_rate must not be negative"),
        ("price_quantile_low = 0.6", "price_quantile_quoted breaks the order"),
        ("currency = 3", "currency must be a text"),
        ('currency = "a customer"', "currency must be three capitals such as EUR"),
        ('currency = "eur"', "currency must be three capitals such as EUR"),
        ('based_on = "nowhere"', "based_on names 'nowhere'"),
        ('based_on = "strict"', "goes round in a circle"),
    ],
)
def test_a_wrong_key_is_named_in_one_line(tmp_path, line, words):
    """A mistake in the file is answered by one line with file, policy, key and what was expected."""
    with pytest.raises(FleetError, match=words) as caught:
        load_policy(written(tmp_path, f"[strict]\n{line}\n"))
    assert "\n" not in str(caught.value)
    assert "policies.toml" in str(caught.value)
    assert "'strict'" in str(caught.value)


def test_unreadable_files(tmp_path):
    """A missing file, no TOML and a key outside any table are the user's to mend, too."""
    with pytest.raises(FleetError, match="can't be read"):
        load_policy(tmp_path / "none.toml")
    with pytest.raises(FleetError, match="is no valid TOML"):
        load_policy(written(tmp_path, "[strict\n"))
    with pytest.raises(FleetError, match="'rake_aim_deg' is no policy table"):
        load_policy(written(tmp_path, "rake_aim_deg = 91\n"))


def test_fingerprint_follows_content():
    """Equal content has an equal fingerprint whatever its name; any change of content changes it."""
    assert Policy().fingerprint == Policy(name="other").fingerprint == Policy(rake_aim_deg=91.0).fingerprint
    assert Policy().fingerprint == Policy(tracking_limit_deg=22).fingerprint
    assert Policy().but(tracking_limit_deg=24).fingerprint != Policy().fingerprint
    assert Policy().label == f"default ({Policy().fingerprint})"
    assert len(Policy().fingerprint) == 12


def test_fingerprint_is_stable():
    """The default policy's fingerprint stays the same from release to release (a change is a new policy)."""
    assert Policy().fingerprint == "e1b1f859e7cd"


def test_but_lets_the_aim_follow_the_band():
    """A what-if that moves the best band moves an aim that stood at its lower end; a chosen aim stays."""
    assert Policy().but(rake_best_deg=(91.3, 92.0)).aim_deg == 91.3
    assert Policy(rake_aim_deg=90.5).but(rake_best_deg=(91.3, 92.0)).aim_deg == 90.5
    with pytest.raises(FleetError, match="no key 'rake'"):
        Policy().but(rake=3)


def test_guard_narrows_the_limits():
    """A guard of two sigmas takes twice the reading's sd off either end of the band and off the limit."""
    policy = Policy(guard_sigmas=2.0, rake_reading_sd_deg=0.1, tracking_reading_sd_deg=0.3)
    assert policy.guarded_rake_deg == pytest.approx((90.7, 92.3))
    assert policy.guarded_tracking_deg == pytest.approx(21.4)


def test_remedies():
    """Within 1 deg the arm does it, on a stock wedge within tolerance the drawer does, else one is made."""
    policy = Policy(stock_wedges_deg=(2.0, -2.0), stock_tolerance_deg=0.25)
    tilts = np.array([0.0, 1.0, -1.0, 1.1, 1.75, 2.25, 2.3, -2.0, np.nan])
    assert list(remedy(tilts, policy)) == [
        *("none", "arm_only", "arm_only", "made_wedge"),
        *("stock_wedge", "stock_wedge", "made_wedge", "stock_wedge", None),
    ]
    assert list(made_wedge(tilts, policy)) == [False, False, False, True, False, False, True, False, False]


def test_price():
    """Base fee plus time plus wedge, halves rounded up; without an hourly rate no price is named."""
    policy = Policy(hourly_rate=60.0, base_fee=20.0, wedge_fee=35.0, rounding=5.0)
    np.testing.assert_allclose(price([60.0, 60.0, 62.5], [False, True, False], policy), [80.0, 115.0, 85.0])
    assert np.isnan(price([60.0, 10.0], True, Policy())).all()
    assert price(61.0, False, policy.but(rounding=0)) == pytest.approx(81.0)


def test_wedge_dimensions_leave_old_fingerprints_alone() -> None:
    """A policy that says nothing of wedge dimensions keeps the fingerprint it had before there were any.

    Another length is another policy; what can't be is refused.
    """
    plain = Policy()
    assert plain.fingerprint == "e1b1f859e7cd"
    assert Policy(wedge_length_mm=15.0).fingerprint == plain.fingerprint
    assert Policy(wedge_length_mm=14.0).fingerprint != plain.fingerprint
    with pytest.raises(FleetError, match="wedge_edge_to_holes_mm must not be longer"):
        Policy(wedge_length_mm=4.0)
    with pytest.raises(FleetError, match=r"wedge_density_g_cm3 must be from 0\.1 to 25"):
        Policy(wedge_density_g_cm3=0.0)
