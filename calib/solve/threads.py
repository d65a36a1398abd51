"""Who uses the cores: matrix products of this package are small, and BLAS threads that wait for them only burn time."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


@cache
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_blas_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function so wrapped that BLAS runs on one thread during a call and as before after it."""

    @wraps(function)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return wrapped
