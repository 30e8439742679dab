"""Start the processes that work on photos while this one still reads files and loads modules.

What they do then is `photo_work`'s business, who gives them work `look`'s.
"""

from __future__ import annotations

import signal
import threading
from importlib import import_module

__all__ = ["start_workers"]


def start_workers(photos: int, workers: int | None = None) -> None:
    """Begin to start joblib's worker processes, and come back at once.

    The processes stay for whoever asks joblib for as many next; if nobody does, they end with this
    process. Where work goes elsewhere (a dask cluster) or stays here, nothing is started.

    Args:
        photos: how many there are to work on.
        workers: processes; all cores if None.
    """
    # No daemon: at this process's end it is waited for, so that no half-started one is left.
    threading.Thread(target=_start, args=(photos, workers)).start()


def _start(photos: int, workers: int | None) -> None:
    from joblib import Parallel, cpu_count, delayed

    jobs = max(1, min(workers or cpu_count(), photos))
    if jobs == 1:
        return
    if hasattr(signal, "pthread_sigmask"):
        # Ctrl-C is this process's to answer; processes that it hits as they start tell of it.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    Parallel(n_jobs=jobs, batch_size=1)(delayed(_load)() for _ in range(jobs))


def _load() -> None:
    """What a worker needs, in memory before the first photo comes."""
    for name in ("cv2", "fitscan.survey.photo_work"):
        import_module(name)
