"""What each method of the protocol does: a few lines each, over the controller and the store."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from ...analysis.errors import InputError, NotPossible
from ...drivers.device import DeviceError
from ..control.controller import RunController
from ..control.pending import Refused
from ..control.queue import RunRequest
from ..procedure import events
from ..procedure.run import RunRecord, Series, edit_of
from ..protocol import ERROR_BAD_INPUT, ERROR_NOT_POSSIBLE
from ..store.night import runs_of_series
from ..store.store import Store, StoreError
from .connection import Connection, Handler, RpcError
from .starting import REPEAT, entries_of, programme_of, request_of, series_of

if TYPE_CHECKING:
    from ..procedure.plan import RunPlan


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
            "run.open": self.open_run,
            "gap.go": self.go,
            "reading.take": self.reading,
            "zero.take": self.zero,
            "run.finish": self._word("finish", None),
            "run.hold": self._word("hold", "why"),
            "run.go_on": self._word("go-on", None),
            "run.stop": self._word("stop", "why"),
            "run.confirm": self._word("confirm", "choice"),
            "run.repeat": self._word("repeat", None),
            "run.set_aside": self.set_aside,
            "run.note": self.note,
            "balance.rezero": self.rezero,
            "runs.list": self.runs_list,
            "runs.together": self.together,
            "runs.get": self.runs_get,
            "runs.rename": self.rename,
            "runs.note": self.note_on,
            "runs.hide": self.hide,
            "readings.overview": self.overview,
            "shutdown": self.shutdown,
        }

    async def snapshot(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await self._in_controller(self.controller.snapshot)

    async def status(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await asyncio.to_thread(self._status)

    async def plan(self, connection: Connection, params: dict[str, Any]) -> Any:
        plan = await self._plan(params)
        known = None if plan.coil else plan.bench.calibration
        expired = None if known is None else known.expired(date.today())
        return {
            "steps": list(plan.steps),
            "seconds": plan.seconds,
            "largest_pull_kg": plan.largest_pull_kg,
            "expected_u_M_A_per_m": [u if math.isfinite(u) else None for u in plan.expected_u_M],
            "warnings": [*plan.warnings, *([] if expired is None else [expired])],
            "attendance": [list(needed) for needed in plan.attendance],
        }

    async def start(self, connection: Connection, params: dict[str, Any]) -> int:
        reason = self._may_start()
        if reason is not None:
            raise RpcError(ERROR_NOT_POSSIBLE, reason)
        entries = entries_of(params)
        series = series_of(params)
        requests: list[RunRequest] = []
        for entry in entries:
            new = request_of(entry, await self._plan(entry), self.version)
            requests += [new] * entry.get("loops", 1)
        together = len(requests) > 1 or series != Series(0)
        waits = params.get("queue", False) or requests[0].later is not None

        def add() -> int:
            if not waits:
                self._refuse_if_busy("stop it first, or start with queue = true")
            first = self.controller.queue.upcoming
            named = replace(series, number=first) if together else None
            numbers = [self.controller.add_run(replace(new, series=named)) for new in requests]
            return numbers[0]

        return await self._once_committed(add)

    async def open_run(self, connection: Connection, params: dict[str, Any]) -> int:
        from ..procedure.single_steps import plan_of_none

        if (reason := self._may_start()) is not None:
            raise RpcError(ERROR_NOT_POSSIBLE, reason)
        text, name, target = params.get("bench_text"), params.get("name"), params.get("target_u_kg")
        if text is None:
            raise RpcError(-32602, "bench_text (the text of a bench file) is needed")
        plan = await self._made(plan_of_none, text, _target(params))

        def add() -> int:
            self._refuse_if_busy()
            return self.controller.add_run(RunRequest(plan, text, self.version, target, name))

        return await self._once_committed(add)

    async def go(self, connection: Connection, params: dict[str, Any]) -> int:
        from ..procedure.single_steps import step_at

        run = self.controller.run
        orientation = params.get("orientation")
        if params.get("gap_m") is None:
            raise RpcError(-32602, "gap_m is needed: the gap to go to, m")
        if orientation not in (None, 1, -1):
            raise RpcError(ERROR_BAD_INPUT, f"orientation is {orientation!r}; expected 1 or -1")
        if run is None:
            raise RpcError(ERROR_NOT_POSSIBLE, "there is no run; begin one with run.open")
        turned = run.steps[-1]["orientation"] if run.steps else 1
        step = await self._made(step_at, run.bench_text, params.get("gap_m"), orientation or turned)
        return await self._step(events.Asked("gap", step=step, turn_back=params.get("turn_back", False)))

    async def reading(self, connection: Connection, params: dict[str, Any]) -> int:
        return await self._step(events.Asked("reading"))

    async def zero(self, connection: Connection, params: dict[str, Any]) -> int:
        return await self._step(events.Asked("zero", turn_back=params.get("turn_back", False)))

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

    async def together(self, connection: Connection, params: dict[str, Any]) -> Any:
        return await self._from_store(lambda store: runs_of_series(store, _whole(params, "run")))

    async def rename(self, connection: Connection, params: dict[str, Any]) -> bool:
        return await self._edit(_whole(params, "run"), "rename", params.get("name", ""))

    async def note_on(self, connection: Connection, params: dict[str, Any]) -> bool:
        return await self._edit(_whole(params, "run"), "note", params.get("text", ""))

    async def hide(self, connection: Connection, params: dict[str, Any]) -> bool:
        return await self._edit(_whole(params, "run"), "hide", params.get("hidden", True))

    async def _edit(self, number: int, what: str, value: str | bool) -> bool:
        """A person's change to any run of the store; it is an event like the others."""
        record = await self._from_store(lambda store: store.record(number))
        try:
            event = edit_of(record, what, value)
        except ValueError as error:
            raise RpcError(ERROR_BAD_INPUT, str(error)) from None
        await self._once_committed(lambda: self.controller.edit(*event, run=number))
        return True

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

    def _refuse_if_busy(self, instead: str = "stop it first") -> None:
        run = self.controller.run
        if run is not None and run.state in ("running", "held"):
            raise Refused(f"run {run.id} is {run.state}; {instead}")

    async def _step(self, asked: events.Asked) -> int:
        """A script's word, once it is committed; the number of its step."""
        await self._future(self.controller.ask(asked))
        return await self._in_controller(lambda: cast(RunRecord, self.controller.run).steps[-1]["step"])

    async def _plan(self, params: dict[str, Any]) -> RunPlan:
        from ..procedure.plan import coil_plan, make_plan

        text, points, until = params.get("bench_text"), params.get("points"), params.get("until")
        coil = params.get("coil", False)
        aside = params.get("coil_aside_m") if coil else None
        if text is None or (points is None and aside is None and (coil or until is None)):
            raise RpcError(-32602, "bench_text (the text of a bench file) and points are needed")
        if until is not None and (coil or points is not None):
            raise RpcError(ERROR_BAD_INPUT, "until takes the place of points: leave points and coil out")
        if params.get("programme") not in (None, "loop", REPEAT) and (coil or until is not None):
            raise RpcError(ERROR_BAD_INPUT, "another programme than the loop has neither until nor coil")
        if points is not None and not (1 if coil else 2) <= points <= 200:
            raise RpcError(ERROR_BAD_INPUT, f"points is {points!r}; expected {1 if coil else 2} to 200 gaps")
        zeros = params.get("zeros")
        if zeros not in (None, "hand", "far"):
            raise RpcError(ERROR_BAD_INPUT, f"zeros is {zeros!r}; expected hand or far")
        if coil:
            ends = params.get("coil_ends", 1 if points == 1 else 2)
            if ends not in (1, 2):
                raise RpcError(ERROR_BAD_INPUT, f"coil_ends is {ends!r}; expected 1 or 2")
            if aside is not None and (aside <= 0 or points not in (None, 1)):
                raise RpcError(ERROR_BAD_INPUT, "coil_aside_m is a length above zero, and points is left out")
            return await self._made(coil_plan, text, points or 1, params.get("coil_current_A"), ends, aside)

        def made() -> RunPlan:
            programme = programme_of(params)
            return make_plan(text, points, _target(params), zeros=zeros, until=until, programme=programme)

        return await self._made(made)

    async def _made(self, make: Callable[..., Any], *words: Any) -> Any:
        """What ``make`` makes of a bench file, in a thread of its own."""
        try:
            return await asyncio.to_thread(make, *words)
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


def _target(params: dict[str, Any]) -> float | None:
    target = params.get("target_u_kg")
    if target is not None and not 0 < target < 1:
        raise RpcError(
            ERROR_BAD_INPUT, f"target_u_kg is {target!r}; expected a mass in kg above zero, or null"
        )
    return target


def _whole(params: dict[str, Any], key: str) -> int:
    if key not in params:
        raise RpcError(-32602, f"{key} is needed: a whole number")
    return params[key]
