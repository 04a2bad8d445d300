"""The linear algebra of an analysis on one thread.

Its matrices are small and many: several threads wait for one another, busily, which costs several times the
processor time. The command says so before numpy is loaded (``tui/cli``); in a script or a notebook numpy is
the user's, and is held to one thread only while an analysis runs.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


def on_one_thread(work: Callable[P, T]) -> Callable[P, T]:
    """``work`` with the process's linear algebra on one thread; afterwards on as many as before.

    Where two threads of a process work at once, the first to begin holds it, as ``threadpoolctl`` has it.
    """

    @wraps(work)
    def held(*args: P.args, **kwargs: P.kwargs) -> T:
        import scipy.linalg  # noqa: F401  (its library is held only once it is loaded)
        from threadpoolctl import threadpool_limits

        with threadpool_limits(limits=1, user_api="blas"):
            return work(*args, **kwargs)

    return held
