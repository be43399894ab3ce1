"""One BLAS thread inside the solves.

On matrices of a hundred rows a second thread costs more than it saves, and beside a busy process it has been
seen to turn milliseconds into seconds.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

from threadpoolctl import ThreadpoolController


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Limit BLAS to one thread inside the block."""
    with _controller().limit(limits=1, user_api="blas"):
        yield
