"""Units that benches write, and what they are in the contract's units.

Sources: 1 g of force = 9.80665 mN (standard gravity, CGPM 1901); 1 inch = 25.4 mm (international inch, 1959);
the compliance unit is 1e-6 cm/dyn, and 1 dyn = 0.01 mN makes it 1 µm/mN; °C = (°F - 32) / 1.8.
"""

from __future__ import annotations

from typing import Final, NamedTuple

G_MN: Final = 9.80665
INCH_MM: Final = 25.4


class Scale(NamedTuple):
    """How a unit becomes the contract's: canonical = factor * value + offset."""

    factor: float
    offset: float = 0.0


_SAME = Scale(1.0)

SCALES: Final[dict[str, dict[str, Scale]]] = {
    "mN": {"mn": _SAME, "g": Scale(G_MN), "gf": Scale(G_MN), "p": Scale(G_MN), "pond": Scale(G_MN)}
    | {"cn": Scale(10.0), "gm": Scale(G_MN), "gram": Scale(G_MN), "grams": Scale(G_MN), "gramm": Scale(G_MN)},
    "mm": {"mm": _SAME, "cm": Scale(10.0), "µm": Scale(0.001), "um": Scale(0.001)}
    | dict.fromkeys(("inch", "inches", "in", '"', "zoll"), Scale(INCH_MM)),
    "µm/mN": dict.fromkeys(
        ("µm/mn", "um/mn", "cu", "c.u", "10^-6 cm/dyn", "1e-6 cm/dyn", "x10-6 cm/dyn"), _SAME
    )
    | {"mm/n": _SAME, "m/n": Scale(1000.0)},
    "°": dict.fromkeys(("°", "deg", "degree", "degrees", "grad"), _SAME),
    "°C": {"°c": _SAME, "c": _SAME, "celsius": _SAME, "deg c": _SAME}
    | dict.fromkeys(("°f", "f", "fahrenheit", "deg f"), Scale(1 / 1.8, -32 / 1.8))
    | {"k": Scale(1.0, -273.15)},
    "dB": {"db": _SAME},
    "Hz": {"hz": _SAME, "khz": Scale(1000.0)},
    "h": dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "std", "stunden"), _SAME),
    "min": dict.fromkeys(("min", "mins", "mn", "minute", "minutes", "minuten"), _SAME)
    | dict.fromkeys(("h", "hr", "hour", "hours", "std"), Scale(60.0)),
}
"""For each unit of the contract, the spellings (in small letters) that a bench may use in its place."""


def scale_of(unit: str, written: str) -> Scale | None:
    """What turns a figure in a written unit into one in the contract's; None if the two don't go together."""
    spelling = written.strip().lower().replace("\u03bc", "µ").rstrip(".")
    return SCALES.get(unit, {}).get(spelling)
