"""What a piece of work needs of the machine, told apart from what it waits for because others are busy."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

_QUEUED = Path("/proc/thread-self/schedstat")
_PEAK = Path("/proc/self/clear_refs")
_STATUS = Path("/proc/self/status")


@dataclass
class Effort:
    """Time and memory of one piece of work.

    Attributes
    ----------
    processor_s : processor time of all threads [s]
    asleep_s : time that the thread was neither running nor queuing for a processor: what it waits for a lock,
        a disk, or another thread [s]; nought where the kernel doesn't tell the queue
    peak_kb : largest memory of the process meanwhile [kB]; nought where the kernel doesn't tell it
    more_kb : by how much that is more than the process held before [kB]
    """

    processor_s: float = 0.0
    asleep_s: float = 0.0
    peak_kb: int = 0
    more_kb: int = 0

    @property
    def longest_s(self) -> float:
        """The time that counts as the work's own, however many others the machine is serving [s]."""
        return max(self.processor_s, self.asleep_s)


@contextmanager
def measured() -> Iterator[Effort]:
    """Measure what stands in the block; the figures are there after it."""
    effort = Effort()
    _forget_peak()
    before_kb = _peak_kb()
    wall, processor, own, queued = time.perf_counter(), time.process_time(), time.thread_time(), _queued_s()
    try:
        yield effort
    finally:
        effort.processor_s = time.process_time() - processor
        if _QUEUED.exists():
            busy = time.thread_time() - own + _queued_s() - queued
            effort.asleep_s = max(time.perf_counter() - wall - busy, 0.0)
        effort.peak_kb = _peak_kb()
        effort.more_kb = effort.peak_kb - before_kb


def _queued_s() -> float:
    """Time that this thread has waited for a processor so far [s]."""
    return int(_QUEUED.read_text().split()[1]) / 1e9 if _QUEUED.exists() else 0.0


def _forget_peak() -> None:
    if _PEAK.exists():
        _PEAK.write_text("5")


def _peak_kb() -> int:
    """Largest memory of this process since it was last forgotten [kB]."""
    found = re.search(r"VmHWM:\s+(\d+) kB", _STATUS.read_text()) if _STATUS.exists() else None
    return int(found[1]) if found else 0
