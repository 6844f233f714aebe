"""Groups of recordings on any executor of `concurrent.futures`; a worker that dies takes no other file with it.

The same loop drives processes of this machine, a thread of this program (few files) and a Dask cluster. Only so many
groups are under way that memory does not grow with the number of files. When a worker dies, the files that were under
way are done again one at a time: one that ends its worker twice in a row is guilty and becomes a failure.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import connection
from typing import Any, TypeVar

from forcekit.batch.processes import Processes
from forcekit.errors import InputError
from forcekit.threads import one_thread_each

__all__ = [
    "FEW_FILES",
    "Workers",
    "dask_workers",
    "in_groups",
    "process_workers",
    "run_groups",
    "thread_worker",
]

Item = TypeVar("Item")
Result = TypeVar("Result")

FEW_FILES = 30
"""Fewer files than this are done by the program itself: a worker needs about a second to start (measured)."""
LARGEST_GROUP = 16
LARGEST_GROUP_BYTES = 20_000_000
"""Files of a task: enough that handing over costs nothing, few enough that the workers end together (our choice)."""
ANSWERS_WITHIN_S = 10.0
"""A scheduler that does not answer in this time is not there (our choice)."""
TRIES = 2
"""A worker may be killed by somebody else; a file that ends two in a row did it."""


class Workers:
    """Where the work is done: makes its executor when it is first needed.

    Parameters
    ----------
    n : int
        How many groups are worked on at once.
    make : callable
        Gives an executor with so many workers, that replaces one that died.
    """

    def __init__(self, n: int, make: Callable[[int], Executor]) -> None:
        self.n = n
        self._make = make
        self._executor: Executor | None = None

    def executor(self) -> Executor:
        """Give the executor."""
        if self._executor is None:
            self._executor = self._make(self.n)
        return self._executor

    def close(self) -> None:
        """End the workers."""
        if self._executor is not None:
            self._executor.shutdown(wait=True)
            self._executor = None


def thread_worker() -> Workers:
    """One thread of this program."""
    return Workers(1, ThreadPoolExecutor)


def process_workers(n: int) -> Workers:
    """Processes of this machine, each with one thread for its arithmetic."""
    one_thread_each()
    return Workers(n, lambda n: Processes(n, _worker_begins))


def _worker_begins() -> None:
    """Leave an interrupt to the program that asked, and end with it, even if it was killed and could say nothing."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()

    def end_with_parent() -> None:
        if parent is not None:
            connection.wait([parent.sentinel])
            os._exit(1)

    threading.Thread(target=end_with_parent, daemon=True).start()


@contextmanager
def dask_workers(address: str) -> Iterator[Workers]:
    """Workers of a Dask cluster that runs already.

    Parameters
    ----------
    address : str
        Of its scheduler, such as ``tcp://10.0.0.5:8786``; the files must have the same paths on all computers.

    Raises
    ------
    InputError
        If the extra is not installed or no scheduler answers.
    """
    try:
        connect: Any = importlib.import_module("distributed").Client
    except ImportError:
        raise InputError('--dask needs another package; install it with pip install "forcekit[dask]".') from None
    try:
        client = connect(address, timeout=ANSWERS_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            f"--dask {address}: no scheduler answers there ({type(error).__name__}); check the address."
        ) from None
    try:
        n = max(1, sum(client.nthreads().values()))
        # Not pure: a cluster remembers results by their arguments, and a file may have changed since.
        yield Workers(n, lambda n: client.get_executor(pure=False))
    finally:
        client.close()


def in_groups(items: Iterable[Item], sizes: Iterable[int], n_items: int, n_workers: int) -> Iterator[list[Item]]:
    """Items in groups of up to 16 and 20 MB, fewer where there are few of them.

    Examples
    --------
    >>> list(in_groups("abcde", [1] * 5, 5, 1))
    [['a'], ['b'], ['c'], ['d'], ['e']]
    """
    most = max(1, min(LARGEST_GROUP, n_items // (8 * n_workers)))
    group: list[Item] = []
    n_bytes = 0
    for item, size in zip(items, sizes, strict=True):
        if group and (len(group) == most or n_bytes + size > LARGEST_GROUP_BYTES):
            yield group
            group, n_bytes = [], 0
        group.append(item)
        n_bytes += size
    if group:
        yield group


def run_groups(
    workers: Workers,
    task: Callable[[list[Item]], Sequence[Result]],
    groups: Iterable[list[Item]],
    given_up: Callable[[Item, str], Result],
) -> Iterator[tuple[Item, Result]]:
    """Results as they come, in any order.

    Parameters
    ----------
    workers : Workers
    task : callable
        Gives one result per item; can be pickled. An `InputError` of it ends everything.
    groups : iterable of list
    given_up : callable
        Makes the result of an item that ended its worker, with the reason.
    """
    coming = iter(groups)
    pending: dict[Future[Any], list[Item]] = {}
    suspects: list[Item] = []
    try:
        while True:
            while not suspects and len(pending) < 2 * workers.n and (group := next(coming, None)) is not None:
                pending[workers.executor().submit(task, group)] = group
            if not pending and not suspects:
                return
            done = wait(pending, return_when=FIRST_COMPLETED).done if pending else set()
            for future in done:
                group = pending.pop(future)
                try:
                    results = future.result()
                except InputError:
                    raise
                except Exception:  # the worker died: a task catches what its files do
                    suspects += group
                else:
                    yield from zip(group, results, strict=True)
            if suspects and not pending:
                yield from _one_by_one(workers, task, suspects, given_up)
                suspects = []
    finally:
        for future in pending:
            future.cancel()


def _one_by_one(
    workers: Workers,
    task: Callable[[list[Item]], Sequence[Result]],
    items: Sequence[Item],
    given_up: Callable[[Item, str], Result],
) -> Iterator[tuple[Item, Result]]:
    """Do the items of groups whose worker died, one at a time, to find the guilty one."""
    for item in items:
        why = ""
        for _ in range(TRIES):
            try:
                (result,) = workers.executor().submit(task, [item]).result()
            except InputError:
                raise
            except Exception as error:
                why = f"the worker ended while it read this file, {TRIES} times ({type(error).__name__}: {error})"
            else:
                yield item, result
                break
        else:
            yield item, given_up(item, why)
