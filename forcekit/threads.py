"""With how many threads numpy computes."""

from __future__ import annotations

import os

__all__ = ["one_thread_each"]


def one_thread_each() -> None:
    """Let numpy compute with one thread, if it is not loaded yet and nobody said otherwise.

    The matrices of a lift are small: several threads wait for each other for longer than they compute (with a sensor on
    the bar an analysis takes twice the time of the processor), and the workers of a batch are the parallelism. Sums
    split over several threads are rounded differently, too, which the fit of the bar's motion may carry into the fifth
    digit of its interval.
    """
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
