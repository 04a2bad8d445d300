"""The bench drawn to scale from the bench file: reference magnet, gap and sample in section."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..records.bench import Bench
from .style import MUTED, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def _magnet_boxes(bench: Bench) -> list[tuple[float, float, float, float]]:
    """The magnet's cuts with the plane of the axis, as (left, bottom, width, height) in mm."""
    magnet = bench.reference_magnet
    height = magnet.height.value * 1e3
    if magnet.shape == "ring":
        assert magnet.outer_diameter is not None
        assert magnet.inner_diameter is not None
        outer, inner = magnet.outer_diameter.value * 500, magnet.inner_diameter.value * 500
        return [(-outer, -height, outer - inner, height), (inner, -height, outer - inner, height)]
    across = magnet.diameter or magnet.length
    assert across is not None
    return [(-across.value * 500, -height, across.value * 1e3, height)]


def bench_drawing(bench: Bench, gap: float) -> Figure:
    """Magnet and sample at ``gap`` (m), to scale, in mm."""
    from matplotlib.patches import Ellipse, Rectangle

    figure, axes = new_figure(3.6, 3.4)
    for left, bottom, width, height in _magnet_boxes(bench):
        axes.add_patch(Rectangle((left, bottom), width, height, facecolor="#c9c5b8", edgecolor="#55554f"))
    sample = bench.sample
    across = (sample.diameter or sample.length or sample.height).value * 1e3
    low, tall = gap * 1e3, sample.height.value * 1e3
    if sample.shape in ("sphere", "spheroid"):
        body = Ellipse((0, low + tall / 2), across, tall, facecolor="#14506b", alpha=0.85)
    else:
        body = Rectangle((-across / 2, low), across, tall, facecolor="#14506b", alpha=0.85)
    axes.add_patch(body)
    half = max(abs(box[0]) for box in _magnet_boxes(bench)) * 1.25
    axes.axvline(0, color=MUTED, linewidth=0.7, linestyle="-.")
    axes.plot([half * 0.87] * 2, [0, low], color="#23231f", marker="_", markersize=7, linewidth=0.9)
    axes.text(half * 0.92, low / 2, f"{low:.2f} mm", va="center", fontsize=8)
    axes.text(
        0,
        -bench.reference_magnet.height.value * 500,
        "reference magnet",
        ha="center",
        va="center",
        fontsize=8,
    )
    axes.text(0, low + tall * 1.15, f"sample {sample.name}", ha="center", va="bottom", fontsize=8)
    axes.set_xlim(-half * 1.1, half * 1.25)
    axes.set_ylim(-bench.reference_magnet.height.value * 1.1e3, low + tall * 1.9)
    axes.set_aspect("equal")
    axes.set_xlabel("mm")
    axes.set_ylabel("height above the magnet's face, mm")
    axes.grid(visible=False)
    return figure
