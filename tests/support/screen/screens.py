"""Every screen of the program on a script: how to get there, and what stands there then."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import ExitStack, asynccontextmanager
from typing import Any
from unittest.mock import patch

from textual.widgets import Select, Tabs
from textual.widgets._tabs import Underline

import tests.support.screen.scripted_daemon as S
from tests.support.screen.screen_driver import Stage, stage
from tests.support.screen.scripted_programmes import plan_of, programme_result, programme_run
from tests.support.screen.scripted_repeats import followed
from tests.support.screen.scripted_results import costs, finished, magnetised, result
from weighloop.tui.screens import bench, new_run
from weighloop.tui.screens import compare as compare_screen
from weighloop.tui.screens import figures as figures_view
from weighloop.tui.screens import run as run_view
from weighloop.tui.screens import runs as runs_view
from weighloop.tui.screens import steadiness as steadiness_view
from weighloop.tui.state import compute

LOOK = compute.SteadyLook(
    "steady: noise 0.9 mg; drift +0.2 ± 0.1 mg a minute; most of it is draught; "
    "averaging helps up to 12 s and leaves 0.15 mg",
    ("a draught shield around the bench; windows, fans and vents closed",),
    ([0.01, 0.1, 0.27, 1.0, 5.0], [9.0, 3.0, 5.0, 1.0, 0.4]),
    ([0.1, 1.0, 10.0, 100.0], [0.9, 0.4, 0.15, 0.3]),
    0.27,
    12.0,
    target_kg=2e-6,
    accepted_after=(7.0, 8.0, 11.0),
    seconds=120.0,
)


def any_result(run: Any, progress: Any = None) -> Any:
    """The finished analysis of a loop, or of another programme."""
    return programme_result(run) if "programme" in run else result(run)


def on_programme(name: str, part: float = 1.0, state: str = "finished") -> Callable[[], Any]:
    """A picture of the bench with so much of a programme behind it."""
    return lambda: S.snapshot(programme_run(name, part, state), S.live_at(100.0))


def planned(**asked: Any) -> Any:
    """What the daemon answers to ``run.plan``: of a loop, or of another programme."""
    if "programme" not in asked:
        return S.plan_answer()
    plan = plan_of(asked["programme"])
    more = {"seconds": plan.seconds, "largest_pull_kg": plan.largest_pull_kg}
    return S.plan_answer() | more | {"steps": list(plan.steps), "attendance": list(plan.attendance)}


def spacers() -> Any:
    hint = "the balance notices; or tap the pan twice"
    act = S.action("set-spacers", "Set 17 spacers, the sample away.", True, spacers=17, hint=hint)
    return S.snapshot(S.run_at(20, "spacers", action=act), S.live_at(100.0), lift=False)


def doubtful() -> Any:
    text = "The reading fits 15 spacers better than 17. Is the count right?"
    ask = S.action("question", text, True, ["take as it is", "once more"])
    return S.snapshot(S.run_at(20, "spacers", action=ask), S.live_at(100.0), lift=False)


def held() -> Any:
    why = "the balance: nothing heard for 20 s"
    act = S.action("none", f"Held: {why}. Go on when it is put right.")
    found = S.snapshot(S.run_at(20, state="held", why=why, action=act), S.live_at(100.0))
    found["balance"] = S.device("/dev/ttyUSB0", "silent", 21.0)
    return found


async def steadiness(st: Stage) -> None:
    for k in range(300):
        reading = -12.3456e-3 + 2e-6 * ((k % 37) / 18 - 1)
        st.feed.say("live", S.live_at(100.1 + k / 10, reading=reading))
    await st.until(lambda: len(st.app.snapshot.trace) > 300)
    await st.press("2")
    await st.until(lambda: "takes about 8 s here" in st.text())


async def figures(st: Stage) -> None:
    await st.press("3")
    await st.until(lambda: "remanence" in st.text())
    await st.press("down")
    await st.until(lambda: "71 %" in st.text())


def figures_of(words: str, *keys: str) -> Callable[[Stage], Any]:
    """To the figures of a programme, until the words stand there, and on."""

    async def steps(st: Stage) -> None:
        await st.press("3")
        await st.until(lambda: words in st.text())
        await st.press(*keys)

    return steps


def repeats_of(*keys: str) -> Callable[[Stage], Any]:
    """To what the loops that were run together say, and on."""

    async def steps(st: Stage) -> None:
        await figures(st)
        await st.press("t")
        await st.until(lambda: "temp. coefficient of HcJ" in st.text())
        await st.press(*keys)

    return steps


async def programme_over(st: Stage) -> None:
    await st.until(lambda: "readings used" in st.text() and "leaves the branch" in st.text())


async def programme_form(st: Stage) -> None:
    await form(st)
    select = next(s for s in st.app.screen.query(Select) if s.name == "run.programme")
    select.value = "recoil"
    select.focus()
    await st.until(lambda: "expected of a middling ferrite" in st.text())


async def runs(st: Stage) -> None:
    await st.press("4")
    await st.until(lambda: "11 runs" in st.text())
    await st.press("down", "space")


async def compare(st: Stage) -> None:
    await runs(st)
    await st.press("down", "space", "c")
    await st.until(lambda: "● 10 WP-07-10" in st.text())


async def compare_six(st: Stage) -> None:
    await runs(st)
    for _ in range(5):
        await st.press("down", "space")
    await st.press("c")
    await st.until(lambda: "● 10 WP-07-10" in st.text())


async def question(st: Stage) -> None:
    await st.press("enter")
    await st.until(lambda: "arrows and Enter" in st.text())


async def set_aside(st: Stage) -> None:
    await st.press("a")
    await st.until(lambda: "Which reading?" in st.text())


async def over(st: Stage) -> None:
    await st.until(lambda: "(BH)" in st.text() and "internal" in st.text())


async def no_link(st: Stage) -> None:
    st.feed.absent = True
    st.feed.lose("No daemon answers at /run/user/1000/weighloop/daemon.sock.")
    await st.until(lambda: "NO LINK" in st.text())


async def bench_view(st: Stage) -> None:
    await st.press("5")
    await st.until(lambda: "✓ no faults" in st.text() and "✓ the bench file" in st.text())


async def form(st: Stage) -> None:
    await st.press("w")
    await st.until(lambda: "uncertainty of M" in st.text())
    await st.until(lambda: "the uncertainties cost Mr" in st.text())


async def listed(st: Stage) -> None:
    await form(st)
    await st.press("ctrl+n", "pagedown", "pagedown", "pagedown")
    await st.until(lambda: "the run in this form" in st.text() and "not before" in st.text())
    await st.until(lambda: tab_is_underlined(st))


def tab_is_underlined(st: Stage) -> bool:
    """Whether the line under the tabs has come to the one that is open."""
    tabs = st.app.screen.query_one(Tabs)
    line, tab = tabs.query_one(Underline), tabs.active_tab
    assert tab is not None
    return (line.highlight_start, line.highlight_end) == tab.virtual_region.shrink(
        tab.styles.gutter
    ).column_span


async def palette(st: Stage) -> None:
    await st.press("colon")
    await st.until(lambda: "Write the report of the run" in st.text())


async def cautions(st: Stage) -> None:
    await st.press("5", "c")
    await st.until(lambda: "Before you begin" in st.text())


async def help_page(st: Stage) -> None:
    await st.press("question_mark")
    await st.until(lambda: "HANDS OFF means" in st.text())


async def nothing(st: Stage) -> None:
    pass


SCREENS = {
    "run": (lambda: S.snapshot(S.run_at(38), S.live_at(100.0)), nothing),
    "run-spacers": (spacers, nothing),
    "run-none": (lambda: S.snapshot(None), nothing),
    "run-question": (doubtful, question),
    "run-held": (held, nothing),
    "run-set-aside": (lambda: S.snapshot(S.run_at(38), S.live_at(100.0)), set_aside),
    "run-finished": (lambda: S.snapshot(finished(), S.live_at(100.0)), over),
    "run-no-link": (lambda: S.snapshot(S.run_at(38), S.live_at(100.0)), no_link),
    "steadiness": (lambda: S.snapshot(S.run_at(38), S.live_at(100.0)), steadiness),
    "figures": (lambda: S.snapshot(finished(), S.live_at(100.0)), figures),
    "runs": (lambda: S.snapshot(None), runs),
    "compare": (lambda: S.snapshot(None), compare),
    "compare-six": (lambda: S.snapshot(None), compare_six),
    "bench": (lambda: S.snapshot(S.run_at(38), S.live_at(100.0)), bench_view),
    "new-run": (lambda: S.snapshot(finished(), S.live_at(100.0)), form),
    "new-run-list": (lambda: S.snapshot(finished(), S.live_at(100.0)), listed),
    "programme-form": (lambda: S.snapshot(finished(), S.live_at(100.0)), programme_form),
    "programme-recoil": (on_programme("recoil", 0.45, "running"), nothing),
    "programme-decay": (on_programme("decay", 0.6, "running"), nothing),
    "programme-finished": (on_programme("recoil"), programme_over),
    "figures-recoil": (on_programme("recoil"), figures_of("recoil permeability")),
    "figures-remanence": (on_programme("remanence"), figures_of("remanence coercivity")),
    "figures-difference": (on_programme("remanence"), figures_of("remanence coercivity", "v")),
    "figures-reversal": (on_programme("reversal"), figures_of("mean coercive field")),
    "figures-map": (on_programme("reversal"), figures_of("mean coercive field", "v")),
    "figures-decay": (on_programme("decay"), figures_of("viscosity")),
    "figures-repeat": (lambda: S.snapshot(finished(), S.live_at(100.0)), repeats_of()),
    "figures-repeat-time": (lambda: S.snapshot(finished(), S.live_at(100.0)), repeats_of("v", "v")),
    "find": (lambda: S.snapshot(finished(), S.live_at(100.0)), palette),
    "cautions": (lambda: S.snapshot(None), cautions),
    "help": (lambda: S.snapshot(None), help_page),
}


@asynccontextmanager
async def screen(name: str, size: tuple[int, int], light: bool = False) -> AsyncIterator[Stage]:
    """The screen of that name, on scripted analyses, on the dark ground or the ``light`` one."""
    snapshot, steps = SCREENS[name]
    feed = S.ScriptedFeed(snapshot())
    feed.answers["runs.list"] = [S.run_line(k, f"WP-07-{k}") for k in range(1, 12)]
    feed.answers["runs.list"][7]["notes"] = ["fired at 1180 °C, corner chipped"]
    feed.answers["runs.get"] = lambda run: finished(run)
    feed.answers["runs.together"] = list(range(5, 13))
    feed.answers["run.plan"] = planned
    with ExitStack() as patches:
        for module, what, instead in (
            (run_view, "analyse_run", any_result),
            (run_view, "magnetisation", magnetised),
            (new_run, "bench_costs", costs),
            (new_run, "bench_sketch", compute.bench_sketch),
            (figures_view, "analyse_run", any_result),
            (figures_view, "follow_loops", followed),
            (runs_view, "analyse_run", result),
            (compare_screen, "analyse_run", result),
            (compare_screen, "differing", lambda results: {(1, "remanence_A_per_m")}),
            (steadiness_view, "steady_look", lambda trace, resolution: LOOK),
            (bench, "bench_faults", lambda text: []),
        ):
            patches.enter_context(patch.object(module, what, instead))
        async with stage(feed=feed, size=size) as st:
            if light:
                st.app.action_lightness()
            await steps(st)
            await st.still()
            yield st
