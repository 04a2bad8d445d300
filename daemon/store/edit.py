"""A person's change to a run of a store that no daemon owns."""

from __future__ import annotations

from pathlib import Path

from ...analysis.errors import NotPossible
from ..clock import boot_id, utc_now
from ..paths import lock_folder, store_file
from ..procedure.run import edit_of
from .locks import StoreLock
from .store import Store


def edit_run(store: Path | None, number: int, what: str, value: str | bool, version: str) -> str:
    """Write one event on run ``number`` (``rename``, ``note`` or ``hide``); gives its words.

    Raises AlreadyRunning where a daemon owns the store, StoreError where there is no such run, ValueError
    where the change says nothing.
    """
    path = store if store is not None else store_file()
    if not path.exists():
        raise NotPossible(f"there is no store at {path}; a daemon makes one at its first start")
    lock = StoreLock(path, lock_folder())
    lock.take()
    try:
        with Store(path) as opened:
            kind, text, data = edit_of(opened.record(number), what, value)
            time_s, _ = opened.last_time() or (0.0, "")
            opened.begin_session(boot_id(), version, utc_now(), time_s)
            opened.append([(number, time_s, utc_now(), kind, text, data, None)])
            lock.say(mark=list(opened.mark()))
    finally:
        lock.release()
    return text
