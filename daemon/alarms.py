"""Alarms: what a person must know while nobody looks; kept in the log and tried until delivered.

A target is a command (it gets the event as JSON on its standard input) or an address with ``://`` for mail,
push or a webhook, which the optional library apprise delivers.
"""

from __future__ import annotations

import json
import logging
import shlex
import subprocess
import threading
import time
import uuid
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from ..analysis.errors import NotPossible
from ..analysis.files.text import read_text

log = logging.getLogger(__name__)

#: An alarm command may take this long, s.
PATIENCE = 30.0
#: The waits before an alarm is tried again, s of the machine's time; the last one again and again.
WAITS = (10.0, 30.0, 60.0, 300.0, 900.0, 3600.0)

#: What happened, and what to do, by kind.
ADVICE: dict[str, tuple[str, str]] = {
    "held": ("a run is held", "Look at the bench, put it right, then let the run go on (g on the screen)."),
    "person": ("the run wants somebody", "Go to the bench: the screen says what to do, or what is asked."),
    "finished": ("a run has finished", "Take the sample out and look at the figures (3 on the screen)."),
    "balance": ("the balance is not heard", "Look at its cable, its power and whether it still sends."),
    "lift": ("the lift is not usable", "Keep hands out; look at its cable, its power and its stop button."),
    "disk": ("the disk is nearly full", "Make room beside the store, then let the run go on."),
    "store": (
        "the store cannot be written",
        "Look at the disk and who may write there; nothing is lost yet.",
    ),
    "backup": ("the backup could not be made", "Make room, or see who may write beside the store."),
    "test": ("a test", "Nothing to do: alarms arrive here."),
}


def sentence(event: dict[str, Any]) -> tuple[str, str]:
    """Title and text of an alarm, for a person far from the bench."""
    happened, advice = ADVICE.get(event.get("kind", ""), (str(event.get("kind")), ""))
    run = f" (run {event['run']})" if event.get("run") is not None else ""
    text = str(event.get("text", "")).strip()
    said = text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) or not text else ".")
    return f"Weighloop: {happened}{run}", f"{said} {advice}".strip()


def read_targets(path: Path) -> list[str]:
    """The targets of a file, one a line; lines with ``#`` before them are remarks. No file, no targets."""
    if not path.exists():
        return []
    lines = read_text(path, "list of alarm targets").splitlines()
    return [line.strip() for line in lines if line.strip() and not line.lstrip().startswith("#")]


def shown(target: str) -> str:
    """A target without what is secret in it: the program's name, or the kind of address."""
    return f"{target.split('://')[0]}://..." if "://" in target else _words(target)[0]


def _words(target: str) -> list[str]:
    """A command's words; raises NotPossible where there are none."""
    try:
        words = shlex.split(target)
    except ValueError:
        raise NotPossible(f"the command {target!r} opens a quote and does not close it") from None
    if not words or not words[0]:
        raise NotPossible("an alarm's target is empty; give a command or an address such as mailto://...")
    return words


def check_target(target: str) -> None:
    """Raises NotPossible for an address that cannot be delivered to, with what would help."""
    if "://" not in target:
        _words(target)
        return
    try:
        import apprise
    except ImportError:
        raise NotPossible(
            f"{shown(target)} needs an optional library: pip install 'weighloop[alarm]'; a command needs none"
        ) from None
    if not apprise.Apprise().add(target):
        raise NotPossible(f"{shown(target)} is not an address alarms can go to; is it written whole?")


def send(target: str, event: dict[str, Any]) -> str | None:
    """Deliver to one target; None when it went through, else why not. Takes up to PATIENCE s."""
    if "://" in target:
        try:
            check_target(target)
            import apprise

            post = apprise.Apprise()
            post.add(target)
            title, body = sentence(event)
            return None if post.notify(title=title, body=body) else "the other side did not take it"
        except (
            Exception
        ) as error:  # the library's plug-ins raise what they like; an alarm must not end the daemon
            return str(error)
    title, body = sentence(event)
    try:
        subprocess.run(
            shlex.split(target),
            input=json.dumps(event | {"title": title, "body": body}).encode(),
            timeout=PATIENCE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=True,
        )
    except (OSError, ValueError, subprocess.SubprocessError) as error:
        return str(error)
    return None


class Alarms:
    """Delivers alarms in a thread of its own; never holds anything up.

    ``keep(kind, text, data)`` writes into the log: "alarm" when one is raised, "alarm-delivered" when every
    target has taken it.
    """

    def __init__(
        self,
        targets: Sequence[str],
        *,
        keep: Callable[[str, str, dict[str, Any]], None] = lambda kind, text, data: None,
        waits: Sequence[float] = WAITS,
        deliver: Callable[[str, dict[str, Any]], str | None] = send,
    ) -> None:
        self.targets = list(targets)
        self._keep, self._waits, self._deliver = keep, waits, deliver
        self._wake = threading.Condition()
        self._open: list[_Open] = []
        if self.targets:
            threading.Thread(target=self._work, name="alarms", daemon=True).start()

    def take_up(self, waiting: Iterable[dict[str, Any]]) -> None:
        """Deliver the alarms of an earlier session that did not reach everybody."""
        with self._wake:
            self._open += [_Open(event, list(self.targets)) for event in waiting if self.targets]
            self._wake.notify()

    def __call__(self, event: dict[str, Any]) -> None:
        log.warning("%s: %s", event.get("kind"), event.get("text"))
        if not self.targets:
            return
        event = event | {"id": uuid.uuid4().hex}
        self._keep("alarm", sentence(event)[0], event)
        with self._wake:
            self._open.append(_Open(event, list(self.targets)))
            self._wake.notify()

    def undelivered(self) -> int:
        """How many alarms some target has not taken yet."""
        with self._wake:
            return len(self._open)

    def _work(self) -> None:
        while True:
            with self._wake:
                due = min((one.due for one in self._open), default=None)
                now = time.monotonic()
                if due is None or due > now:
                    self._wake.wait(None if due is None else due - now)
                ready = [one for one in self._open if one.due <= time.monotonic()]
            for one in ready:
                self._try(one)

    def _try(self, one: _Open) -> None:
        left = []
        for target in one.targets:
            why = self._deliver(target, one.event)
            if why is not None:
                log.error("the alarm did not reach %s: %s", shown(target), why)
                left.append(target)
        one.targets = left
        if left:
            one.due = time.monotonic() + self._waits[min(one.tries, len(self._waits) - 1)]
            one.tries += 1
            return
        with self._wake:
            self._open.remove(one)
        self._keep("alarm-delivered", "", {"id": one.event.get("id")})


class _Open:
    """One alarm that some targets have not taken."""

    def __init__(self, event: dict[str, Any], targets: list[str]) -> None:
        self.event, self.targets, self.tries, self.due = event, targets, 0, 0.0
