"""Where a store of the tests can be opened."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from private_server import Server

from forcekit.history.store import Store, open_store


@dataclass(frozen=True)
class Place:
    """Where a store can be opened: address, folder of raw files, and the server if there is one."""

    address: str
    recordings: Path
    server: Server | None

    def open(self) -> Store:
        """Open it."""
        return open_store(self.address, recordings=self.recordings)
