"""A program that records from a serial port until it is killed; run as a process of its own by the tests."""

from __future__ import annotations

import sys
import time

from forcekit.acquire.capture import Capture, Planned

if __name__ == "__main__":
    capture = Capture(sys.argv[1], [Planned(sys.argv[2])])
    capture.start()
    while True:
        time.sleep(1.0)
