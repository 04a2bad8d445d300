"""What ``run.start`` asks for: one run, several alike, or a list of runs with an end to it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from ..control.queue import RunRequest
from ..procedure.run import Series
from ..protocol import COIL, ERROR_BAD_INPUT, REPEATED
from .connection import RpcError
from .parameters import WrongParameter, checked

if TYPE_CHECKING:
    from ...analysis.programmes.programme import Programme
    from ..procedure.plan import RunPlan

#: Loops one start may ask for: a month of hourly ones.
MOST_LOOPS = 1000
REPEAT = "repeat"  # the loop again and again
#: What an entry of the list may say for itself; it has the rest from the call.
OWN = (
    "bench_text", "points", "until", "target_u_kg", "name", "loops", "not_before_utc", "zeros", "programme",
    *COIL,
)  # fmt: skip


def entries_of(params: dict[str, Any]) -> list[dict[str, Any]]:
    """The parameters of each run that is asked for, those alike in one. Raises RpcError naming the entry."""
    listed = params.get("runs")
    entries = (
        [params] if listed is None else [params | _own(number, one) for number, one in enumerate(listed, 1)]
    )
    if not entries:
        raise RpcError(ERROR_BAD_INPUT, "runs is empty; expected a list of one run or more")
    for number, entry in enumerate(entries):
        if entry.get("programme") == REPEAT:
            entries[number] = {"loops": REPEATED} | entry | {"programme": None}
    loops = [params.get("loops", 1) for params in entries]
    if min(loops) < 1 or sum(loops) > MOST_LOOPS:
        raise RpcError(
            ERROR_BAD_INPUT,
            f"loops is {loops[0] if listed is None else loops!r}; expected 1 to {MOST_LOOPS} in all",
        )
    return entries


def _own(number: int, one: dict[str, Any]) -> dict[str, Any]:
    unknown = [key for key in one if key not in OWN]
    if unknown:
        raise RpcError(
            ERROR_BAD_INPUT, f"runs, entry {number}: {unknown[0]!r} is unknown; expected {', '.join(OWN)}"
        )
    try:
        found = checked("run.start", one)
    except WrongParameter as error:
        raise RpcError(ERROR_BAD_INPUT, f"runs, entry {number}: {error}") from None
    for own, other in (("points", "until"), ("until", "points")):
        if own in found:  # it takes the place of what the call says for all
            return {**found, other: None}
    return found


def programme_of(params: dict[str, Any]) -> Programme | None:
    """The programme that is asked for, None for the loop. Raises InputError; the libraries for it are first
    loaded here."""
    name, own = params.get("programme"), params.get("programmes")
    if name in (None, "loop", REPEAT):
        return None
    from ...analysis.programmes.programme import parse_programmes, programme

    return programme(name, parse_programmes(own, "programmes") if own is not None else None)


def request_of(params: dict[str, Any], plan: RunPlan, version: str) -> RunRequest:
    """One run as it was asked for. Raises RpcError."""
    return RunRequest(
        plan,
        params["bench_text"],
        version,
        params.get("target_u_kg"),
        params.get("name"),
        _moment(params.get("not_before_utc"), "not_before_utc"),
        params.get("hands_free", False),
        params.get("spacers_on_pan", True),
        params.get("unattended", False),
    )


def series_of(params: dict[str, Any]) -> Series:
    """The end of a list of runs; its number is not known yet. Raises RpcError."""
    held, drift = params.get("most_held"), params.get("most_drift_kg")
    if held is not None and held < 1:
        raise RpcError(ERROR_BAD_INPUT, f"most_held is {held!r}; expected a whole number from 1, or null")
    if drift is not None and drift <= 0:
        raise RpcError(ERROR_BAD_INPUT, f"most_drift_kg is {drift!r}; expected a mass above zero, or null")
    return Series(0, _moment(params.get("deadline_utc"), "deadline_utc"), held, drift)


def _moment(text: str | None, key: str) -> str | None:
    """A wall-clock moment, ISO 8601 with its zone, as UTC."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError
        moment = moment.astimezone(UTC)
    except (ValueError, OverflowError):  # of a year that has no neighbour in UTC
        raise RpcError(ERROR_BAD_INPUT, f"{key} is {text!r}; expected such as 2026-01-31T22:00:00Z") from None
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
