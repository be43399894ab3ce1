"""The engine's page: its example runs, and says what it says."""

import re
from pathlib import Path

import numpy as np
import pytest

PAGE = Path(__file__).resolve().parents[2] / "fleet" / "docs" / "engine.md"


def test_the_example_runs_and_gives_the_figures_beside_it() -> None:
    """The code block, run as it stands: sds, fixed effects and the effect of S3 as its comments say."""
    (code,) = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    names: dict[str, object] = {}
    exec(code, names)
    fit, posterior = names["fit"], names["posterior"]
    said = [float(x) for x in re.search(r"# ([\d.]+) between sources, ([\d.]+) within", code).groups()]
    assert [fit.sds[0], fit.sigma] == pytest.approx(said, abs=5e-4)
    third = float(re.search(r"S3 (−[\d.]+)", code)[1].replace("−", "-"))
    assert fit.effects(0)["S3"] == pytest.approx(third, abs=5e-4)
    assert posterior.ess > 100.0
    assert np.isfinite(posterior.mean(lambda sds, sigma: sds)).all()
