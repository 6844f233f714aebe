"""Shared by all tests: `tests/helpers.py` can be imported, and random tests draw the same examples every time."""

from __future__ import annotations

import pytest
from hypothesis import settings

from forcekit.threads import one_thread_each

one_thread_each()  # as the command line does, before anything loads numpy

settings.register_profile("forcekit", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("forcekit")


FIRST = ("test_style.py", "test_notebooks.py", "test_page.py")
"""Files whose single tests are long: begun first, none of them is left for one worker when the other has done all."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest tests first; the rest stays in its order."""
    items.sort(key=lambda item: FIRST.index(item.path.name) if item.path.name in FIRST else len(FIRST))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> object:
    """Skip a test on open data where the folder of open data is absent."""
    from helpers import FolderMissing

    try:
        return (yield)
    except FolderMissing as e:
        pytest.skip(str(e))
