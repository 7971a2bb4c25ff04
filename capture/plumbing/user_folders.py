"""Where a user's own settings and data lie, and what the user is called. A service's user may have no home at all: then
they would lie below the root, where whoever looks finds nothing and whoever writes is told to name another folder."""

from __future__ import annotations

import os
import pwd
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


def user_name() -> str:
    """Return the name of the user whose process this is; the number where the computer has no name for it."""
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())
