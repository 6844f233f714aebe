"""An executor of processes, each with a pipe of its own: one that is killed, at whatever moment, is seen and replaced.

The pool of the standard library has one pipe for the results of all. A worker that is killed while it writes leaves
half a result and a lock behind, and the program waits for ever. Here the other end of a pipe is the worker's alone, so
that its end is the end of the pipe.
"""

from __future__ import annotations

import multiprocessing
import pickle
import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from multiprocessing.connection import Connection
from queue import SimpleQueue
from typing import Any

__all__ = ["Processes", "WorkerEnded"]

Call = tuple[Callable[..., Any], tuple[Any, ...], dict[str, Any]]
Task = tuple[Future[Any], Call]

ENDS_WITHIN_S = 5.0
"""A worker that was told to end and has not by then is killed (our choice)."""


class WorkerEnded(RuntimeError):
    """The process that worked on a call is gone."""


class Processes(Executor):
    """Processes that work on calls; each is started with its first call, and anew after it ended.

    Parameters
    ----------
    n : int
        How many.
    begins : callable
        What each does first.
    """

    def __init__(self, n: int, begins: Callable[[], None]) -> None:
        self._tasks: SimpleQueue[Task | None] = SimpleQueue()
        self._threads = [threading.Thread(target=_drive, args=(self._tasks, begins), daemon=True) for _ in range(n)]
        for thread in self._threads:
            thread.start()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand over a call; `WorkerEnded` is its exception if the process that worked on it ended."""
        future: Future[Any] = Future()
        self._tasks.put((future, (fn, args, kwargs)))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let each worker end after what it works on; calls before this one are still done unless cancelled."""
        while cancel_futures and not self._tasks.empty():
            task = self._tasks.get()
            if task is not None:
                task[0].cancel()
        for _ in self._threads:
            self._tasks.put(None)
        for thread in self._threads if wait else ():
            thread.join()


class _Worker:
    """One process and this end of its pipe."""

    def __init__(self, begins: Callable[[], None]) -> None:
        # Started anew, not forked: a fork of a program with threads can stand still for good.
        context = multiprocessing.get_context("spawn")
        self._pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, begins))
        self._process.start()
        theirs.close()

    def ask(self, call: Call) -> tuple[bool, Any]:
        """Whether a call was good, and its result or its exception; EOFError or OSError where the worker is gone."""
        self._pipe.send(call)
        answer: tuple[bool, Any] = self._pipe.recv()
        return answer

    def end(self) -> int | None:
        """End it if it still lives, and give its exit code."""
        self._pipe.close()
        self._process.join(ENDS_WITHIN_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        return self._process.exitcode


def _drive(tasks: SimpleQueue[Task | None], begins: Callable[[], None]) -> None:
    """Keep one worker busy."""
    worker: _Worker | None = None
    while (task := tasks.get()) is not None:
        future, call = task
        if not future.set_running_or_notify_cancel():
            continue
        try:
            worker = worker or _Worker(begins)
            good, value = worker.ask(call)
        except (EOFError, OSError):
            code = None if worker is None else worker.end()
            worker = None
            future.set_exception(WorkerEnded(f"its process ended with code {code}"))
        except Exception as error:  # what cannot be sent
            future.set_exception(error)
        else:
            future.set_result(value) if good else future.set_exception(value)
    if worker is not None:
        worker.end()


def _serve(pipe: Connection, begins: Callable[[], None]) -> None:
    """Work on what comes until the pipe ends."""
    begins()
    while True:
        try:
            fn, args, kwargs = pipe.recv()
        except EOFError:
            return
        try:
            answer = True, fn(*args, **kwargs)
        except Exception as error:
            answer = False, error
        try:
            pipe.send(answer)
        except (pickle.PicklingError, TypeError, AttributeError, ValueError) as error:  # what cannot be pickled
            pipe.send((False, RuntimeError(f"the result cannot be sent: {error}")))
