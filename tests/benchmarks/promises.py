"""How well the list of suspects keeps its promise, world by world.

    OPENBLAS_NUM_THREADS=1 python tests/benchmarks/promises.py [SEEDS [WORLD ...]]

Prints, for each of `WORLDS` of ``tests/suspect_yardsticks.py`` (all of them without a name), the recall of
ours and of the near-oracle, the share of false flags at 5 % asked and that which the lists expected, the
share of causes named right, and the flags in a bench of the same world without a fault.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from suspect_yardsticks import WORLDS, bench_of, near_oracle, ours, pooled, told


def line(name: str, seeds: range) -> str:
    """Figures of one world, pooled over seeds; flags in sound benches one by one."""
    start = time.process_time()
    fleets = [bench_of(name, seed) for seed in seeds]
    mine, oracle = pooled(fleets, ours, near_oracle)
    expected = sum(told(fleet) for fleet in fleets) / max(mine.flagged, 1)
    sound = [ours(bench_of(name, seed, sound=True)).flagged for seed in seeds]
    part = mine.recall / oracle.recall
    return (
        f"{name}: {mine}; expected false {expected:.3f}; of the near-oracle's {part:.3f}; "
        f"flags in sound benches {sound}; {time.process_time() - start:.0f} s"
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    for world in sys.argv[2:] or WORLDS:
        print(line(world, range(1, number + 1)), flush=True)  # noqa: T201
