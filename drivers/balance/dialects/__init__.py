"""Balance dialects, one TOML file each, and how one is found by name."""

from __future__ import annotations

from pathlib import Path

from ....analysis.errors import nearest
from ..dialect import Dialect, DialectError


def user_folder() -> Path:
    """Where a user's own dialects are looked for."""
    from platformdirs import user_config_path

    return user_config_path("weighloop") / "dialects"


def _shipped() -> dict[str, Path]:
    folder = Path(__file__).parent
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def _users() -> dict[str, Path]:
    return {path.stem: path for path in sorted(user_folder().glob("[!.]*.toml"))}


def names() -> list[str]:
    """Names of all dialects at hand: the shipped ones and the user's."""
    return sorted(_shipped() | _users())


def load_dialect(name_or_path: str | Path) -> Dialect:
    """Read one dialect, by name (a user's own file goes before a shipped one) or by path.

    Raises DialectError naming every fault of the file, or the names there are.
    """
    from ..dialect_loader import read_dialect  # its checks need a slow library

    given = str(name_or_path)
    if given.endswith(".toml"):
        return read_dialect(Path(given), shipped=_shipped())
    known = _shipped() | _users()
    if given not in known:
        raise DialectError(given, [f"there is no dialect of this name; {nearest(given, sorted(known))}"])
    return read_dialect(known[given], shipped=_shipped())
