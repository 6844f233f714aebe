"""Shared by all tests: `tests/helpers.py` can be imported, and random tests draw the same examples every time."""

from __future__ import annotations

import pytest
from helpers import FolderMissing
from hypothesis import settings

settings.register_profile("forcekit", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("forcekit")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> object:
    """Skip a test on open data where the folder of open data is absent."""
    try:
        return (yield)
    except FolderMissing as e:
        pytest.skip(str(e))
