"""Sheets with planted names, serials and mail addresses, and what a search for them looks for."""

from __future__ import annotations

import random

import pandas as pd
from worlds import LONG, ideal

from fleet.columns import COLUMNS

N_PLANTED = 4000 if LONG else 400
N_GOOD = 300
EXTRA = (
    "Owner",
    "Planted Mustersson 1",
    "planted2@mustersson.example",
    "remarks",
    "PLANTED-SERIAL-3 force (g)",
)
HIDDEN = (b"planted", b"mustersson")
"""What every planted text holds, in small letters."""


def planted(i: int, rng: random.Random) -> str:
    """One text that no code, number, word or day can be."""
    return rng.choice(
        [
            f"Planted Mustersson {i}",
            f"planted{i}@mustersson.example",
            f"Planted; Mustersson {i}",
            f"{i} Planted Mustersson",
            f"+49 Planted {i}",
            f"=cmd|'Planted Mustersson {i}'",
        ]
    )


def sheets_with_plants(n: int = N_PLANTED) -> pd.DataFrame:
    """`N_GOOD` sheets with planted serials, then ``n`` with a planted text in a field besides."""
    rng = random.Random(4)
    frame = ideal(11, n_families=8).sheets(n + N_GOOD)[0].astype("object")
    frame = frame.reindex(columns=list(COLUMNS)).where(frame.notna(), "")
    frame["measured_on"] = [str(day)[:10] for day in frame["measured_on"]]
    frame["sheet_no"] = [f"A{i}" for i in range(len(frame))]
    frame["serial"] = [f"PLANTED-SERIAL-{i // 2:04d}" for i in range(len(frame))]
    fields = [name for name in COLUMNS if name != "serial"]
    for i in range(n):
        frame.loc[N_GOOD + i, fields[i % len(fields)]] = planted(i, rng)
    for name in EXTRA:
        frame[name] = [planted(i, rng) for i in range(len(frame))]
    return frame.fillna("")
