"""Where the store is; light, so that a command can look whether there is one without loading a database library."""

from __future__ import annotations

import os
from pathlib import Path

from forcekit.errors import InputError

__all__ = ["ENVIRONMENT", "RECORDINGS", "store_place", "there_is_a_store", "user_folder"]

FILE_NAME = "history.sqlite"
RECORDINGS = "recordings"
ENVIRONMENT = "FORCEKIT_DATA"


def user_folder() -> Path:
    """Folder for a person's data, as the operating system wants it."""
    import platformdirs

    return Path(platformdirs.user_data_dir("forcekit", appauthor=False))


def store_place(where: str | Path | None = None) -> str | Path:
    """URL of a server, or the path of the store's file.

    Parameters
    ----------
    where : str or Path, optional
        A folder, a file ending in ``.sqlite``, or a URL. Left out: the environment variable FORCEKIT_DATA, else the
        user's data folder.
    """
    asked = where if where is not None else os.environ.get(ENVIRONMENT) or user_folder()
    if "://" in str(asked):
        return str(asked)
    try:
        path = Path(asked).expanduser()
    except RuntimeError:
        raise InputError(f"store: {asked} names the home folder of nobody known here. Write the whole path.") from None
    return path if path.suffix == ".sqlite" else path / FILE_NAME


def there_is_a_store(where: str | Path | None = None) -> bool:
    """Whether something may be stored there already; a server is taken to be there."""
    place = store_place(where)
    return isinstance(place, str) or place.is_file()
