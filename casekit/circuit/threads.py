"""One thread for small matrices: a thread pool costs them more than it gives."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import lru_cache

from threadpoolctl import ThreadpoolController


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    return ThreadpoolController()


def one_thread() -> AbstractContextManager:
    """While it is entered, linear algebra runs on one thread; afterwards as before."""
    return _controller().limit(limits=1, user_api="blas")
