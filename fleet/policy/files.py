"""Policies in a TOML file, several by name: read, picked by name, written out complete."""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING, Any, Final

from fleet.errors import FleetError, UnreadableFileError, meant
from fleet.files.door import read_toml
from fleet.policy.policy import DEFAULT_NAME, Policy, policy_keys

if TYPE_CHECKING:
    from pathlib import Path

DEFAULT_TOML: Final = """\
# Target policies. One table a policy; [default] is used where no other is named. A key that is left out
# has the value shown here; `based_on = "name"` starts from another policy of this file instead.
# Angles in degrees.

[default]
# What counts as met, dynamic, after the tilt (common practice).
rake_accepted_deg = [90.5, 92.5]
rake_best_deg = [91.0, 92.0]
tracking_limit_deg = 22.0
tracking_wish_deg = 20.0

# Which target goes first, and where the rake stands once tracking has been brought down as far as it may go.
preference = ["rake", "tracking"]
rake_aim_deg = 91.0
# rake_kept_deg = 92.0    # leave the rake here instead wherever tracking is within its limit with it

# How far a body may be tilted: up to tilt_room_deg less the room to be left, down to the lower limit.
tilt_lower_limit_deg = -5.0
clearance_deg = 0.0               # room to be left

# Keep this many standard deviations of a reading away from every accepted limit.
guard_sigmas = 0.0
# rake_reading_sd_deg = 0.15      # the bench's own repeatability; needed as soon as guard_sigmas is not 0
# tracking_reading_sd_deg = 0.35

# How far an angle that an enquiry tells may be off, by who read it: standard deviations (common practice, no
# source). What a bench read is taken to be as good as the bench's own repeats.
photo_rake_sd_deg = 1.0           # the owner's photo
photo_tracking_sd_deg = 1.5
eye_rake_sd_deg = 2.0             # the owner, by eye
eye_tracking_sd_deg = 3.0
maker_rake_sd_deg = 0.5           # the maker's own sheet about this unit
maker_tracking_sd_deg = 1.0

# How the tilt is made.
arm_only_deg = [-1.0, 1.0]
stock_wedges_deg = []             # an angle serves both senses, turned round
stock_tolerance_deg = 0.25
wedge_step_deg = 0.1
wedge_range_deg = [-5.0, 20.0]

# What a wedge is cut from (common practice, no source): measure your own blanks.
wedge_length_mm = 15.0            # thin end to thick end
wedge_width_mm = 16.0
wedge_edge_to_holes_mm = 5.0      # thin end to the line of the mounting holes
wedge_least_mm = 1.0              # thinnest place
wedge_density_g_cm3 = 8.5         # brass

# Money: without an hourly rate no price is named.
# hourly_rate = 60.0
base_fee = 0.0
wedge_fee = 0.0
rounding = 1.0
currency = ""
price_quantile_low = 0.1
price_quantile_quoted = 0.5
price_quantile_high = 0.9
"""


_MOST_POLICIES: Final = 100


def load_policy(path: str | Path | None = None) -> dict[str, Policy]:
    """Read the policies of one TOML file by name.

    Parameters
    ----------
    path
        The file; None for the built-in default alone.

    Returns
    -------
    dict
        Policies by name, in the file's order; `default` is always there, built in if the file has none.

    Raises
    ------
    FleetError
        If the file can't be read or a key is unknown or wrong; the line names file, policy and key.
    """
    if path is None:
        return {DEFAULT_NAME: Policy()}
    tables = read_toml(
        path,
        unread=f"policy file {path}: can't be read, check its name",
        no_toml=f"policy file {path}: is no valid TOML, mend that line",
    )
    if len(tables) > _MOST_POLICIES:
        raise UnreadableFileError(f"policy file {path}: has more than {_MOST_POLICIES} policies")
    found: dict[str, Policy] = {}
    for name in tables:
        try:
            _build(name, tables, found, ())
        except FleetError as error:
            raise FleetError(f"policy file {path}: {error}") from error
    ordered = {name: found[name] for name in tables}
    return ordered if DEFAULT_NAME in ordered else {DEFAULT_NAME: Policy(), **ordered}


def pick_policy(policies: dict[str, Policy], name: str | None) -> Policy:
    """Return the policy of that name; an empty name means the default.

    Raises
    ------
    FleetError
        If there is no such policy; the line lists those there are.
    """
    wanted = name or DEFAULT_NAME
    if wanted not in policies:
        raise FleetError(
            f"there is no policy {wanted!r}; the policy file has {', '.join(policies)}"
            f"{meant(wanted, policies)}"
        )
    return policies[wanted]


def as_toml(policy: Policy) -> str:
    """The text of a policy file whose `default` is this policy, whatever it was called.

    Every key stands there, also those that had their default: a later fleet may have other ones.
    """
    lines = [f"# Target policy {policy.fingerprint}", f"[{DEFAULT_NAME}]"]
    for field in dataclasses.fields(policy):
        value = getattr(policy, field.name)
        if field.name == "name" or value is None:
            continue
        lines.append(f"{field.name} = {json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


def _build(name: str, tables: dict[str, Any], found: dict[str, Policy], waiting: tuple[str, ...]) -> Policy:
    """Build one policy after the one it is based on."""
    if name in found:
        return found[name]
    table = tables.get(name)
    if not isinstance(table, dict):
        raise FleetError(f"{name!r} is no policy table; write [{name}] and its keys below")
    values = dict(table)
    base_name = values.pop("based_on", None)
    base = Policy()
    if base_name is not None:
        if not isinstance(base_name, str) or base_name not in tables:
            raise FleetError(f"policy {name!r}: based_on names {base_name!r}, which is not in this file")
        if base_name == name or base_name in waiting:
            raise FleetError(f"policy {name!r}: based_on goes round in a circle; start from one without it")
        base = _build(base_name, tables, found, (*waiting, name))
    for key in values:
        if key not in policy_keys():
            raise FleetError(
                f"policy {name!r}: unknown key {key!r}; the keys are {', '.join(policy_keys())}"
                f"{meant(key, policy_keys())}"
            )
    found[name] = base.but(**{**values, "name": name})
    return found[name]
