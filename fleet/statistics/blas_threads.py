"""One BLAS thread inside the solves; the processor's cores for work that falls into parts.

On matrices of a hundred rows a second thread costs more than it saves, and beside a busy process it has been
seen to turn milliseconds into seconds.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from typing import Final, TypeVar

from threadpoolctl import ThreadpoolController


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Limit BLAS to one thread inside the block."""
    with _controller().limit(limits=1, user_api="blas"):
        yield


Part = TypeVar("Part")
Result = TypeVar("Result")
MOST_THREADS: Final = 4
"""More would mostly wait for their turn at Python itself, and each holds arrays of its own (not measured)."""


def in_threads(work: Callable[[Part], Result], parts: Iterable[Part]) -> list[Result]:
    """Results of independent parts in their order, reckoned on a few cores at once.

    Parameters
    ----------
    work : spends its time inside numpy, which lets other threads run; parts must not write to one place
    parts : what it is called with
    """
    todo = list(parts)
    threads = min(MOST_THREADS, os.cpu_count() or 1, len(todo))
    if threads < 2:
        return [work(part) for part in todo]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, todo))
