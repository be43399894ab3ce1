"""What is asked of a kept model, and a refit, start quickly: each command loads no dear thing of others."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TABLES = {"numpy", "pandas", "pyarrow"}
ASKED = {
    "--help": set[str](),
    "status": set[str](),
    "quote --kind line_contact/boron --vtf-mn 18": {"numpy"},
    "quote --kind line_contact/boron --sra-static-deg 92 --read-by photo": {"numpy"},
    "judge --kind line_contact/boron --sra-dynamic-deg 91 --vta-dynamic-deg 22": {"numpy"},
    "judge --kind line_contact/boron --sra-static-deg 97 --sra-dynamic-deg 91 --zenith-deg 5": {"numpy"},
    "tilt --sra-dynamic-deg 91 --vta-dynamic-deg 22": {"numpy"},
    "align --sra-static-deg 92 --vta-dynamic-deg 22 --zenith-deg 2 --azimuth-electrical-deg 1": {"numpy"},
    "attainment": TABLES,
    "refit": {"numpy", "fleet.estimation.fit"},
}
DEAR = (
    *TABLES, "pydantic", "scipy.special", "scipy.linalg", "scipy.stats", "scipy.optimize", "sklearn",
    "statsmodels", "altair", "openpyxl", "fleet.estimation.fit", "fleet.intake.reader", "fleet.store.backup",
    "fleet.sharing.files",
)  # fmt: skip
"""What takes more than a hundredth of a second to load, or stands for a room that an answer doesn't need."""


@pytest.mark.parametrize("words", ASKED)
def test_a_command_loads_what_it_needs(words: str, demo_store: Path) -> None:
    """What is typed of one pickup loads neither tables nor SciPy's functions; no answer what fits a model."""
    code = (
        f"import sys; from fleet.cli import run; done = run({words.split()!r}); "
        f"print(done, sorted(name for name in {DEAR!r} if name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == f"0 {sorted(ASKED[words])}", demo_store
