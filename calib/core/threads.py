"""Who uses the cores: chunks of frames go to threads of ours, and BLAS keeps to one, as its
products here are small.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache, wraps
from itertools import pairwise
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")

MAX_THREADS = 8  # beyond that the interpreter's lock, not the arithmetic, is what they wait for


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_blas_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function so wrapped that BLAS runs on one thread during a call and as before after
    it.
    """

    @wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return wrapped


def n_cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):  # Linux alone tells
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def n_threads() -> int:
    """Return how many threads a solve runs on."""
    return min(n_cores(), MAX_THREADS)


@cache
def _pool(n_threads: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(n_threads, thread_name_prefix="calib")


def in_groups(function: Callable[[Sequence[T]], R], items: Sequence[T]) -> list[R]:
    """Return ``function`` of as many runs of items as there are cores, in order, computed side by
    side.
    """
    n = min(n_threads(), len(items))
    if n <= 1:
        return [function(items)]
    edges = [len(items) * k // n for k in range(n + 1)]
    groups = [items[a:b] for a, b in pairwise(edges)]
    return list(_pool(n).map(function, groups))
