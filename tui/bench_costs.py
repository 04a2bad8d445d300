"""A bench seen before it is used: a sketch of it, and what each of its uncertainties costs the figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ..analysis.records.bench import Bench

#: The standard uncertainty offered where none is given, and what it takes. Common practice, no source.
SENSIBLE = {
    "diameter": ("0.02 mm", "a calliper"),
    "length": ("0.02 mm", "a calliper"),
    "width": ("0.02 mm", "a calliper"),
    "outer_diameter": ("0.02 mm", "a calliper"),
    "inner_diameter": ("0.02 mm", "a calliper"),
    "height": ("0.02 mm", "a calliper; 0.005 mm with a micrometer"),
    "remanence": ("0.02 T", "a data sheet; 0.005 T after `weighloop calibrate`"),
    "contact": ("0.05 mm", "a feeler gauge; 0.02 mm after `weighloop calibrate`"),
    "spacer": ("0.02 mm", "a calliper over a stack of ten"),
    "mass": ("1 mg", "the balance itself"),
    "latitude": ("0.1 deg", "a map"),
    "altitude": ("20 m", "a map"),
    "temperature": ("1 degC", "a room thermometer"),
}

#: The sample that the costs are for: saturation, HcJ and width of the switching, A/m. It saturates on a
#: usual bench, so that none of its figures is a bound.
SUPPOSED = (300e3, 70e3, 20e3)


@dataclass(frozen=True)
class Cost:
    """One figure: its uncertainty as a part of its value, the inputs it is mostly made of with their shares
    of the variance, and the shares of what the bench file states, by key (``sample.diameter``). ``said``: in
    words, where there is no such part."""

    printed: str
    share_of_value: float
    made_of: tuple[tuple[str, float], ...]
    by_key: Mapping[str, float] = field(default_factory=dict)
    said: str = ""

    @property
    def words(self) -> str:
        """``Mr 1.7 %``."""
        return f"{self.printed} {self.said or f'{100 * self.share_of_value:.1f} %'}"


def costs_of(bench: Bench, wanted: Mapping[str, Any] | None = None) -> list[Cost]:
    """What the main figures of a usual ferrite would be uncertain by on this bench, and why; of another
    programme than the loop, ``wanted`` with its gaps as ``run.plan`` has them, what each result would be."""
    if wanted is not None and wanted.get("programme") not in (None, "repeat"):
        return _of_programme(bench, wanted)
    import numpy as np

    from ..analysis.figures.names import FIGURE_NAMES
    from ..analysis.figures.sensitivities import ASSUMED, WORDS
    from ..analysis.planning.expected_uncertainty import expected
    from ..analysis.planning.gap_ladder import plan

    H = np.linspace(-400e3, 400e3, 401)
    supposed = H, SUPPOSED[0] * np.tanh((H + SUPPOSED[1]) / SUPPOSED[2])
    result = expected(plan(bench, 22, loop=supposed), bench)
    found = []
    for key in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3"):
        figure = result.figures.get(key)
        if figure is None or not figure.u or not figure.value:
            continue
        budget = result.budget.get(key, ())
        made_of = tuple((line.input, line.share) for line in budget[:3] if line.share > 0.02)
        shares = {line.input.removesuffix(ASSUMED): line.share for line in budget}
        by_key = {place: shares[words] for place, words in WORDS.items() if words in shares}
        found.append(Cost(FIGURE_NAMES[key].printed, figure.u / abs(figure.value), made_of, by_key))
    return found


def _of_programme(bench: Bench, wanted: Mapping[str, Any]) -> list[Cost]:
    from ..analysis.figures.names import side_of_bound
    from ..analysis.programmes.expected import expected
    from ..analysis.programmes.names import NAMES
    from ..analysis.programmes.path import plan_programme
    from ..analysis.programmes.programme import programme

    of = programme(wanted["programme"])
    ladder = plan_programme(
        bench, of, wanted["points"], target_u=wanted.get("target_u_kg"), zeros=wanted.get("zeros")
    )
    found = []
    for key, figure in expected(ladder, bench, of.gives).figures.items():
        if figure.value is None or figure.u is None:
            continue
        name = NAMES[key]
        value, u = (f"{x / name.si[1]:.2g}" for x in (figure.value, figure.u))
        side = side_of_bound(figure.low95, figure.high95)
        said = f"{side} {value}" if figure.status == "bound" else f"± {u}"
        found.append(Cost(name.printed, 0.0, (), said=f"{said} {name.unit()}".strip()))
    return found


def sketch(bench: Bench) -> str:
    """The bench in section, in characters: sample above, gap, reference magnet on its riser."""
    magnet, sample = bench.reference_magnet, bench.sample
    across = magnet.diameter or magnet.outer_diameter or magnet.length
    wide = sample.diameter or sample.length or sample.height
    assert across is not None
    scale = 36 / max(across.value, wide.value)
    m, s = max(6, round(across.value * scale)), max(4, round(wide.value * scale))

    def box(width: int, mark: str, label: str) -> list[str]:
        body = label if len(label) <= width - 2 else ""
        lines = ["+" + "-" * width + "+", "|" + body.center(width, mark) + "|", "+" + "-" * width + "+"]
        return [
            line.center(m + 4).rstrip() + ("" if body or i != 1 else f"  {label}")
            for i, line in enumerate(lines)
        ]

    def mm(value: float) -> str:
        return f"{value * 1e3:.4g} mm"

    size = f"{mm(wide.value)} x {mm(sample.height.value)}"
    lines = box(s, " ", f"{sample.name}, {size}")
    lines.append(f"{'|':^{m + 4}}".rstrip() + f"  smallest gap {mm(bench.gap.contact.value)}")
    lines += box(m, " ", f"{magnet.remanence.value:.3g} T, {mm(across.value)} x {mm(magnet.height.value)}")
    lines.append("/ riser \\".center(m + 4).rstrip())
    pan = f"  pan of the balance, {bench.balance.capacity * 1e3:g} g, {bench.balance.resolution * 1e6:g} mg"
    lines.append(("=" * (m + 2)).center(m + 4).rstrip() + pan)
    return "\n".join(lines)
