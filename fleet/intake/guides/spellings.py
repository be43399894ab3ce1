"""How benches name columns, units and words: what a proposed guide goes by. Common practice, no source."""

from __future__ import annotations

from typing import Final

_PHRASES: Final = {
    "sheet_no": (
        "no, nr, number, sheet, sheet no, sheet number, job, job no, order no, id, record, "
        "record no, nummer, blatt, blattnummer, auftrag"
    ),
    "measured_on": "date, day, measured, measured on, date measured, datum, gemessen am",
    "serial": "serial, serial no, serial number, sn, s n, seriennummer, serien nr",
    "enquiry_id": "enquiry, enquiry no, enquiry id, inquiry, inquiry no, anfrage",
    "bench": "bench, station, messplatz",
    "operator": "operator, technician, tech, measured by, initials, bearbeiter, pruefer",
    "purpose": "purpose, zweck",
    "body_family": "model, model code, family, body, body family, pickup, cartridge, modell",
    "generator": "generator, type, generator type, principle, system, typ, wandler",
    "stylus_profile": (
        "tip, tip shape, stylus, stylus profile, stylus shape, profile, diamond, nadel, schliff"
    ),
    "cantilever_material": "cantilever, cantilever material, shank, nadeltraeger, traeger",
    "assembly_source": (
        "assembly, assembly source, source, assembly maker, stylus maker, supplier, retipper, "
        "hersteller nadel"
    ),
    "hours_used": "hours, hours used, playing hours, hours played, betriebsstunden",
    "vtf_mn": "force, tracking force, vtf, downforce, stylus force, auflagekraft",
    "compliance_um_per_mn": "compliance, catalogue compliance, nachgiebigkeit, nadelnachgiebigkeit",
    "compliance_frequency_hz": "compliance frequency, compliance at, compliance freq",
    "cantilever_length_mm": "cantilever, cantilever length, length, nadeltraegerlaenge",
    "temperature_c": "temperature, temp, room temp, room temperature, raumtemperatur, temperatur",
    "sra_static_deg": (
        "rake still, rake static, static rake, sra static, static sra, sra still, rake standing, "
        "rake statisch"
    ),
    "sra_dynamic_deg": (
        "rake turning, rake dynamic, dynamic rake, sra dynamic, dynamic sra, rake, sra, "
        "rake playing, rake moving, sra turning, rake dynamisch"
    ),
    "vta_dynamic_deg": "tracking angle, vta, vta dynamic, dynamic vta, vertical tracking angle, spurwinkel",
    "azimuth_optical_deg": "azimuth seen, azimuth optical, optical azimuth, azimuth visual, azimut optisch",
    "azimuth_electrical_deg": (
        "azimuth electrical, electrical azimuth, azimuth measured, azimuth, azimut elektrisch"
    ),
    "crosstalk_l_to_r_db": "crosstalk l r, xtalk l r, crosstalk left right, uebersprechen l r",
    "crosstalk_r_to_l_db": "crosstalk r l, xtalk r l, crosstalk right left, uebersprechen r l",
    "crosstalk_phase_l_to_r_deg": "crosstalk phase l r, xtalk phase l r, phase l r",
    "crosstalk_phase_r_to_l_deg": "crosstalk phase r l, xtalk phase r l, phase r l",
    "channel_balance_db": "balance, channel balance, kanalbalance, balance l r",
    "zenith_deg": "zenith, zenith error, zenit",
    "height_mm": "height, body height, stylus height, hoehe",
    "tip_to_mount_mm": "tip to mount, stylus to mount, tip to holes, stylus to holes, offset, mount offset",
    "tilt_room_deg": "tilt room, max tilt, maximum tilt, tilt limit, tilt max",
    "tilt_applied_deg": "tilt applied, tilt used, tilt set, tilt, tilt built",
    "roll_applied_deg": "roll applied, roll used, roll set, roll",
    "sra_after_deg": "rake after, sra after, rake corrected",
    "vta_after_deg": "tracking angle after, vta after, vta corrected",
    "bench_minutes": "minutes, bench minutes, bench time, time, duration, minuten, dauer",
    "remedy": "remedy, outcome, action, correction, massnahme",
    "peculiarities": "peculiarities, condition, state, zustand",
}

HEADERS: Final[dict[str, tuple[str, ...]]] = {
    to: tuple(phrases.split(", ")) for to, phrases in _PHRASES.items()
}
"""Phrases of a header (small letters, umlauts written out) by canonical column; an exact one counts most."""

WORDS: Final[dict[str, dict[str, str]]] = {
    "generator": dict.fromkeys(("mc", "moving coil"), "moving_coil")
    | dict.fromkeys(("mm", "moving magnet"), "moving_magnet")
    | dict.fromkeys(("mi", "moving iron", "induced magnet", "im"), "moving_iron"),
    "stylus_profile": dict.fromkeys(("conical", "round", "sphere", "sph", "rund", "konisch"), "spherical")
    | dict.fromkeys(("ellipse", "ell", "elliptic", "bi-radial", "biradial", "elliptisch"), "elliptical")
    | dict.fromkeys(("line", "line contact", "fine line", "lc", "fineline"), "line_contact")
    | dict.fromkeys(("narrow", "narrow edge", "ridge"), "narrow_edge"),
    "cantilever_material": dict.fromkeys(("alu", "al", "aluminum", "alloy"), "aluminium")
    | {"b": "boron", "bor": "boron", "be": "beryllium", "ti": "titanium", "titan": "titanium"}
    | {"saphir": "sapphire", "rubin": "ruby", "diamant": "diamond"},
    "purpose": {"customer": "unit", "job": "unit", "check": "reference", "ref": "reference"},
    "remedy": {"arm": "arm_only", "stock": "stock_wedge", "wedge": "made_wedge", "returned": "sent_back"}
    | {"back": "sent_back", "nothing": "none"},
    "peculiarities": {"retip": "retipped", "bent": "bent_cantilever", "loose": "loose_stylus"}
    | {"dirt": "dirty", "wear": "worn", "damper": "aged_damper", "noise": "noisy_channel"},
}
"""What a bench's words most likely mean, by canonical column."""

TYPICAL: Final[dict[str, tuple[float, float]]] = {
    "vtf_mn": (10, 35),
    "cantilever_length_mm": (3.5, 9),
    "temperature_c": (15, 32),
    "height_mm": (12, 26),
    "tip_to_mount_mm": (5, 16),
    "bench_minutes": (15, 240),
}
"""Where most figures of a column lie, to tell in which unit they were written."""

SENSES: Final = {
    "cw": 1,
    "ccw": -1,
    "acw": -1,
    "clockwise": 1,
    "anticlockwise": -1,
    "counterclockwise": -1,
}
"""Words of sense after a figure: clockwise counts positive."""
