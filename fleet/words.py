"""Every name that a person reads: quantities, kinds, faults, remedies, targets, outcomes, and the cautions.

One owner for tables, sentences, pages and papers. What a bench sheet may say, with units and ranges, is
`fleet.columns`; how a number is printed is `fleet.numerals`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from fleet.columns import (
    CANTILEVER_MATERIALS,
    COLUMNS,
    ENQUIRY_COLUMNS,
    GENERATORS,
    STYLUS_PROFILES,
)
from fleet.numerals import figure, span, with_sign

NOT_TOLD: Final = "(not told)"
"""Level of a group whose column is empty."""


@dataclass(frozen=True)
class Quantity:
    """What is read, worked out or known of a pickup, as people say it.

    Attributes
    ----------
    name : column or key
    long : with the state that it is read in, for headings and lists
    short : for sentences and heads of columns
    digits : decimals that a reading deserves
    symbol : of the trade, "" if none
    unit : as written behind a figure; a sheet's column has that of `fleet.columns`
    more, less : what a source, family or stylus does that has more, or less, of it than the fleet
    read_with : which readings it needs
    sense : what a positive figure means, where the eye must know where it stands
    """

    name: str
    long: str
    short: str
    digits: int = 2
    symbol: str = ""
    unit: str = ""
    more: str = ""
    less: str = ""
    read_with: str = ""
    sense: str = ""

    @property
    def head(self) -> str:
        """Head of a column: the short name with its unit."""
        return f"{self.short} [{self.unit}]" if self.unit else self.short

    @property
    def title(self) -> str:
        """Title of an axis or a choice: the long name with its unit."""
        return f"{self.long} [{self.unit}]" if self.unit else self.long

    def figure(self, value: Any, digits: int | None = None) -> str:
        """A value with its unit."""
        return figure(value, self.unit, self.digits if digits is None else digits)

    def signed(self, value: Any, digits: int | None = None) -> str:
        """A value with its sign and unit."""
        return with_sign(value, self.unit, self.digits if digits is None else digits)

    def span(self, low: Any, high: Any, digits: int | None = None) -> str:
        """An interval of it, the unit once."""
        return span(low, high, self.unit, self.digits if digits is None else digits)


def _q(name: str, long: str, short: str = "", *, unit: str | None = None, **more: Any) -> Quantity:
    column = COLUMNS.get(name) or ENQUIRY_COLUMNS.get(name)
    own = column.unit if column is not None and unit is None else unit or ""
    return Quantity(name, long, short or long, unit=own, **more)


_FACING: Final = "+ = clockwise, facing the nose"
_ALL: Final = (
    _q("sheet_no", "sheet number", "sheet"),
    _q("measured_on", "day of the measurement", "measured"),
    _q("serial", "serial number", "serial"),
    _q("enquiry_id", "enquiry number", "enquiry"),
    _q("bench", "bench"),
    _q("operator", "operator"),
    _q("purpose", "purpose of the sheet", "purpose"),
    _q("policy", "target policy", "policy"),
    _q("kind", "kind (stylus / cantilever)", "kind"),
    _q("body_family", "body family", "family"),
    _q("generator", "generator"),
    _q("stylus_profile", "stylus profile", "stylus"),
    _q("cantilever_material", "cantilever material", "cantilever"),
    _q("assembly_source", "assembly source", "source"),
    _q("hours_used", "hours used", digits=0),
    _q("vtf_mn", "tracking force", digits=1, symbol="VTF"),
    _q("compliance_um_per_mn", "compliance", digits=1),
    _q("compliance_frequency_hz", "frequency of the compliance", "compliance frequency", digits=0),
    _q("cantilever_length_mm", "cantilever length", digits=1),
    _q("temperature_c", "bench temperature", "temperature", digits=1),
    _q("sra_static_deg", "rake, record still", "static rake", symbol="SRA", read_with="the rake"),
    _q("sra_dynamic_deg", "rake, record turning", "dynamic rake", symbol="SRA"),
    _q("vta_dynamic_deg", "tracking angle, record turning", "tracking angle", symbol="VTA"),
    _q("sra_static_read_by", "who read the rake, record still", "static rake read by"),
    _q("sra_dynamic_read_by", "who read the rake, record turning", "dynamic rake read by"),
    _q("vta_dynamic_read_by", "who read the tracking angle", "tracking angle read by"),
    _q(
        "vta_static_deg",
        "tracking angle, record still",
        "static tracking angle",
        unit="°",
        symbol="VTA",
        more="sets the cantilever steeper",
        less="sets the cantilever flatter",
        read_with="the tracking angle and both rakes",
    ),
    _q(
        "built_in_deg",
        "built-in angle",
        unit="°",
        symbol="SRA − VTA",
        more="sets the stylus at a higher rake on the cantilever",
        less="sets the stylus at a lower rake",
        read_with="rake and tracking angle, record turning",
    ),
    _q(
        "sag_deg",
        "dynamic sag",
        "sag",
        unit="°",
        more="has softer rubber or more drag",
        less="has stiffer rubber or less drag",
        read_with="the rake, still and turning",
    ),
    _q(
        "zenith_deg",
        "zenith error",
        "zenith",
        more="turns the stylus clockwise",
        less="turns the stylus anticlockwise",
        read_with="the zenith",
        sense="+ = clockwise, seen from the record's side, looking at the tip",
    ),
    _q(
        "azimuth_optical_deg",
        "azimuth, optical",
        "optical azimuth",
        more="cants the stylus clockwise",
        less="cants the stylus anticlockwise",
        read_with="the optical azimuth",
        sense=_FACING,
    ),
    _q(
        "azimuth_electrical_deg",
        "azimuth, electrical",
        "electrical azimuth",
        more="rolls the generator clockwise",
        less="rolls the generator anticlockwise",
        read_with="the electrical azimuth",
        sense=_FACING,
    ),
    _q(
        "channel_balance_db",
        "channel balance",
        more="has the left channel louder",
        less="has the right channel louder",
        read_with="the channel balance",
    ),
    _q("crosstalk_l_to_r_db", "crosstalk, left into right", digits=1),
    _q("crosstalk_r_to_l_db", "crosstalk, right into left", digits=1),
    _q("crosstalk_phase_l_to_r_deg", "phase of the crosstalk, left into right", digits=0),
    _q("crosstalk_phase_r_to_l_deg", "phase of the crosstalk, right into left", digits=0),
    _q("height_mm", "height, record to mounting face", "height", digits=1),
    _q("tip_to_mount_mm", "stylus tip to mounting holes", "tip to mount", digits=1),
    _q("tilt_room_deg", "tilt room, tail up", "tilt room", digits=1),
    _q("tilt_deg", "tilt that the policy would choose", "tilt", digits=1, unit="°"),
    _q("wedge_deg", "wedge that most likely serves", "wedge", digits=1, unit="°"),
    _q("tilt_applied_deg", "tilt applied"),
    _q("roll_applied_deg", "roll applied", sense=_FACING),
    _q("sra_after_deg", "rake after the correction", "rake after"),
    _q("vta_after_deg", "tracking angle after the correction", "tracking angle after"),
    _q("rake_aim_deg", "rake aimed at for this unit", "rake aim", digits=1),
    _q("tracking_limit_deg", "tracking angle accepted for this unit", "tracking limit", digits=1),
    _q("target_reason", "reason of the unit's own target", "target's reason"),
    _q("bench_minutes", "bench time", digits=0),
    _q("remedy", "remedy"),
    _q("peculiarities", "peculiarities"),
    _q("rake_both_deg", "rake, still and turning together", "rake", unit="°", symbol="SRA"),
    _q("rake_tilted", "rake after tilt", unit="°", symbol="SRA"),
    _q("zenith_turn", "zenith, turn of the body", unit="°"),
    _q("zenith_cantilever", "zenith, stand of the cantilever", unit="°"),
    _q("roll", "body roll set by electrical azimuth", unit="°"),
)
QUANTITIES: Final = {q.name: q for q in _ALL}
"""Quantities by column or key."""

_LINKS: Final = {
    "tracking": "vta_static_deg",
    "built_in": "built_in_deg",
    "sag": "sag_deg",
    "zenith": "zenith_deg",
    "azimuth_seen": "azimuth_optical_deg",
    "azimuth_electrical": "azimuth_electrical_deg",
    "balance": "channel_balance_db",
    "tilt_room": "tilt_room_deg",
    "minutes": "bench_minutes",
    "rake": "sra_static_deg",
}
_FACTORS: Final = {
    "source": "assembly_source",
    "family": "body_family",
    "profile": "stylus_profile",
    "cantilever": "cantilever_material",
    "frequency": "compliance_frequency_hz",
}


def quantity(name: str) -> Quantity:
    """The quantity of a column, of a link of the chain, or of a factor of the house model."""
    return QUANTITIES[_LINKS.get(name) or _FACTORS.get(name) or name]


def forecast_digits(name: str) -> int:
    """Decimals that a forecast deserves: rake and tracking angle are not foretold to a hundredth."""
    own = quantity(name)
    return own.digits if name == "sag_deg" else min(own.digits, 1)


def shorts(names: Iterable[str]) -> dict[str, str]:
    """Short names by key."""
    return {name: quantity(name).short for name in names}


def longs(names: Iterable[str]) -> dict[str, str]:
    """Long names by key."""
    return {name: quantity(name).long for name in names}


def titles(names: Iterable[str]) -> dict[str, str]:
    """Long names with their units by key."""
    return {name: quantity(name).title for name in names}


READER_WORDS: Final = {
    "bench": ("a bench, earlier", "an earlier reading of the"),
    "photo": ("the owner, from a photo", "the owner's photo of the"),
    "eye": ("the owner, by eye", "the owner's estimate of the"),
    "maker": ("the maker, of this unit", "the maker's reading of the"),
}
"""Who read an angle that an enquiry tells, and how that reading is called."""


def known_fact(name: str, reader: str | None = None) -> str:
    """What an enquiry tells, in words; an angle of the unit with who read it, a bench if nobody is named."""
    own = quantity(name)
    return f"{READER_WORDS[reader or 'bench'][1]} {own.short}" if own.symbol in ("SRA", "VTA") else own.short


_CODES: Final = frozenset({*STYLUS_PROFILES, *CANTILEVER_MATERIALS, *GENERATORS, NOT_TOLD})


def plain_word(word: str) -> str:
    """Write a word of the contract, or a kind, as people say it; codes stay as they are."""
    return word.replace("_", " ") if all(part in _CODES for part in word.split("/")) else word


class Fault(NamedTuple):
    """A fault signature: what it is called, what has probably happened, what to do about it."""

    short: str
    cause: str
    action: str


_MAKER: Final = "return it to its maker"
FAULT_WORDS: Final = {
    "rake_set_wrong": Fault(
        "rake set wrong", "stylus probably set at the wrong rake on the cantilever", _MAKER
    ),
    "stylus_twisted": Fault("stylus twisted", "stylus probably twisted on the cantilever", _MAKER),
    "stylus_canted": Fault(
        "stylus canted",
        "stylus probably canted on the cantilever",
        f"roll can only split the difference; {_MAKER}",
    ),
    "generator_rolled": Fault(
        "generator rolled",
        "generator probably rolled in the body",
        f"{_MAKER}, or let roll split the difference",
    ),
    "assembly_rolled": Fault(
        "assembly rolled", "the whole assembly is probably rolled in the body", "roll the body"
    ),
    "cantilever_angle": Fault("cantilever angle", "cantilever probably set at the wrong angle", _MAKER),
    "suspension_soft": Fault(
        "suspension soft",
        "suspension probably softer than its kind",
        f"check tracking force and clearance; {_MAKER}",
    ),
    "suspension_stiff": Fault(
        "suspension stiff",
        "suspension probably stiffer than its kind",
        f"check tracking force and the record's grip; {_MAKER}",
    ),
    "weak_channel": Fault(
        "weak channel",
        "one channel is probably weak",
        f"no alignment cures it; check leads and pins, then {_MAKER}",
    ),
    "misread": Fault("misread", "probably a slip in the book-keeping, not a fault", "measure it again"),
    "other": Fault("other", "it fits none of the known faults", "measure it again"),
}
HEALTHY: Final = "healthy"


def fault_words(name: str) -> str:
    """A fault signature, or what else a verdict may say, in words: `stylus_canted` is stylus canted."""
    return FAULT_WORDS[name].short if name in FAULT_WORDS else name.replace("_", " ")


REMEDIES: Final = {
    "none": "none",
    "arm_only": "the arm alone",
    "stock_wedge": "a stock wedge",
    "made_wedge": "a wedge made to measure",
    "sent_back": "sent back",
}
TARGETS: Final = {"both": "both targets", "rake": "the rake target", "tracking": "the tracking limit"}
REASONS: Final = {
    "owners_wish": "the owner's wish",
    "records": "the records are cut otherwise",
    "arm": "the arm allows no more",
    "condition": "the unit's condition",
    "other": "another reason",
}
"""Why a unit has a target of its own."""
STATES: Final = {
    "reachable": "within reach of some tilt",
    "level": "met on a level headshell",
    "built": "met as built",
}
OUTCOMES: Final = {
    "p_both_met": "one tilt serves both targets",
    "p_rake_met": "rake can be met",
    "p_tracking_met": "tracking can be met",
    "p_conflict_built_in": "the built-in angle rules both out",
    "p_conflict_reach": "the tilt room or the lower limit rules both out",
    "p_made_wedge": "a wedge made to measure is needed",
    "p_faulty": "the unit turns out faulty",
}
"""Outcomes that a quote gives chances of."""
WITHOUT_RAKE: Final = {
    "p_tracking_met": OUTCOMES["p_tracking_met"],
    "p_conflict_reach": "the tilt room or the lower limit rules it out",
    "p_made_wedge": OUTCOMES["p_made_wedge"],
    "p_faulty": OUTCOMES["p_faulty"],
}
"""The same for a spherical stylus, whose only target is the tracking angle."""


def measure(name: str) -> str:
    """What an attainment rate counts: `both_reachable` is both targets within reach of some tilt."""
    target, state = name.split("_", 1)
    return f"{TARGETS[target]} {STATES[state]}"


BENCH_DECIDES: Final = "A prediction is not a measurement: the bench decides."
NO_REPAIR: Final = "A corrected alignment is no repair of a faulty stylus."
CLEARANCE: Final = (
    "Tilting a body, up or down, brings it nearer the record: check the clearance on a record that doesn't "
    "matter."
)
NO_ROOM: Final = "The tilt room was not read: nothing here keeps the body off the record."
STEEL: Final = "Steel tools jump to the magnet of a pickup: keep them away, or use others."
GLUE: Final = (
    "No glue: it creeps along the cantilever and can't be taken off again. Opening or altering a pickup may "
    "end its warranty; the maker's terms decide."
)
STEEP_ROLL_DEG: Final = 2.0
"""Beyond it a roll is told with what it does to the diamond (common practice, no source)."""
STEEP_ROLL: Final = (
    f"Beyond about {STEEP_ROLL_DEG:g}° a roll presses one wall harder and wears the diamond unevenly"
)
CASE_MIX: Final = (
    "Beyond a limit is a reason to look, not a verdict: kinds and customers differ between sources."
)
DUST: Final = "Cut and file a wedge away from the pickup: dust of brass in the gap is not got out again."
PLAY_AGAIN: Final = "Check the clearance and the channels again on a record that doesn't matter."
HANDLING: Final = "Stylus and cantilever break at a touch: power off, volume down, guard on while handling."
PRIVACY: Final = "Personal data: local privacy law decides what may be kept and passed on."
SIGNS: Final = (
    "Rake: contact edge of the stylus against the record, seen from the side, 90° is upright. "
    "Tracking angle: record to the line from the tip to the cantilever's pivot. Both grow, "
    "one for one, with the body's tail up. Sag: how much both fall once the record turns."
)
"""What the angles mean, for readers who don't measure them every day."""
