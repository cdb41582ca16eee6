"""One thread for the linear algebra: on matrices as small as ours others only wait and burn."""

from collections.abc import Callable
from typing import TypeVar

import scipy.linalg  # noqa: F401  numpy and scipy bring a BLAS each: those loaded by now
from threadpoolctl import ThreadpoolController

Function = TypeVar("Function", bound=Callable[..., object])

#: The function, in which BLAS runs in one thread; outside it runs as before.
one_thread: Callable[[Function], Function] = ThreadpoolController().wrap(limits=1, user_api="blas")
