"""A run's report or data package, written from any view that has a run to show."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from textual import work

from ...daemon.protocol import Run
from ..state import compute_process
from ..state.compute import NotYet
from .dialogs import AskText
from .view import View


class TakesAway(View):
    """A view with a run whose report or data package can be written."""

    async def run_to_take(self) -> Run | None:
        """The run that the view shows, whole; None where there is none."""
        raise NotImplementedError

    @work
    async def action_report(self) -> None:
        """Write the run's report."""
        await self._write_away("report")

    @work
    async def action_package(self) -> None:
        """Write the run as a data package."""
        await self._write_away("package")

    async def _write_away(self, what: str) -> None:
        run = await self.run_to_take()
        if run is not None:
            await _write_away(self, run, what)


def _free(name: str) -> str:
    """A path in the present folder under which nothing lies yet."""
    path, count = Path.cwd() / name, 1
    while path.exists():
        count += 1
        path = Path.cwd() / f"{Path(name).stem}-{count}{Path(name).suffix}"
    return str(path)


async def _write_away(view: View, run: Run, what: str) -> None:
    """Ask for a place, and write the run's ``what`` there: ``report`` or ``package``."""
    coil = run.get("coil", False)
    title = f"calibration-{run['id']}" if coil else f"{run['sample']}-run-{run['id']}"
    name = re.sub(r"[^\w.-]+", "_", title).strip("._")
    report = what == "report"
    question = "Report, .html or .pdf:" if report else "Data package, a new folder:"
    path = await view.app.push_screen_wait(AskText(question, _free(name + ".html" * report)))
    if path is None:
        return
    view.notify(f"Writing {path} ...", timeout=3, markup=False)
    place = str(Path(path).expanduser())
    try:
        if report and coil:
            done = " and ".join(await asyncio.to_thread(compute_process.write_coil_report, run, place))
        elif report:
            done = await asyncio.to_thread(compute_process.write_run_report, run, place)
        else:
            done = await asyncio.to_thread(compute_process.write_run_package, run, place)
    except NotYet as why:
        view.notify(str(why), severity="warning", timeout=10, markup=False)
        return
    view.notify(f"Written: {done}", timeout=10, markup=False)
