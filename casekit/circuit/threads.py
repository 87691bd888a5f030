"""One thread for small matrices: a thread pool costs them more than it gives."""

from __future__ import annotations

from contextlib import AbstractContextManager, nullcontext
from functools import lru_cache

from threadpoolctl import ThreadpoolController


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    return ThreadpoolController().select(user_api="blas")


def one_thread() -> AbstractContextManager:
    """While it is entered, linear algebra runs on one thread; afterwards as before."""
    blas = _controller()
    if all(lib.num_threads == 1 for lib in blas.lib_controllers):  # asking takes a tenth of setting
        return nullcontext()
    return blas.limit(limits=1)
