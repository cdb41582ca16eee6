"""One thread for the linear algebra: on matrices as small as ours others only wait and burn."""

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import ThreadpoolController

P = ParamSpec("P")
R = TypeVar("R")


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """The function, in which BLAS runs in one thread; outside it runs as before."""

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with _libraries().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone


@cache
def _libraries() -> ThreadpoolController:
    """What is loaded by now; numpy and scipy bring a BLAS each."""
    return ThreadpoolController()
