"""Canonical sheets as benches keep them: written at random with titles, units, commas, dittos, signs, pages.

Everything that the file can't tell stands in `Messy`, so that a test can answer a draft's questions as the
bench would, and know what every cell means. Headers are common practice in three languages, no source.
"""

from __future__ import annotations

import csv
import datetime as dt
import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pandas as pd

from fleet.intake.guides.guide import Guide
from fleet.intake.guides.propose import Proposal
from fleet.intake.guides.questions import Question, with_answer

NAMES: Final[dict[str, tuple[tuple[str, ...], ...]]] = {
    "sheet_no": (
        ("No", "Sheet no.", "Job no"),
        ("Nr.", "Blatt-Nr", "Auftrag"),
        ("Fiche no", "Numéro", "No fiche"),
    ),
    "measured_on": (("Date", "Measured on"), ("Datum", "Messdatum"), ("Date de mesure", "Jour")),
    "body_family": (("Model", "Model code"), ("Modell",), ("Modèle",)),
    "stylus_profile": (("Tip", "Stylus"), ("Schliff", "Nadelform"), ("Pointe", "Taille")),
    "cantilever_material": (("Cantilever", "Shank"), ("Nadelträger",), ("Porte-pointe",)),
    "vtf_mn": (("Force", "Tracking force", "VTF"), ("Auflagekraft",), ("Force d'appui",)),
    "temperature_c": (("Room temp", "Temperature"), ("Raumtemperatur", "Temp."), ("Température",)),
    "sra_static_deg": (("Rake still", "SRA static"), ("SRA statisch", "Rake (stehend)"), ("SRA statique",)),
    "sra_dynamic_deg": (
        ("Rake turning", "SRA (dyn.)"),
        ("SRA dynamisch", "Rake (laufend)"),
        ("SRA dynamique",),
    ),
    "vta_dynamic_deg": (("Tracking angle turning", "VTA (dynamic)"), ("VTA dynamisch",), ("VTA dynamique",)),
    "azimuth_optical_deg": (("Azimuth seen", "Azimuth (optical)"), ("Azimut optisch",), ("Azimut optique",)),
    "azimuth_electrical_deg": (("Azimuth electrical",), ("Azimut elektrisch",), ("Azimut électrique",)),
    "crosstalk_l_to_r_db": (("Crosstalk L>R", "Xtalk L-R"), ("Übersprechen L->R",), ("Diaphonie L/R",)),
    "crosstalk_r_to_l_db": (("Crosstalk R>L", "Xtalk R-L"), ("Übersprechen R->L",), ("Diaphonie R/L",)),
    "channel_balance_db": (("Balance", "Channel balance"), ("Kanalbalance",), ("Balance des canaux",)),
    "zenith_deg": (("Zenith", "Zenith error"), ("Zenit", "Zenithfehler"), ("Zénith",)),
    "height_mm": (("Height", "Body height"), ("Bauhöhe", "Höhe"), ("Hauteur",)),
    "tilt_room_deg": (("Max tilt", "Tilt limit"), ("Max. Neigung",), ("Inclinaison max",)),
    "tilt_applied_deg": (("Tilt used", "Tilt"), ("Neigung gesetzt", "Neigung"), ("Inclinaison",)),
    "bench_minutes": (("Minutes", "Time"), ("Minuten", "Dauer"), ("Durée",)),
}
BARE: Final = {
    "sra_dynamic_deg": ("SRA", "Rake"),
    "sra_static_deg": ("SRA", "Rake"),
    "vta_dynamic_deg": ("VTA", "Tracking angle", "Spurwinkel"),
    "azimuth_optical_deg": ("Azimuth", "Azimut"),
    "azimuth_electrical_deg": ("Azimuth", "Azimut"),
}
EXTRA: Final = (
    "VTA statisch",
    "VTA static",
    "Remarks",
    "Kunde",
    "Rake spread",
    "Rake after",
    "Colour",
    "Azimuth after",
)
ALWAYS: Final = ("sheet_no", "measured_on", "body_family")
SIGNED: Final = (
    "zenith_deg",
    "azimuth_optical_deg",
    "azimuth_electrical_deg",
    "channel_balance_db",
    "tilt_applied_deg",
)
UNITS: Final = {
    "vtf_mn": (("mN", 1.0, 1), ("g", 9.80665, 2), ("cN", 10.0, 2)),
    "height_mm": (("mm", 1.0, 2), ("inch", 25.4, 3)),
    "temperature_c": (("°C", 1.0, 1), ("°F", 1 / 1.8, 0)),
}
"""Unit, contract's units in one of it, digits that a bench writes."""
WORDS: Final = {
    "stylus_profile": {
        "elliptical": ("elliptical", "ellipse", "elliptisch", "elliptique"),
        "line_contact": ("line", "line contact", "LC", "line_contact"),
        "spherical": ("conical", "rund", "conique", "spherical"),
    },
    "cantilever_material": {
        "aluminium": ("alu", "Al", "aluminium"),
        "boron": ("boron", "Bor", "B"),
        "ruby": ("ruby", "Rubin", "rubis"),
    },
}
EMPTY: Final = ("", "", "-", "n/a", "k.A.", "–")
TITLES: Final = ("Bench book", "Messungen 2023", "Cellules mesurées")
TRUTH_SPAN: Final = {
    "vtf_mn": (15, 25),
    "temperature_c": (18, 27),
    "sra_static_deg": (88, 94),
    "vta_dynamic_deg": (17, 30),
    "azimuth_optical_deg": (-2, 2),
    "azimuth_electrical_deg": (-2, 2),
    "crosstalk_l_to_r_db": (-38, -22),
    "crosstalk_r_to_l_db": (-38, -22),
    "channel_balance_db": (-1.5, 1.5),
    "zenith_deg": (-4, 4),
    "height_mm": (14, 20),
    "tilt_room_deg": (2, 5),
    "tilt_applied_deg": (-2, 4),
    "bench_minutes": (20, 150),
}


@dataclass
class Messy:
    """A file, and what its bench knows of it.

    Attributes
    ----------
    path : the file.
    means : canonical column by header, None for a header that a bench sheet has no place for.
    flipped : headers whose sign is the other way round.
    unit : factor of each header's figures to the contract's, and offset.
    dates : order of days.
    ditto : headers whose empty cells stand for the one above.
    truth : canonical values by sheet number; a column that isn't told is not there.
    handed_in : filled rows of the file that are no header row, titles and sums among them.
    """

    path: Path
    means: dict[str, str | None] = field(default_factory=dict)
    flipped: set[str] = field(default_factory=set)
    unit: dict[str, tuple[float, float]] = field(default_factory=dict)
    dates: str = "ymd"
    ditto: set[str] = field(default_factory=set)
    truth: dict[str, dict[str, Any]] = field(default_factory=dict)
    handed_in: int = 0


def answer_all(proposal: Proposal, messy: Messy) -> Guide:
    """The guide once every question is answered as the bench knows it."""
    guide = proposal.guide
    for question in proposal.open:
        guide = with_answer(guide, question, list(_picked(guide, question, messy)))
    return guide


def _picked(guide: Guide, question: Question, messy: Messy) -> Iterable[int]:
    if not question.several:
        for place, choice in enumerate(question.choices):
            known = all(
                (change["to"] if change else None) == messy.means[h] for h, change in choice.rules.items()
            )
            if known and choice.dates in {"", messy.dates}:
                yield place
                return
        yield len(question.choices) - 1
        return
    rules = {rule.header: rule for rule in guide.rules}
    done: set[str] = set()
    for place, choice in enumerate(question.choices):
        ((header, after),) = list(choice.rules.items())[:1]
        if header not in rules or len(choice.rules) > 1:
            continue
        now = rules[header]
        if after is not None and "flip" in after:
            wrong = (header in messy.flipped) != now.flip
        elif after is not None and "unit" in after:
            wrong = not _meaning_is_wrong(now.to, header, messy, after["unit"])
            done |= {header} if wrong else set()
        elif after is not None:
            wrong = header not in messy.ditto
        elif header in done:
            wrong = False
        else:
            wrong = _meaning_is_wrong(now.to, header, messy, now.unit)
        if wrong:
            yield place


def _meaning_is_wrong(to: str, header: str, messy: Messy, unit: str) -> bool:
    from fleet.intake.guides.units import scale_of

    if messy.means[header] != to:
        return True
    if header not in messy.unit:
        return False
    from fleet.columns import COLUMNS

    scale = scale_of(COLUMNS[to].unit, unit) if unit else (1.0, 0.0)
    return scale is None or abs(scale[0] - messy.unit[header][0]) > 1e-6


def write_messy(folder: Path, seed: int) -> Messy:
    """Write sheets as some bench might keep them, all at random from the seed."""
    return _Writer(random.Random(seed), folder, seed).write()


class _Writer:
    def __init__(self, rng: random.Random, folder: Path, seed: int) -> None:
        self.rng = rng
        self.language = rng.randrange(3)
        self.kind = rng.choice(["csv", "csv", "csv", "xlsx", "xlsx", "parquet"])
        self.out = Messy(folder / f"bench-{seed}.{self.kind}")
        self.comma = rng.random() < 0.5
        self.out.dates = rng.choice(["ymd", "dmy", "dmy", "mdy"])
        self.day_mark = (
            "-" if self.out.dates == "ymd" else rng.choice("./-" if self.out.dates == "dmy" else "/-")
        )
        self.typed = self.kind != "csv" and rng.random() < 0.6
        self.two_rows = self.kind != "parquet" and rng.random() < 0.35
        self.units_in = rng.choice(["header", "cell", "none", "header"])
        self.columns = [n for n in NAMES if n in ALWAYS or rng.random() < 0.75]
        rng.shuffle(rest := [n for n in self.columns if n not in ALWAYS])
        self.columns = [*ALWAYS, *rest] if rng.random() < 0.7 else rng.sample(self.columns, len(self.columns))
        if self.columns[0] not in ALWAYS:
            self.columns = [*ALWAYS, *(n for n in self.columns if n not in ALWAYS)]
        self.grouped = self.two_rows and {"sra_static_deg", "sra_dynamic_deg"} <= set(self.columns)
        if self.grouped:
            self.columns.remove("sra_dynamic_deg")
            self.columns.insert(self.columns.index("sra_static_deg") + 1, "sra_dynamic_deg")
        self.ditto_mark = rng.choice(["", "", '"', "dto"])
        self.sense = {
            n for n in SIGNED if n.endswith("deg") and not n.startswith("tilt") and rng.random() < 0.3
        }
        self.down = rng.random() < 0.6
        self.unit = {
            n: rng.choice(u) if self.units_in != "none" or n != "temperature_c" else u[0]
            for n, u in UNITS.items()
        }
        self.words = {n: {w: rng.choice(o) for w, o in known.items()} for n, known in WORDS.items()}
        self.empty = rng.choice(EMPTY)

    def write(self) -> Messy:
        tops, names = self._headers()
        rows = self._rows(names)
        pages = self._pages(tops, names, rows)
        if self.kind == "parquet" and len(set(names)) == len(names):
            frame = pd.DataFrame(rows, columns=names)
            mixed = [name for name in frame if len(set(map(type, frame[name]))) > 1]
            frame.astype(dict.fromkeys(mixed, "str")).to_parquet(self.out.path)
            self.out.handed_in = len(rows)
            return self.out
        if self.kind != "xlsx":
            self.out.path = self.out.path.with_suffix(".csv")
            self._write_csv(pages[0])
        else:
            self._write_xlsx(pages)
        self.out.handed_in = sum(
            any(cell not in {"", None} for cell in row) for page in pages for row in page
        ) - len(pages) * (2 if self.two_rows else 1)
        return self.out

    def _headers(self) -> tuple[list[str], list[str]]:
        rng, out = self.rng, self.out
        bare = rng.random() < 0.4
        names: list[str] = []
        for to in self.columns:
            name = rng.choice(NAMES[to][self.language])
            partner = {"sra_static_deg": "sra_dynamic_deg", "azimuth_optical_deg": "azimuth_electrical_deg"}
            twin = partner.get(to) or {b: a for a, b in partner.items()}.get(to)
            if bare and to in BARE and (twin not in self.columns or rng.random() < 0.3):
                name = rng.choice(BARE[to])
            unit = (
                self.unit[to][0]
                if to in self.unit
                else {"deg": "°", "db": "dB"}.get(to.rsplit("_", 1)[-1], "")
            )
            if self.units_in == "header" and unit and not self.two_rows:
                name += rng.choice([" [{}]", " ({})"]).format(unit)
            names.append(name)
        self.extra = rng.sample(EXTRA, rng.randrange(3))
        names += self.extra
        tops = [""] * len(names)
        if self.two_rows:
            tops, names = self._two_rows(names)
        full: list[str] = []
        over = ""
        for top, name in zip(tops, names, strict=True):
            over = top or (over if name else "")
            joined = f"{over} {name}".strip() if self.two_rows else name
            number = 1 + sum(joined.lower() == f.split(" (n")[0].lower() for f in full)
            full.append(joined if number == 1 else f"{joined} (n{number}")
        self.keys = [f.replace(" (n", " (") + (")" if " (n" in f else "") for f in full]
        for to, key in zip([*self.columns, *[None] * len(self.extra)], self.keys, strict=True):
            out.means[key] = to
            if (to in SIGNED and to not in self.sense and rng.random() < 0.3) or (
                to in self.sense and rng.random() < 0.3
            ):
                out.flipped.add(key)
            if to in UNITS:
                factor = self.unit[to][1]
                out.unit[key] = (factor, -32 / 1.8 if self.unit[to][0] == "°F" else 0.0)
        return tops, names

    def _two_rows(self, names: list[str]) -> tuple[list[str], list[str]]:
        """Names over their units, or one name over what two columns differ in."""
        below = []
        for to in [*self.columns, *self.extra]:
            unit = self.unit[to][0] if to in self.unit and self.units_in == "header" else ""
            below.append(f"[{unit}]" if unit else "")
        if self.grouped:
            place = self.columns.index("sra_static_deg")
            names[place : place + 2] = [self.rng.choice(["SRA", "Rake"]), ""]
            below[place : place + 2] = (
                ("static", "dynamic"),
                ("statisch", "dynamisch"),
                ("statique", "dynamique"),
            )[self.language]
        if not any(below):
            self.two_rows = False
            return [""] * len(names), names
        return names, below

    def _rows(self, names: list[str]) -> list[list[Any]]:
        rng, out = self.rng, self.out
        rows: list[list[Any]] = []
        day = dt.date(2023, rng.randrange(1, 12), rng.randrange(1, 28))
        model = "K1"
        ditto = {n for n in ("measured_on", "body_family") if rng.random() < 0.3}
        out.ditto = {self.keys[self.columns.index(n)] for n in ditto if not self.ditto_mark}
        for number in range(rng.randrange(8, 30)):
            same = number > 0 and rng.random() < 0.5
            if not same:
                day, model = day + dt.timedelta(rng.randrange(9)), f"K{rng.randrange(1, 6)}"
            sheet = f"N{number:03d}"
            truth: dict[str, Any] = {}
            row: list[Any] = []
            still = rng.uniform(*TRUTH_SPAN["sra_static_deg"])
            for to, key in zip(self.columns, self.keys, strict=False):
                if to in {"measured_on", "body_family"}:
                    truth[to] = day.isoformat() if to == "measured_on" else model
                    written = self._day(day) if to == "measured_on" else model
                    row.append(self.ditto_mark if same and to in ditto else written)
                elif to == "sheet_no":
                    row.append(sheet)
                elif to in WORDS:
                    word = rng.choice(list(WORDS[to]))
                    truth[to] = word
                    row.append(self.words[to][word])
                elif rng.random() < 0.1:
                    row.append(self.empty)
                else:
                    row.append(self._figure(to, key, still, truth))
            row += [
                "text" if name in {"Remarks", "Kunde", "Colour"} else self._written(rng.uniform(18, 26), 1)
                for name in self.extra
            ]
            rows.append(row)
            out.truth[sheet] = truth
        return rows

    def _day(self, day: dt.date) -> Any:
        if self.typed:
            return day
        parts = {"y": f"{day.year}", "m": f"{day.month:02d}", "d": f"{day.day:02d}"}
        return self.day_mark.join(parts[p] for p in self.out.dates)

    def _figure(self, to: str, key: str, still: float, truth: dict[str, Any]) -> Any:
        """One figure as written; its truth is worked out from what stands there."""
        rng = self.rng
        value = {"sra_static_deg": still, "sra_dynamic_deg": still - rng.uniform(0.3, 1.5)}.get(to)
        value = rng.uniform(*TRUTH_SPAN[to]) if value is None else value
        factor, digits, unit = 1.0, 1, ""
        offset = 0.0
        if to in self.unit:
            unit, factor, digits = self.unit[to]
            offset = -32 / 1.8 if unit == "°F" else 0.0
        written = round((value - offset) / factor, digits) + 0.0
        truth[to] = written * factor + offset
        if to.startswith("crosstalk") and self.down:
            written = abs(written)
        sign = -1 if key in self.out.flipped else 1
        if to in SIGNED:
            truth[to] = sign * written
        if to in self.sense:
            word = (
                ("cw" if written > 0 else "ccw") if rng.random() < 0.7 else ("CW" if written > 0 else "CCW")
            )
            return f"{self._written(abs(written), digits)} {word}" if written else self._written(0.0, digits)
        if self.units_in == "cell" and unit:
            return f"{self._written(written, digits)} {unit}"
        if self.typed:
            return written
        return self._written(written, digits)

    def _written(self, value: float, digits: int) -> str:
        text = f"{value:.{digits}f}"
        return text.replace(".", ",") if self.comma else text

    def _pages(self, tops: list[str], names: list[str], rows: list[list[Any]]) -> list[list[list[Any]]]:
        rng = self.rng
        header = [tops, names] if self.two_rows else [names]
        titles = [[rng.choice(TITLES)], []][: rng.choice([0, 0, 1, 2])]
        sums = (
            [["Total" if self.language == 0 else "Summe", *[""] * (len(names) - 1)]]
            if rng.random() < 0.3
            else []
        )
        if sums and len(names) > 4:
            sums[0][4] = self._written(99.0, 1)
        if self.kind == "xlsx" and rng.random() < 0.4 and len(rows) > 4:
            cut = rng.randrange(2, len(rows) - 1)
            told = [self.columns.index(name) for name in ("body_family", "measured_on")]
            while cut < len(rows) and self.ditto_mark in {rows[cut][place] for place in told}:
                cut += 1
            if cut < len(rows):
                return [[*titles, *header, *rows[:cut]], [*header, *rows[cut:], *sums]]
        return [[*titles, *header, *rows, *sums]]

    def _write_csv(self, rows: list[list[Any]]) -> None:
        mark = ";" if self.comma else self.rng.choice([",", ";", "\t", "|"])
        encoding = self.rng.choice(["utf-8", "utf-8-sig", "cp1252"])
        with self.out.path.open("w", encoding=encoding, newline="", errors="replace") as file:
            csv.writer(file, delimiter=mark).writerows(rows)

    def _write_xlsx(self, pages: list[list[list[Any]]]) -> None:
        import openpyxl

        book = openpyxl.Workbook()
        book.remove(book.active)
        for number, rows in enumerate(pages):
            page = book.create_sheet(f"P{number}")
            any(page.append([None if cell == "" else cell for cell in row]) for row in rows)
        book.save(self.out.path)
