"""A finished analysis out of the script, so that the views are tested and not the numbers."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import tests.support.screen.scripted_daemon as S
from weighloop.tui.bench_costs import Cost
from weighloop.tui.state.compute import Magnetised


def figure(
    value: float | None, u: float | None = None, status: str = "measured", why: str | None = None
) -> Any:
    spread = None if value is None or u is None else (value - 2 * u, value + 2 * u)
    low, high = spread or (None, None)
    if status == "bound":
        high = None
    return SimpleNamespace(value=value, u=u, low95=low, high95=high, status=status, why=why)


def found(key: str, words: str, stated: float, u_stated: float, value: float, u: float) -> Any:
    """A value of the bench as the readings leave it."""
    return SimpleNamespace(
        key=key,
        words=words,
        stated=stated,
        u_stated=u_stated,
        found=value,
        u_found=u,
        shift=(value - stated) / u_stated,
    )


class Flags(list[bool]):
    """A list that can be summed as numpy's flags are."""

    def sum(self) -> int:
        return sum(self)


def result(run: Any, progress: Any = None) -> Any:
    """A finished analysis out of the script, so that the view is tested and not the numbers."""
    rows = [p for p in run["points"] if p["kind"] == "point"]
    steps = {step["step"]: step for step in run["steps"]}
    fields = [steps[p["step"]]["H_applied_A_per_m"] or 0.0 for p in rows]
    weaker = 1 - 0.04 * (12 - run["id"])  # the later a sample was sintered, the better
    M = [weaker * S.magnetisation_at(h, p["leg"] in (1, 2)) for h, p in zip(fields, rows, strict=True)]
    inside = [h - 0.47 * m for h, m in zip(fields, M, strict=True)]

    class Points(SimpleNamespace):
        def __len__(self) -> int:
            return len(rows)

    points = Points(
        row=list(range(1, len(rows) + 1)),
        orientation=[p["orientation"] for p in rows],
        leg=[p["leg"] for p in rows],
        used=Flags([True] * len(rows)),
    )
    line = SimpleNamespace
    return SimpleNamespace(
        points=points,
        used=len(rows),
        estimate=SimpleNamespace(H_internal=inside, M=M, method_used="branch spline"),
        u_M=[1e3] * len(rows),
        figures={
            "saturation_A_per_m": figure(301e3, 2e3, "bound", "M is still rising at the largest field."),
            "remanence_A_per_m": figure(271.4e3, 2.3e3),
            "coercivity_HcJ_A_per_m": figure(90.12e3, 0.41e3),
            "squareness": figure(None, None, "not determined", "Saturation is a bound."),
            "BHmax_J_per_m3": figure(12.31e3, 0.22e3),
        },
        budget={
            "remanence_A_per_m": (
                line(input="remanence of the reference magnet", share=0.71, u=1e3),
                line(input="contact gap", share=0.2, u=1e3),
                line(input="readings", share=0.09, u=1e3),
            )
        },
        found_inputs=(
            found("gap.contact", "contact gap", 1.0e-3, 0.05e-3, 1.06e-3, 0.012e-3),
            found(
                "reference_magnet.remanence", "remanence of the reference magnet", 1.32, 0.02, 1.318, 0.015
            ),
        ),
        warnings=(line(code="duplicate-gap", text="two readings at one gap", rows=(4, 5)),),
    )


def magnetised(run: Any) -> Magnetised:
    """The script's loop in closed form, with what a gram means at each step."""
    steps = [step for step in run["steps"] if step["gap_m"] is not None]
    return Magnetised([], [], {s["step"]: 1 / (s["orientation"] * S.pull_at(s["gap_m"], 1.0)) for s in steps})


def costs(bench_text: str, plan: Any = None) -> list[Cost]:
    """What the bench's uncertainties would cost, of a loop or of another programme."""
    if plan is not None and "programme" in plan:
        said = {"H5%": "± 1.4 kA/m", "μrec": "± 0.012"}
        return [Cost(printed, 0.0, (), said=words) for printed, words in said.items()]
    return [
        Cost(
            "Mr",
            0.017,
            (("what any model of a sample is off by", 0.30), ("contact gap", 0.23)),
            {"gap.contact": 0.23, "sample.diameter": 0.07},
        ),
        Cost(
            "HcJ",
            0.012,
            (("remanence of the reference magnet", 0.42), ("scale of the lift", 0.25)),
            {"reference_magnet.remanence": 0.42},
        ),
    ]


def finished(number: int = 12) -> Any:
    return {**S.run_at(1000, state="finished"), "id": number, "sample": f"WP-07-{number}"}
