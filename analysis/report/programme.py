"""The page of another programme than the loop: what came of it first, then its curves."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..programmes.curves import CurveFamily, Estimated, RecoilResult, RemanenceResult, ReversalResult
from ..programmes.decay import DecayResult
from .output import filled, page_file, write_page
from .page import versions
from .plots import frame, legend_above
from .style import BRANCH_STYLE, MUTED, new_figure, svg
from .wording import rounded

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..programmes.results import Found, ProgrammeResult

_MAIN, _OTHER = BRANCH_STYLE["descending"], BRANCH_STYLE["ascending"]


def write_programme(result: ProgrammeResult, path: str | Path, recompute: str = "") -> None:
    """Write the page to ``path`` as one file, whole or not at all."""
    target = page_file(path)
    title, conclusion, drawings = _parts(result.found)
    page = filled(
        "programme.html",
        title=title,
        sample=result.bench.sample.name,
        readings=len(result.readings),
        used=result.used,
        conclusion=conclusion if result.why_not is None else [f"Not determined. {result.why_not}"],
        drawings=[{"words": words, "svg": svg(drawing)} for words, drawing in drawings],
        warnings=[{"code": w.code, "text": w.text} for w in result.warnings],
        recompute=recompute,
        versions=versions(),
    )
    write_page(target, page)


def _parts(result: Found) -> tuple[str, list[str], list[tuple[str, Figure]]]:
    """Title, conclusion, drawings with their words."""
    if isinstance(result, RecoilResult):
        return (
            "Recoil curves",
            [f"A reverse field of {_field(result.field_of_loss)} costs 5 % of the flux for good."],
            [
                ("Recoil curves from ever larger reverse fields.", recoil_drawing(result)),
                ("Loss of flux and recoil permeability against the reverse field.", loss_drawing(result)),
            ],
        )
    if isinstance(result, RemanenceResult):
        return (
            "Remanence curves",
            [
                f"Remanence coercivity Hcr: {_field(result.Hcr)}.",
                f"Saturation remanence Mr: {_field(result.remanence)}.",
            ],
            [
                (
                    "Remanence that a sample never magnetised acquires, and what a reverse field leaves.",
                    remanence_drawing(result),
                ),
                (
                    "The difference of both, nothing where parts do not feel one another: below zero they "
                    "hinder, above zero they help one another.",
                    difference_drawing(result),
                ),
            ],
        )
    if isinstance(result, DecayResult):
        return (
            "Decay of magnetisation",
            [_viscosity(result)],
            [("Magnetisation against the logarithm of time, with the fitted line.", decay_drawing(result))],
        )
    return (
        "Reversal curves",
        [
            f"Mean coercive field {result.coercive / 1e3:.3g} kA/m, mean interaction field "
            f"{result.interaction / 1e3:.3g} kA/m, over the part of the distribution that is known."
        ],
        [
            ("First-order reversal curves.", family_drawing(result.curves)),
            ("Their distribution over coercive and interaction field. Hatched: not known, the density being "
             "less than twice its own standard uncertainty.", distribution_drawing(result)),
        ],
    )  # fmt: skip


def _field(value: Estimated) -> str:
    if value.value != value.value:
        return "more than the bench reaches"
    v, u = value.value / 1e3, value.u / 1e3
    return f"{rounded(v, u)} kA/m (u = {rounded(u, u)} kA/m)"


def _viscosity(result: DecayResult) -> str:
    """The coefficient of viscosity in a sentence, or the bound on it."""
    S = f"{rounded(result.S, result.u)} A/m (u = {rounded(result.u, result.u)} A/m)"
    if result.bound is None:
        return f"In an applied field of {result.H / 1e3:.3g} kA/m the coefficient of viscosity S is {S}."
    return (
        f"In an applied field of {result.H / 1e3:.3g} kA/m no decay is told apart from nothing: S is below "
        f"{result.bound:.2g} A/m with 97.5 %, the best estimate being {S}; "
        f"{result.drift_part**2:.0%} of its variance is what the balance's drift could be."
    )


def decay_drawing(result: DecayResult) -> Figure:
    """M over the logarithm of time, and M0 - S ln(t / t0)."""
    figure, axes = new_figure()
    log = np.log(result.t / result.t[0])
    axes.plot(
        result.t, result.M / 1e3, color=_MAIN["color"], marker="o", markersize=4, linestyle="none",
        label="readings",
    )  # fmt: skip
    line = float(np.mean(result.M + result.S * log)) - result.S * log
    axes.plot(result.t, line / 1e3, color=_OTHER["color"], linewidth=1.1, label="$M_0 - S\\,\\ln(t/t_0)$")
    axes.set_xscale("log")
    axes.set_xlabel("time since the field was reached, s")
    axes.set_ylabel("magnetisation M, kA/m")
    legend_above(axes)
    return figure


def family_drawing(curves: CurveFamily) -> Figure:
    """Each curve of a family with its band."""
    figure, axes = new_figure()
    for k, (H, M, u) in enumerate(zip(curves.H / 1e3, curves.M / 1e3, curves.u_M / 1e3, strict=True)):
        axes.plot(H, M, color=_MAIN["color"], linewidth=0.9, label=None if k else "a curve each")
        band = None if k else "standard uncertainty"
        axes.fill_between(H, M - u, M + u, color=_MAIN["color"], alpha=0.18, linewidth=0, label=band)
    frame(axes, "internal field H, kA/m", "magnetisation M, kA/m")
    return figure


def recoil_drawing(result: RecoilResult) -> Figure:
    """The recoil fan, its ends marked, with their standard uncertainty."""
    figure, axes = new_figure()
    c = result.curves
    inside = c.H <= 0.0
    for H, M, shown in zip(c.H, c.M, inside, strict=True):
        axes.plot(H[shown] / 1e3, M[shown] / 1e3, color=_MAIN["color"], linewidth=0.9)
    axes.errorbar(
        c.H[:, 0] / 1e3, c.M[:, 0] / 1e3, yerr=c.u_M[:, 0] / 1e3, color=_OTHER["color"], marker=".",
        linestyle="none", linewidth=0.8, label="where each leaves the branch, with its u",
    )  # fmt: skip
    frame(axes, "internal field H, kA/m", "magnetisation M, kA/m")
    return figure


def loss_drawing(result: RecoilResult) -> Figure:
    """Loss of flux (its 5 % marked) and recoil permeability."""
    figure, axes = new_figure(height=5.0, rows=2)
    H = -result.H_reverse / 1e3
    _banded(axes[0], H, 100.0 * result.loss, 100.0 * result.u_loss, _MAIN)
    axes[0].axhline(5.0, color=MUTED, linestyle=":", linewidth=1.0, label="5 %")
    axes[0].set_ylabel("loss of flux, %")
    legend_above(axes[0])
    _banded(axes[1], H, result.permeability, result.u_permeability, _OTHER)
    axes[1].set_ylabel("recoil permeability")
    axes[1].set_xlabel("reverse field, kA/m")
    return figure


def remanence_drawing(result: RemanenceResult) -> Figure:
    """Both remanence curves with their bands."""
    figure, axes = new_figure()
    H = result.H / 1e3
    _banded(axes, H, result.acquired / 1e3, result.u_acquired / 1e3, _MAIN, "acquired")
    _banded(axes, H, result.left / 1e3, result.u_left / 1e3, _OTHER, "left in reverse")
    frame(axes, "field, kA/m", "remanence, kA/m")
    return figure


def difference_drawing(result: RemanenceResult) -> Figure:
    """The difference that interaction makes, with its band."""
    figure, axes = new_figure(height=2.6)
    _banded(
        axes, result.H / 1e3, result.difference, result.u_difference, _MAIN, "with its standard uncertainty"
    )
    frame(axes, "field, kA/m", "difference, parts of Mr")
    return figure


def distribution_drawing(result: ReversalResult) -> Figure:
    """The distribution, each cell as large as it is: light to dark where it is known, which is also read in
    grey, and hatched where it is not."""
    from matplotlib.collections import PolyCollection

    figure, axes = new_figure(width=4.4, height=5.4)
    half = 0.5 * (result.fields[1] - result.fields[0]) / 1e3
    up, down = np.meshgrid(result.fields / 1e3, result.fields / 1e3, indexing="ij")
    # A square cell over both fields is one on its corner over half their difference and half their sum.
    corner = np.array([(half, 0.0), (0.0, half), (-half, 0.0), (0.0, -half)])
    middle = np.stack([0.5 * (up - down), 0.5 * (up + down)], axis=-1)[:, :, None, :]
    cells = middle + corner
    unknown = np.isfinite(result.density) & ~result.known
    axes.add_collection(
        PolyCollection(
            list(cells[unknown]),
            facecolor="#f2f2f2",
            edgecolor="#cfcfcf",
            hatch="////",
            linewidth=0.0,
            label="not known",
        )
    )
    known = PolyCollection(list(cells[result.known]), cmap="cividis_r", linewidth=0.2, edgecolor="face")
    known.set_array(result.density[result.known] * 1e3)
    known.set_clim(0.0, float(np.max(result.density[result.known], initial=1e-9)) * 1e3)
    axes.add_collection(known)
    figure.colorbar(known, ax=axes, label="density, per kA/m", shrink=0.7)
    axes.autoscale_view()
    axes.set_aspect("equal")
    axes.set_xlim(left=0.0)
    frame(axes, "coercive field, kA/m", "interaction field, kA/m")
    return figure


def _banded(axes: Any, x: Any, y: Any, u: Any, style: dict[str, Any], label: str | None = None) -> None:
    axes.plot(
        x, y, color=style["color"], linestyle=style["linestyle"], marker=style["marker"], markersize=3,
        linewidth=1.1, label=label,
    )  # fmt: skip
    axes.fill_between(x, y - u, y + u, color=style["color"], alpha=0.18, linewidth=0)
