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
    "quote --kind line_contact/boron --vtf-mn 18": TABLES,
    "judge --kind line_contact/boron --sra-dynamic-deg 91 --vta-dynamic-deg 22": TABLES,
    "tilt --sra-dynamic-deg 91 --vta-dynamic-deg 22": TABLES,
    "align --sra-dynamic-deg 91 --vta-dynamic-deg 22": TABLES,
    "refit": {*TABLES, "fleet.estimation.fit"},
}
DEAR = (
    *TABLES, "pydantic", "scipy.special", "scipy.linalg", "scipy.stats", "scipy.optimize", "sklearn",
    "statsmodels", "altair", "openpyxl", "fleet.estimation.fit", "fleet.intake.reader", "fleet.store.backup",
    "fleet.sharing.files",
)  # fmt: skip
"""What takes more than a hundredth of a second to load, or stands for a room that an answer doesn't need."""


@pytest.mark.parametrize("words", ASKED)
def test_a_command_loads_what_it_needs(words: str, demo_store: Path) -> None:
    """None of SciPy's functions nor a checker of types; no answer what fits a model; a status no table."""
    code = (
        f"import sys; from fleet.cli import run; done = run({words.split()!r}); "
        f"print(done, sorted(name for name in {DEAR!r} if name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == f"0 {sorted(ASKED[words])}", demo_store
