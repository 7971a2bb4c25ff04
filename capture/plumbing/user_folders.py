"""Where a user's own settings and data lie. A service's user may have no home at all: then they would lie below the
root, where whoever looks finds nothing and whoever writes is told to name another folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from platformdirs import user_config_path, user_data_path

_NAME = "strokelog"


def settings_folder() -> Path:
    """Return `$XDG_CONFIG_HOME/strokelog`, or where it is without that variable."""
    return _of_user(user_config_path, ".config")


def data_folder() -> Path:
    """Return `$XDG_DATA_HOME/strokelog`, or where it is without that variable."""
    return _of_user(user_data_path, ".local/share")


def _of_user(place: Callable[[str], Path], below_home: str) -> Path:
    try:
        return place(_NAME)
    except RuntimeError:  # no variable names a home, and the list of users knows none
        return Path("/") / below_home / _NAME
