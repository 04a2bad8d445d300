"""Where things live, by the custom of each system."""

from __future__ import annotations

import os
import sys
import warnings
from pathlib import Path

from platformdirs import PlatformDirs

_DIRS = PlatformDirs("weighloop", appauthor=False)


def store_file() -> Path:
    """The user's store; ``WEIGHLOOP_STORE`` names another."""
    named = os.environ.get("WEIGHLOOP_STORE")
    return Path(named) if named else Path(_DIRS.user_data_dir) / "store.sqlite"


def socket_path() -> Path:
    """Where clients find the daemon; ``WEIGHLOOP_SOCKET`` names another place.

    Where there are no Unix sockets this is a small file with the port and the token.
    """
    named = os.environ.get("WEIGHLOOP_SOCKET")
    if named:
        return Path(named)
    with warnings.catch_warnings():
        # No folder for sockets from the system (a bare console, a container): the one made instead is the
        # user's alone as well, and that is no news for who starts a daemon or looks for one.
        warnings.simplefilter("ignore")
        return Path(_DIRS.user_runtime_dir) / "daemon.sock"


def has_unix_sockets() -> bool:
    """Whether this system's Python serves Unix sockets."""
    return sys.platform != "win32"


def alarm_file() -> Path:
    """The targets of the user's alarms, one a line."""
    return Path(_DIRS.user_config_dir) / "alarms.conf"


def lock_folder() -> Path:
    """Where the user's daemons name the files they own."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as above
        return Path(_DIRS.user_runtime_dir)


def rescue_file(store: Path, when: str) -> Path:
    """Where a store goes on whose own file was taken away; ``when`` is the moment, ISO 8601."""
    stamp = "".join(c for c in when if c.isdigit())[:14]
    return store.with_name(f"{store.stem}.rescue-{stamp}{store.suffix}")


def backup_file(store: Path) -> Path:
    """The copy made when a run has ended."""
    return store.with_name(store.stem + ".backup" + store.suffix)
