"""What each method of the protocol does: a few lines each, over the conductor and the store."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from concurrent.futures import Future
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...analysis.errors import InputError, NotPossible
from ...drivers.device import DeviceError
from ..control.controller import RunController
from ..control.pending import Refused
from ..control.queue import RunRequest
from ..procedure import events
from ..protocol import ERROR_BAD_INPUT, ERROR_NOT_POSSIBLE
from ..store.store import Store, StoreError
from .connection import Connection, Handler, RpcError

if TYPE_CHECKING:
    from ..procedure.plan import RunPlan

#: Loops one start may ask for: a month of hourly ones.
MOST_LOOPS = 1000


class Methods:
    """The handlers, by method name. ``status`` and ``stop`` are the service's own."""

    def __init__(
        self,
        controller: RunController,
        store: Path,
        version: str,
        status: Callable[[], dict[str, Any]],
        stop: Callable[[], None],
        may_start: Callable[[], str | None],
    ) -> None:
        self.controller, self.store, self.version = controller, store, version
        self._status, self._stop, self._may_start = status, stop, may_start

    def handlers(self) -> dict[str, Handler]:
        """Every method that the server does not answer itself."""
        return {
            "snapshot": self.snapshot,
            "status": self.status,
            "run.plan": self.plan,
            "run.start": self.start,
            "run.hold": self._word("hold", "why"),
            "run.go_on": self._word("go-on", None),
            "run.stop": self._word("stop", "why"),
            "run.confirm": self._word("confirm", "choice"),
            "run.repeat": self._word("repeat", None),
            "run.set_aside": self.set_aside,
            "run.note": self.note,
            "balance.rezero": self.rezero,
            "runs.list": self.runs_list,
            "runs.get": self.runs_get,
            "readings.overview": self.overview,
            "shutdown": self.shutdown,
        }

    async def snapshot(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await self._in_controller(self.controller.snapshot)

    async def status(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await asyncio.to_thread(self._status)

    async def plan(self, connection: Connection, params: dict[str, Any]) -> Any:
        plan = await self._plan(params)
        return {
            "steps": list(plan.steps),
            "seconds": plan.seconds,
            "largest_pull_kg": plan.largest_pull_kg,
            "expected_u_M_A_per_m": [u if math.isfinite(u) else None for u in plan.expected_u_M],
            "warnings": list(plan.warnings),
        }

    async def start(self, connection: Connection, params: dict[str, Any]) -> int:
        reason = self._may_start()
        if reason is not None:
            raise RpcError(ERROR_NOT_POSSIBLE, reason)
        loops = params.get("loops", 1)
        if not 1 <= loops <= MOST_LOOPS:
            raise RpcError(ERROR_BAD_INPUT, f"loops is {loops!r}; expected 1 to {MOST_LOOPS}")
        later = _moment(params.get("not_before_utc"))
        plan = await self._plan(params)
        new = RunRequest(
            plan,
            params["bench_text"],
            self.version,
            params.get("target_u_kg"),
            params.get("name"),
            later,
            params.get("hands_free", False),
            params.get("spacers_on_pan", True),
        )
        queued = params.get("queue", False)

        def add() -> int:
            controller = self.controller
            busy = controller.run is not None and controller.run.state in ("running", "held")
            if busy and not queued and later is None:
                assert controller.run is not None
                state = f"run {controller.run.id} is {controller.run.state}"
                raise Refused(f"{state}; stop it first, or start with queue = true")
            numbers = [controller.add_run(new) for _ in range(loops)]
            return numbers[0]

        return await self._once_committed(add)

    async def set_aside(self, connection: Connection, params: dict[str, Any]) -> bool:
        number, why = params.get("point"), params.get("why")

        def edit() -> None:
            run = self.controller.run
            if run is None or not any(point["id"] == number for point in run.points):
                raise Refused(f"the present run has no reading {number!r}")
            text = f"Reading {number} set aside: {why}" if why else f"Reading {number} is used again"
            self.controller.edit("set-aside", text, {"point": number, "why": why or None})

        await self._once_committed(edit)
        return True

    async def note(self, connection: Connection, params: dict[str, Any]) -> bool:
        text = params.get("text", "").strip()
        if not text:
            raise RpcError(ERROR_BAD_INPUT, "a note has a text")
        await self._once_committed(lambda: self.controller.edit("note", text, {}))
        return True

    async def rezero(self, connection: Connection, params: dict[str, Any]) -> bool:
        run, balance = self.controller.run, self.controller.devices.balance
        if run is not None and run.state == "running":
            raise RpcError(ERROR_NOT_POSSIBLE, "a run reads its own zeros; hold or stop it first")
        if balance is None:
            raise RpcError(ERROR_NOT_POSSIBLE, "no balance is open yet; start with a bench file")
        try:
            return await asyncio.to_thread(balance.rezero)
        except DeviceError as error:
            raise RpcError(ERROR_NOT_POSSIBLE, str(error)) from None

    async def runs_list(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await self._from_store(lambda store: store.runs())

    async def runs_get(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await self._from_store(lambda store: store.run(_whole(params, "run")))

    async def overview(self, connection: Connection, params: dict[str, Any]) -> Any:
        run = params.get("run")
        slots = min(max(_whole(params, "slots"), 1), 10_000)
        return await self._from_store(lambda store: store.overview(run, slots))

    async def shutdown(self, connection: Connection, params: dict[str, Any]) -> bool:
        asyncio.get_running_loop().call_later(0.05, self._stop)
        return True

    # -- the ways inside -----------------------------------------------------------------------

    def _word(self, what: Any, key: str | None) -> Handler:
        async def handler(connection: Connection, params: dict[str, Any]) -> bool:
            text = params.get(key) if key else None
            code = params.get("code")
            return await self._future(self.controller.ask(events.Asked(what, text, code)))

        return handler

    async def _plan(self, params: dict[str, Any]) -> RunPlan:
        from ..procedure.plan import make_plan

        text, points = params.get("bench_text"), params.get("points")
        if text is None or points is None:
            raise RpcError(-32602, "bench_text (the text of a bench file) and points are needed")
        if not 2 <= points <= 200:
            raise RpcError(ERROR_BAD_INPUT, f"points is {points!r}; expected 2 to 200 gaps")
        target = params.get("target_u_kg")
        if target is not None and not 0 < target < 1:
            raise RpcError(
                ERROR_BAD_INPUT, f"target_u_kg is {target!r}; expected a mass in kg above zero, or null"
            )
        try:
            return await asyncio.to_thread(make_plan, text, points, target)
        except InputError as error:
            raise RpcError(ERROR_BAD_INPUT, str(error)) from None
        except NotPossible as error:
            raise RpcError(ERROR_NOT_POSSIBLE, str(error)) from None

    async def _in_controller(self, what: Callable[[], Any]) -> Any:
        return await self._future(self.controller.call(what))

    async def _once_committed(self, what: Callable[[], Any]) -> Any:
        """Do it in the controller's thread; answered once all that it wrote down is committed."""

        def act() -> tuple[Any, Future[Any]]:
            return what(), self.controller.committed()

        result, committed = await self._in_controller(act)
        await self._future(committed)
        return result

    async def _future(self, future: Future[Any]) -> Any:
        try:
            return await asyncio.wait_for(asyncio.wrap_future(future), 30.0)
        except (Refused, NotPossible, DeviceError) as error:
            raise RpcError(ERROR_NOT_POSSIBLE, str(error)) from None
        except InputError as error:
            raise RpcError(ERROR_BAD_INPUT, str(error)) from None
        except TimeoutError:
            raise RpcError(ERROR_NOT_POSSIBLE, "the daemon is too busy to answer; ask its status") from None

    async def _from_store(self, what: Callable[[Store], Any]) -> Any:
        def read() -> Any:
            with Store(self.store, read_only=True) as store:
                return what(store)

        try:
            return await asyncio.to_thread(read)
        except StoreError as error:
            raise RpcError(ERROR_NOT_POSSIBLE, str(error)) from None


def _whole(params: dict[str, Any], key: str) -> int:
    if key not in params:
        raise RpcError(-32602, f"{key} is needed: a whole number")
    return params[key]


def _moment(text: str | None) -> str | None:
    """A wall-clock moment, ISO 8601 with its zone, as UTC."""
    if text is None:
        return None
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise ValueError
        moment = moment.astimezone(UTC)
    except (ValueError, OverflowError):  # of a year that has no neighbour in UTC
        raise RpcError(
            ERROR_BAD_INPUT, f"not_before_utc is {text!r}; expected such as 2026-01-31T22:00:00Z"
        ) from None
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
