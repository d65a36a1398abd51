"""Who uses the cores: chunks of frames go to threads of ours, and BLAS keeps to one, as its
products here are small.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache, lru_cache, wraps
from itertools import pairwise
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")

N_GROUPS = 8  # whatever the number of cores, as sums by group round by how they are grouped
MAX_THREADS = 8  # beyond that the interpreter's lock, not the arithmetic, is what they wait for


@lru_cache(maxsize=1)
def _controller(n_modules: int) -> ThreadpoolController:
    """Return what holds all linear algebra that is loaded: SciPy and OpenCV bring their own, which
    come with further modules.
    """
    return ThreadpoolController()


def one_blas_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function so wrapped that BLAS runs on one thread during a call and as before after
    it.
    """

    @wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        with _controller(len(sys.modules)).limit(limits=1, user_api="blas"):
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
    """Return ``function`` of runs of items, in order, computed side by side."""
    return list(each_group(function, items))


def each_group(function: Callable[[Sequence[T]], R], items: Sequence[T]) -> Iterator[R]:
    """Yield what ``in_groups`` returns, so that a large result can go before the next is taken."""
    n = min(N_GROUPS, len(items))
    if n <= 1:
        yield function(items)
        return
    edges = [len(items) * k // n for k in range(n + 1)]
    groups = [items[a:b] for a, b in pairwise(edges)]
    yield from (
        map(function, groups) if n_threads() == 1 else _pool(n_threads()).map(function, groups)
    )
