"""What is asked of a kept model starts quickly: nothing is loaded that only a fit needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ASKED = [
    "status",
    "quote --kind line_contact/boron --vtf-mn 18",
    "judge --kind line_contact/boron --sra-dynamic-deg 91 --vta-dynamic-deg 22",
    "tilt --sra-dynamic-deg 91 --vta-dynamic-deg 22",
]
FOR_FITS = ("scipy.stats", "scipy.optimize", "fleet.estimation.fit", "sklearn", "statsmodels")


def test_answers_from_a_kept_model_load_nothing_of_a_fit(demo_store: Path) -> None:
    """A quote, a judgement, a tilt and the status load neither what fits a model nor SciPy's statistics."""
    code = (
        f"import sys; from fleet.cli import run; done = [run(words.split()) for words in {ASKED!r}]; "
        f"print(done, [name for name in {FOR_FITS!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[0, 0, 0, 0] []", demo_store


def test_the_status_is_counted_without_a_table_in_memory(demo_store: Path) -> None:
    """What the store holds is counted where it lies: neither pandas nor SciPy is loaded to say so."""
    code = (
        "import sys; from fleet.cli import run; done = run(['status']); "
        "print(done, [name for name in ('pandas', 'scipy') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "up to date" in done.stdout, demo_store
    assert done.stdout.splitlines()[-1] == "0 []"
