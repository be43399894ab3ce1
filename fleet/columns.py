"""The catalogue of columns: what a bench sheet and an enquiry may say, in which unit, between which limits.

One source for the checks at the door, the documentation and the screens. Angles are degrees with the trade's
signs: rake and tracking angle grow when the pickup's tail goes up, roll is positive clockwise facing the
pickup's nose, zenith is positive clockwise seen from the record's side, looking at the tip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

Kind = Literal["text", "code", "word", "codes", "number", "date"]

CODE_PATTERN: Final = r"[A-Za-z0-9_.-]{1,24}"
"""What a code (family, source, operator, bench) may look like; matched against the whole value."""

NUMBER_TEXT_PATTERN: Final = r"[A-Za-z0-9_./#:+-]{1,40}"
"""What a bench's own sheet or enquiry number may look like: no blanks, no @, so no name or mail address."""

STYLUS_PROFILES: Final = ("spherical", "elliptical", "line_contact", "narrow_edge", "other")
CANTILEVER_MATERIALS: Final = (
    "aluminium",
    "boron",
    "sapphire",
    "ruby",
    "diamond",
    "beryllium",
    "titanium",
    "other",
)
GENERATORS: Final = ("moving_magnet", "moving_coil", "moving_iron", "other")
REMEDIES: Final = ("arm_only", "stock_wedge", "made_wedge", "sent_back", "none")
PURPOSES: Final = ("unit", "reference")
PECULIARITIES: Final = (
    "worn",
    "dirty",
    "retipped",
    "bent_cantilever",
    "loose_stylus",
    "aged_damper",
    "body_damage",
    "noisy_channel",
    "other",
)
TARGET_REASONS: Final = ("owners_wish", "records", "arm", "condition", "other")
"""Why a unit is given a target of its own: the owner asked, the records are cut otherwise, the arm doesn't
allow more, the stylus or its suspension is what it is."""
COMPLIANCE_FREQUENCIES_HZ: Final = (0.0, 10.0, 100.0)
READERS: Final = ("bench", "photo", "eye", "maker")
"""Who may have read an angle that an enquiry tells."""


@dataclass(frozen=True)
class Column:
    """One column of the contract.

    Attributes
    ----------
    name : canonical header, with its unit at the end where it has one.
    kind : `text` (a bench's own number, or the serial), `code`, `word` (one of `words`), `codes` (several of
        `words`, `;` between), `number` or `date`.
    unit : unit as written on screens, "" if none.
    low, high : accepted range, both ends included; None where there is no limit.
    words : accepted words of a `word` or `codes` column.
    choices : the only accepted figures of a number column, () if any figure in the range will do.
    required : a row without it is put aside.
    default : what an empty cell stands for, None for "not told".
    note : meaning and sign, one line.
    """

    name: str
    kind: Kind
    unit: str = ""
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    choices: tuple[float, ...] = ()
    required: bool = False
    default: str | None = None
    note: str = ""

    @property
    def accepts(self) -> str:
        """What the column takes, as a fault or a help page says it."""
        if self.kind == "number":
            unit = f" {self.unit}" if self.unit else ""
            if self.choices:
                return " or ".join(f"{c:g}" for c in self.choices) + unit
            return f"{self.low:g} to {self.high:g}{unit}"
        return {
            "word": "one of " + ", ".join(self.words),
            "codes": "any of " + ", ".join(self.words) + " with ; between",
            "date": "a day written YYYY-MM-DD, not in the future",
            "code": "a code of 1 to 24 letters, digits or _ . -",
            "text": "1 to 40 letters, digits or _ . / # : + -, no blanks",
        }[self.kind]


def _number(name: str, unit: str, low: float, high: float, note: str) -> Column:
    return Column(name, "number", unit=unit, low=low, high=high, note=note)


_SHEET = (
    Column("sheet_no", "text", required=True, note="the bench's own number, unique per bench; kept"),
    Column("measured_on", "date", required=True, note="day of the measurement"),
    Column("serial", "text", note="identifies a unit across sheets; only its keyed token is kept"),
    Column("enquiry_id", "text", note="the enquiry that this sheet answers, if any"),
    Column("bench", "code", default="main", note="which bench measured"),
    Column("operator", "code", note="who measured, as a code; never leaves the bench"),
    Column(
        "purpose",
        "word",
        words=PURPOSES,
        default="unit",
        note="reference = the bench's own check pickup, which never teaches the model",
    ),
    Column("body_family", "code", required=True, note="anonymised model of pickup"),
    Column("generator", "word", words=GENERATORS, note="how the pickup makes its signal"),
    Column("stylus_profile", "word", words=STYLUS_PROFILES, note="spherical has neither rake nor zenith"),
    Column("cantilever_material", "word", words=CANTILEVER_MATERIALS, note="what the cantilever is made of"),
    Column("assembly_source", "code", note="who made the stylus-cantilever assembly"),
    _number("hours_used", "h", 0, 20_000, "playing hours so far"),
    _number("vtf_mn", "mN", 5, 60, "vertical tracking force during the reading; 1 g = 9.80665 mN"),
    _number(
        "compliance_um_per_mn", "µm/mN", 2, 80, "catalogue figure; 1 µm/mN = 1e-6 cm/dyn (a compliance unit)"
    ),
    Column(
        "compliance_frequency_hz",
        "number",
        unit="Hz",
        low=0,
        high=100,
        choices=COMPLIANCE_FREQUENCIES_HZ,
        note="at which frequency the compliance is told, 0 = static; empty is a level of its own",
    ),
    _number("cantilever_length_mm", "mm", 2, 12, "stylus to pivot"),
    _number("temperature_c", "°C", 5, 45, "at the bench"),
    _number("sra_static_deg", "°", 60, 120, "stylus rake angle, record still; + with the tail up"),
    _number("sra_dynamic_deg", "°", 60, 120, "stylus rake angle, record turning; + with the tail up"),
    _number("vta_dynamic_deg", "°", 0, 60, "vertical tracking angle, record turning; + with the tail up"),
    _number("azimuth_optical_deg", "°", -20, 20, "the diamond as seen; + clockwise facing the pickup's nose"),
    _number(
        "azimuth_electrical_deg",
        "°",
        -20,
        20,
        "how far the generator is rolled, + clockwise facing the nose: the best body roll, sign reversed",
    ),
    _number("crosstalk_l_to_r_db", "dB", -80, 0, "undriven right over driven left channel; negative"),
    _number("crosstalk_r_to_l_db", "dB", -80, 0, "undriven left over driven right channel; negative"),
    _number("crosstalk_phase_l_to_r_deg", "°", -180, 180, "undriven right minus driven left, lead positive"),
    _number("crosstalk_phase_r_to_l_deg", "°", -180, 180, "undriven left minus driven right, lead positive"),
    _number("channel_balance_db", "dB", -20, 20, "left over right"),
    _number(
        "zenith_deg",
        "°",
        -30,
        30,
        "contact edge against the perpendicular to the cantilever; + clockwise, "
        "seen from the record's side, looking at the tip",
    ),
    _number("height_mm", "mm", 5, 35, "record surface to the body's mounting face at the tracking force"),
    _number("tip_to_mount_mm", "mm", 0, 30, "stylus tip to the line of the mounting holes, horizontally"),
    _number("tilt_room_deg", "°", 0, 20, "largest tail-up tilt before the body comes too near the record"),
    _number("tilt_applied_deg", "°", -20, 20, "tilt in the end built in or set; + with the tail up"),
    _number("roll_applied_deg", "°", -20, 20, "roll in the end set; + clockwise facing the pickup's nose"),
    _number("sra_after_deg", "°", 60, 120, "rake, record turning, read again after the correction"),
    _number("vta_after_deg", "°", 0, 60, "tracking angle, record turning, read again after the correction"),
    _number(
        "rake_aim_deg", "°", 80, 100, "rake aimed at for this unit instead of the policy's, record turning"
    ),
    _number(
        "tracking_limit_deg", "°", 5, 45, "tracking angle accepted for this unit instead of the policy's"
    ),
    Column(
        "target_reason",
        "word",
        words=TARGET_REASONS,
        note="why this unit has a target of its own",
    ),
    _number("bench_minutes", "min", 1, 2000, "time at the bench"),
    Column("remedy", "word", words=REMEDIES, note="what was done in the end"),
    Column(
        "peculiarities",
        "codes",
        words=PECULIARITIES,
        note="what a free note would say, without anyone's words",
    ),
)

COLUMNS: Final[dict[str, Column]] = {column.name: column for column in _SHEET}
"""Every bench-sheet column by name, in the order of the contract."""

_ENQUIRY_NAMES = (
    "serial",
    "policy",
    "body_family",
    "generator",
    "stylus_profile",
    "cantilever_material",
    "assembly_source",
    "vtf_mn",
    "compliance_um_per_mn",
    "compliance_frequency_hz",
    "cantilever_length_mm",
    "temperature_c",
    "tilt_room_deg",
    "hours_used",
    "peculiarities",
    "sra_static_deg",
    "sra_static_read_by",
    "sra_dynamic_deg",
    "sra_dynamic_read_by",
    "vta_dynamic_deg",
    "vta_dynamic_read_by",
)
READ_BY: Final = {
    "sra_static_deg": "sra_static_read_by",
    "sra_dynamic_deg": "sra_dynamic_read_by",
    "vta_dynamic_deg": "vta_dynamic_read_by",
}
"""Angles of the unit itself that an enquiry may tell, each with the column that says who read it."""

_OWN_COLUMNS = {
    "policy": Column("policy", "code", note="name of the target policy to judge by"),
    **{
        column: Column(
            column,
            "word",
            words=READERS,
            note=f"who read {told}: a bench (also where empty), the owner from a photo or by eye, "
            "or the maker of this very unit",
        )
        for told, column in READ_BY.items()
    },
}

ENQUIRY_COLUMNS: Final[dict[str, Column]] = {
    "enquiry_id": Column("enquiry_id", "text", required=True, note="the bench's own number of the enquiry"),
    **{n: _OWN_COLUMNS.get(n) or replace(COLUMNS[n], required=False) for n in _ENQUIRY_NAMES},
}
"""Every enquiry column by name, in the order of the contract."""

STORED_COLUMNS: Final = tuple("serial_token" if name == "serial" else name for name in COLUMNS)
"""Names of the sheet columns as the store keeps them: the serial's place is taken by its token."""

LEVEL: Final = ("sra_static_deg", "sra_dynamic_deg", "vta_dynamic_deg")
"""Angles that are read on a level headshell."""
_FACTS: Final = {"hours_used", "vtf_mn", "compliance_um_per_mn", "compliance_frequency_hz"} | {
    "cantilever_length_mm", "temperature_c", "bench_minutes", "rake_aim_deg", "tracking_limit_deg",
}  # fmt: skip
READINGS: Final = tuple(c.name for c in _SHEET if c.kind == "number" and c.name not in _FACTS)
"""Columns that hold what was measured or set, of which every real sheet has some."""

HELD_BACK: Final = (
    "sag_reversed", "sag_huge", "built_in_odd", "tracking_flat", "height_odd", "date_old", "minutes_many",
)  # fmt: skip
"""Marks of readings that can't be true together: the sheet doesn't teach until somebody has looked at it."""


_PERSONAL = (
    "owner customer client name address street city town postcode zip mail email phone telephone mobile "
    "note notes remark remarks comment comments contact birthday observation observations "
    "kunde kunden besitzer eigner adresse strasse straße ort plz telefon handy bemerkung bemerkungen notiz "
    "notizen kommentar kommentare anmerkung "
    "nom adresse rue ville téléphone courriel remarque remarques "
    "nombre cliente dirección calle teléfono correo nota notas"
)
PERSONAL_WORDS: Final = frozenset(_PERSONAL.split())
"""Words in a header that mark a column as personal or free text: never read, whatever a guide says."""

PERSONAL_PARTS: Final = (
    "customer",
    "kunde",
    "address",
    "adress",
    "telephone",
    "telefon",
    "e-mail",
    "email",
    "@",
)
"""The same for parts of a word."""


def number_columns() -> tuple[str, ...]:
    """Names of the numeric bench-sheet columns, in order."""
    return tuple(name for name, column in COLUMNS.items() if column.kind == "number")
