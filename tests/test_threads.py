"""The command line computes with one thread, unless somebody said otherwise."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

COMMAND = """
import os
from forcekit.cli import main
try:
    main()
finally:
    print("threads", os.environ.get("OPENBLAS_NUM_THREADS"))
"""


@pytest.mark.parametrize(("said", "found"), [(None, "1"), ("4", "4")])
def test_one_thread_unless_told_otherwise(said: str | None, found: str) -> None:
    """A command sets the variable that numpy's arithmetic reads when it is loaded; one that is set stays."""
    clean = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    told = {} if said is None else {"OPENBLAS_NUM_THREADS": said}
    done = subprocess.run(
        [sys.executable, "-c", COMMAND, "--version"], capture_output=True, text=True, env=clean | told, check=True
    )
    assert f"threads {found}" in done.stdout
