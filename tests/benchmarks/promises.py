"""How well the list of suspects keeps its promise, world by world.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/promises.py [SEEDS [WORLD ...]]

Prints, for each of `WORLDS` of ``tests/suspect_yardsticks.py`` (all of them without a name), the recall of
ours and of the near-oracle, the share of false flags at 5 % asked with its standard error over benches, what
the lists expected and what they print (the share asked for where it is kept), the share of causes named
right, and the flags in a bench of the same world without a fault.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from suspect_yardsticks import WORLDS, bench_of, near_oracle, ours, pooled

from fleet.faults.suspects import suspects


def line(name: str, seeds: range) -> str:
    """Figures of one world, pooled over seeds; flags in sound benches one by one."""
    start = time.process_time()
    fleets = [bench_of(name, seed) for seed in seeds]
    each = [ours(fleet) for fleet in fleets]
    mine, (oracle,) = sum(each[1:], each[0]), pooled(fleets, near_oracle)
    lists = [suspects(fleet.house, fleet.current).promise for fleet in fleets]
    expected, printed = (
        sum(share * tally.flagged for share, tally in zip(shares, each, strict=True)) / max(mine.flagged, 1)
        for shares in ([p.expected for p in lists], [p.asked if p.kept else p.expected for p in lists])
    )
    away = [t.flagged - t.hits - mine.false_share * t.flagged for t in each]
    error = np.sqrt(len(each) / max(len(each) - 1, 1) * np.square(away).sum()) / max(mine.flagged, 1)
    sound = [ours(bench_of(name, seed, sound=True)).flagged for seed in seeds]
    return (
        f"{name}: {mine}; false ± {error:.3f}; expected {expected:.3f}, printed {printed:.3f}; near-oracle "
        f"{oracle.recall:.3f} at {oracle.false_share:.3f}, cause {oracle.cause:.3f}; of its recall "
        f"{mine.recall / oracle.recall:.3f}; flags in sound benches {sound}; "
        f"{time.process_time() - start:.0f} s"
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    for world in sys.argv[2:] or WORLDS:
        print(line(world, range(1, number + 1)), flush=True)  # noqa: T201
