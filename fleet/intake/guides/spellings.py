"""How benches name columns, units and words: what a proposed guide goes by. Common practice, no source."""

from __future__ import annotations

from typing import Final

from fleet.columns import COLUMNS


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


_PHRASES: Final = {
    "sheet_no": (
        "no, nr, number, sheet, sheet no, sheet number, job, job no, order no, id, record, record no, "
        "nummer, blatt, blattnummer, auftrag, blatt nr, blatt no, lfd nr, messung, messung nr, fiche, "
        "fiche no, no fiche, numero, n, messblatt, ref, reference, recno, rec no"
    ),
    "measured_on": (
        "date, day, measured, measured on, date measured, datum, gemessen am, messdatum, date mesure, "
        "date de mesure, jour, tag, gemessen, date time, datetime, timestamp, dattim, datum uhrzeit"
    ),
    "serial": (
        "serial, serial no, serial number, sn, s n, seriennummer, serien nr, numero de serie, no "
        "serie, no de serie, serien nummer, serno"
    ),
    "enquiry_id": "enquiry, enquiry no, enquiry id, inquiry, inquiry no, anfrage",
    "bench": "bench, station, messplatz",
    "operator": (
        "operator, technician, tech, measured by, initials, bearbeiter, pruefer, operateur, "
        "technicien, kuerzel, pruefer, mesure par, opr"
    ),
    "purpose": "purpose, zweck, art, is ref, is reference, check pickup",
    "body_family": (
        "model, model code, family, body, body family, pickup, cartridge, modell, modele, "
        "tonabnehmer, cellule, modell code, model no, typenschluessel, type code, typ code"
    ),
    "generator": (
        "generator, type, generator type, principle, system, typ, wandler, principe, generateur, "
        "wandlerprinzip, generatortyp, prinzip"
    ),
    "stylus_profile": (
        "tip, tip shape, stylus, stylus profile, stylus shape, profile, diamond, nadel, schliff, "
        "pointe, taille, nadelform, nadelschliff, forme de pointe, diamant"
    ),
    "cantilever_material": (
        "cantilever, cantilever material, shank, nadeltraeger, traeger, porte pointe, material, "
        "nadeltraeger material, cantilever mat, levier"
    ),
    "assembly_source": (
        "assembly, assembly source, source, assembly maker, stylus maker, supplier, retipper, "
        "hersteller nadel, fournisseur, quelle, lieferant, herkunft, assy, einschub"
    ),
    "hours_used": (
        "hours, hours used, playing hours, hours played, betriebsstunden, betriebs stunden, heures, stunden, "
        "spielstunden, hrs"
    ),
    "vtf_mn": (
        "force, tracking force, vtf, tf, downforce, stylus force, auflagekraft, force d appui, force "
        "appui, appui, tracking weight, auflage"
    ),
    "compliance_um_per_mn": (
        "compliance, cu, catalogue compliance, nachgiebigkeit, nadelnachgiebigkeit, souplesse"
    ),
    "compliance_frequency_hz": "compliance frequency, compliance at, compliance freq",
    "cantilever_length_mm": (
        "cantilever, cantilever length, length, nadeltraegerlaenge, longueur porte pointe, traegerlaenge"
    ),
    "temperature_c": (
        "temperature, temp, room temp, room temperature, raumtemperatur, temperatur, temp raum, temp "
        "c, temperatur raum, t raum, bench temp, bench temperature, tmp"
    ),
    "crosstalk_l_to_r_db": (
        "crosstalk l r, xtalk l r, xt l r, x t l r, uebersprechen l r, diaphonie l r, diaphonie "
        "g d, kanaltrennung l r, separation l r"
    ),
    "crosstalk_r_to_l_db": (
        "crosstalk r l, xtalk r l, xt r l, x t r l, uebersprechen r l, diaphonie r l, diaphonie "
        "d g, kanaltrennung r l, separation r l"
    ),
    "crosstalk_phase_l_to_r_deg": "crosstalk phase l r, xtalk phase l r, phase l r",
    "crosstalk_phase_r_to_l_deg": "crosstalk phase r l, xtalk phase r l, phase r l",
    "channel_balance_db": (
        "balance, channel balance, kanalbalance, balance l r, balance des canaux, kanal balance, "
        "kanalgleichheit, equilibre, equilibre g d"
    ),
    "zenith_deg": ("zenith, zenith error, zenit, zenithfehler, zenitfehler, zenith angle, erreur zenith"),
    "height_mm": ("height, ht, body height, stylus height, hoehe, hauteur, bauhoehe"),
    "tip_to_mount_mm": (
        "tip to mount, stylus to mount, tip to holes, stylus to holes, offset, mount offset, pin "
        "offset, nadel bis bohrung"
    ),
    "tilt_room_deg": (
        "tilt room, max tilt, maximum tilt, tilt limit, tilt max, max neigung, neigung max, "
        "inclinaison max, neigungsreserve, kippfreiraum, kippreserve"
    ),
    "tilt_applied_deg": (
        "tilt applied, tilt used, tilt set, tilt, tilt built, neigung, inclinaison, neigung gesetzt, "
        "kippung, kippwinkel"
    ),
    "roll_applied_deg": "roll applied, roll used, roll set, roll",
    "rake_aim_deg": "rake aim, rake target, target rake, rake wanted",
    "tracking_limit_deg": "tracking limit, tracking angle limit, target tracking angle, vta limit",
    "target_reason": "target reason, reason of target",
    "bench_minutes": (
        "minutes, bench minutes, bench time, time, duration, minuten, dauer, arbeitszeit, zeit, duree, min, "
        "mins"
    ),
    "remedy": "remedy, outcome, action, correction, massnahme, abhilfe, mesure, remede, fix, solution, cure",
    "peculiarities": "peculiarities, condition, state, zustand, etat, besonderheiten, cond",
}

HEADERS: Final[dict[str, tuple[str, ...]]] = {
    to: tuple(_PHRASES[to].split(", ")) if to in _PHRASES else () for to in COLUMNS
}
"""Phrases of a header (small letters, umlauts written out) by canonical column; an exact one counts most."""

STEMS: Final[dict[str, tuple[str, ...]]] = {
    "rake": ("stylus rake", "sra", "rake", "schliffneigung", "nadelneigung", "plongee"),
    "tracking": (
        "vertical tracking",
        "tracking",
        "vta",
        "spurwinkel",
        "vertikaler spur",
        "vertikalspur",
        "piste",
    ),
    "azimuth": ("azimuth", "azimut", "az"),
}
"""Words for the angles whose name needs another word to be one column."""

NO_ANGLE: Final = _set("force weight kraft appui error fehler")
"""Words that make something else of an angle's name, such as a tracking force."""

QUALIFIERS: Final[dict[str, frozenset[str]]] = {
    "still": _set(
        "still static stat statisch stop stopped stillstand standing stehend stehende ruhend ruhe stand "
        "arret statique repos 0"
    ),
    "turning": _set(
        "turning dynamic dyn dynamisch playing moving rotating spinning spin drehend laufend laufende lauf "
        "rotation dynamique tournant tournante marche 33"
    ),
    "after": _set(
        "after post corrected correction final nachher korrigiert korrektur danach apres corrige corrigee"
    ),
    "seen": _set("seen optical optic opt visual eye gesehen optisch optique vu"),
    "electrical": _set("electrical electric el elec electr elektrisch electrique meter metered"),
    "before": _set("before bef level vorher avant vor"),
}
"""Words that say how an angle was read."""

VARIANTS: Final[dict[str, dict[frozenset[str], str]]] = {
    stem: {frozenset(words.split()): to for words, to in (pair.split(": ") for pair in pairs.split(", "))}
    for stem, pairs in {
        "rake": "still: sra_static_deg, turning: sra_dynamic_deg, still before: sra_static_deg, "
        "turning before: sra_dynamic_deg, turning after: sra_after_deg",
        "tracking": "turning: vta_dynamic_deg, turning before: vta_dynamic_deg, turning after: vta_after_deg",
        "azimuth": "seen: azimuth_optical_deg, electrical: azimuth_electrical_deg, "
        "seen before: azimuth_optical_deg, electrical before: azimuth_electrical_deg",
    }.items()
}
"""Columns by what a header says of an angle; others have no place in a sheet, or are asked about."""

WORDS: Final[dict[str, dict[str, str]]] = {
    "generator": dict.fromkeys(("mc", "moving coil", "moving-coil", "drehspule", "bm"), "moving_coil")
    | dict.fromkeys(("mm", "moving magnet", "moving-magnet", "drehmagnet", "am"), "moving_magnet")
    | dict.fromkeys(("mi", "moving iron", "induced magnet", "im", "fm"), "moving_iron"),
    "stylus_profile": dict.fromkeys(
        (
            "conical",
            "round",
            "sphere",
            "sph",
            "rund",
            "konisch",
            "sphaerisch",
            "sphärisch",
            "conique",
            "sphérique",
        ),
        "spherical",
    )
    | dict.fromkeys(
        ("ellipse", "ell", "ell.", "ellip", "elliptic", "bi-radial", "biradial", "elliptisch", "elliptique"),
        "elliptical",
    )
    | dict.fromkeys(
        (
            "line",
            "line contact",
            "line-contact",
            "fine line",
            "fine-line",
            "lc",
            "fineline",
            "linie",
            "ligne",
            "linienkontakt",
            "lin",
        ),
        "line_contact",
    )
    | dict.fromkeys(
        ("narrow", "narrow edge", "narrow-edge", "narrow ridge", "ridge", "nar", "schmal", "schmale kante"),
        "narrow_edge",
    ),
    "cantilever_material": dict.fromkeys(("alu", "al", "ally", "aluminum", "alloy"), "aluminium")
    | {"bore": "boron", "rubis": "ruby", "alu.": "aluminium"}
    | {"b": "boron", "bor": "boron", "be": "beryllium", "ti": "titanium", "titan": "titanium"}
    | {"saphir": "sapphire", "rubin": "ruby", "diamant": "diamond"},
    "purpose": dict.fromkeys(("customer", "job", "kd", "kunde", "client", "no", "false"), "unit")
    | dict.fromkeys(("check", "ref", "own", "yes", "true"), "reference"),
    "remedy": dict.fromkeys(("arm", "arm only", "nur arm", "bras", "bras seul"), "arm_only")
    | dict.fromkeys(("stock", "stock wedge", "stk", "keil lager", "cale du stock"), "stock_wedge")
    | dict.fromkeys(("wedge", "made", "made wedge", "keil anfertigung", "cale sur mesure"), "made_wedge")
    | dict.fromkeys(("returned", "back", "sent back", "ret", "zurück", "retour"), "sent_back")
    | dict.fromkeys(("nothing", "keine", "nichts", "rien"), "none"),
    "peculiarities": dict.fromkeys(("ok", "good", "fine", "in ordnung", "i.o.", "bon"), "")
    | {"retip": "retipped", "bent": "bent_cantilever", "loose": "loose_stylus"}
    | {"dirt": "dirty", "wear": "worn", "damper": "aged_damper", "noise": "noisy_channel"}
    | {"filthy": "dirty", "verschmutzt": "dirty", "sale": "dirty", "verschlissen": "worn", "usée": "worn"}
    | {"amortisseur durci": "aged_damper", "pointe refaite": "retipped", "levier tordu": "bent_cantilever"},
    "hours_used": dict.fromkeys(("new", "neu", "neuf", "neuve"), "0"),
    "channel_balance_db": dict.fromkeys(("even", "equal", "gleich", "égal"), "0"),
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

TOTALS: Final = _set(
    "total totals sum summe gesamt mean average avg mittel mittelwert durchschnitt median moyenne somme "
    "count anzahl min max minimum maximum stdev"
)
"""First words of a row that sums others up."""

_EMPTIES: Final = (
    "- -- --- – — / ? ?? . .. ... … n/k n/a na n.a. #n/a #nv nan null none nil k.a. ka n.g. n.m. nm n.d. nd x"
    "|s/o|k. a.|keine angabe|nicht gemessen|not measured|non mesure|non mesuré"
)
EMPTIES: Final = frozenset(_EMPTIES.split("|")[0].split()) | set(_EMPTIES.split("|")[1:])
"""What benches write where nothing was measured (small letters)."""

_DITTOS: Final = "\" '' \"\" ” “ „ 〃 do do. dto dto. dito dito. ditto idem id. -\"- -''-"
DITTOS: Final = frozenset({*_DITTOS.split(), '- " -'})
"""What benches write for "as above" (small letters)."""

_MONTHS: Final = (
    "jan january januar janvier janv|feb february februar fevrier fevr|mar march maerz mars|"
    "apr april avril avr|may mai|jun june juni juin|jul july juli juillet juil|aug august aout|"
    "sep september sept septembre|oct october okt oktober octobre|"
    "nov november novembre|dec december dez dezember decembre"
)
MONTHS: Final = {
    name: number for number, names in enumerate(_MONTHS.split("|"), start=1) for name in names.split()
}
"""Names of months."""

_CLOCKWISE: Final = {
    **dict.fromkeys(("cw", "clockwise", "uzs", "horaire", "h"), 1),
    **dict.fromkeys(("ccw", "acw", "anticlockwise", "counterclockwise", "guzs", "antihoraire", "ah"), -1),
}
SENSES: Final[dict[str, dict[str, int]]] = {
    "zenith_deg": _CLOCKWISE,
    "azimuth_optical_deg": _CLOCKWISE,
    "azimuth_electrical_deg": _CLOCKWISE,
    "roll_applied_deg": _CLOCKWISE,
    "tilt_applied_deg": {"up": 1, "down": -1, "hoch": 1, "tief": -1, "haut": 1, "bas": -1},
    "channel_balance_db": {"l": 1, "left": 1, "links": 1, "gauche": 1}
    | {"r": -1, "right": -1, "rechts": -1, "droite": -1},
}
"""Words of sense beside a figure, by canonical column: clockwise, tail up and left louder are positive."""
