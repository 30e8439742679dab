"""Keep the linear algebra on one thread: its matrices are small, and threads that wait for each
other on a busy computer cost a hundred times what they save.
"""

from __future__ import annotations

from contextlib import AbstractContextManager

__all__ = ["one_thread"]


def one_thread() -> AbstractContextManager[object]:
    """Context in which BLAS and LAPACK use one thread."""
    from threadpoolctl import threadpool_limits

    limits: AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limits
