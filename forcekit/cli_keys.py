"""Single keystrokes from a terminal, while everything else goes on; the terminal is left as it was found."""

from __future__ import annotations

import codecs
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["Typed", "keystrokes"]

Typed = Callable[[float], str]
"""Waits up to so many seconds and gives the characters typed until then."""

_ARROWS = re.compile(r"\x1b[\[O][0-9;]*[A-Za-z~]")


@contextmanager
def keystrokes() -> Iterator[tuple[Typed, bool]]:
    """Characters as they are typed, without Enter and without echo, and whether there is a keyboard at all.

    Notes
    -----
    Without a terminal on standard input, or on a system without termios, the reader only waits. Ctrl-C stays a
    signal.
    """
    try:
        import termios
        import tty
    except ImportError:
        yield _wait, False
        return
    if not sys.stdin or not sys.stdin.isatty():
        yield _wait, False
        return
    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    try:
        tty.setcbreak(fd)
        yield _reader(fd), True
    finally:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)


def _wait(seconds: float) -> str:
    time.sleep(seconds)
    return ""


def _reader(fd: int) -> Typed:
    import select

    decoder = codecs.getincrementaldecoder("utf-8")("replace")
    hung_up = False

    def typed(seconds: float) -> str:
        nonlocal hung_up
        if hung_up:
            return _wait(seconds)
        try:
            if not select.select([fd], [], [], seconds)[0]:
                return ""
            data = os.read(fd, 1024)
        except OSError:
            data = b""
        hung_up = not data  # the terminal is gone; the recording goes on until it is told to stop
        return _ARROWS.sub("", decoder.decode(data))

    return typed
