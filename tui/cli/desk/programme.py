"""What a run of another programme than the loop gives, as people read it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from ..common import like, significant, table

if TYPE_CHECKING:
    from ....analysis.programmes.curves import Estimated, RecoilResult, RemanenceResult, ReversalResult
    from ....analysis.programmes.decay import DecayResult
    from ....analysis.programmes.results import ProgrammeResult

#: Of a family of curves this many rows are printed.
SHOWN = 12


def programme_table(result: ProgrammeResult) -> str:
    """What a run of another programme than the loop gave, as people read it."""
    printed = _PRINTED[result.gives](result.found)
    if result.why_not is None:
        return printed
    why = f"Not determined. {result.why_not} What follows is what the fit makes of them all the same."
    return f"{why}\n\n{printed}"


def expected_table(result: ProgrammeResult) -> str:
    """The main numbers that a plan is expected to give, with their uncertainties."""
    from ....analysis.programmes.names import NAMES

    rows = []
    for key, figure in result.figures.items():
        name = NAMES[key]
        value, u = (None if x is None else name.shown(x, "si") for x in (figure.value, figure.u))
        shown = f"below {like(value, u)}" if figure.status == "bound" else like(value, u)
        rows.append([name.words, name.printed, shown, significant(u, 2), name.unit("si"), figure.status])
    return table(["figure", "symbol", "value", "u", "unit", "status"], rows)


def _decay(found: DecayResult) -> str:
    hours = found.t[-1] / 3600.0
    head = (
        f"Viscosity coefficient S in an applied field of {significant(found.H / 1e3, 3)} kA/m, "
        f"{len(found.t)} readings in {significant(hours, 2)} h:"
    )
    value = f"{like(found.S, found.u)} A/m, u {significant(found.u, 2)} A/m"
    if found.bound is not None:
        value = f"not told apart from nothing; below {significant(found.bound, 2)} A/m ({value})"
    part = found.drift_part**2
    return f"{head}\nS {value}; {part:.0%} of its variance is what the balance's drift could be."


def _kA(value: Estimated) -> str:
    v, u, low, high = (x / 1e3 for x in (value.value, value.u, value.low95, value.high95))
    if value.value != value.value:
        return "not reached"
    text = f"{like(v, u)} kA/m, u {significant(u, 2)}, 95 % interval {like(low, u)} .. {like(high, u)}"
    return text if value.told > 0.99 else f"{text} (in {value.told:.0%} of the draws)"


def _rows(columns: list[tuple[Any, Any]], scales: list[float]) -> list[list[str]]:
    """Rows of values with their uncertainties, evenly picked."""
    count = len(columns[0][0])
    picked = range(0, count, max(1, -(-count // SHOWN)))
    rows = []
    for i in picked:
        row = []
        for (values, us), scale in zip(columns, scales, strict=True):
            v = float(values[i]) / scale
            row += (
                [significant(v, 3)] if us is None else [like(v, u := float(us[i]) / scale), significant(u, 2)]
            )
        rows.append(row)
    return rows


def _recoil(r: RecoilResult) -> str:
    heads = ["reverse field /(kA/m)", "recoil permeability", "u", "loss of flux /%", "u"]
    columns = [(-r.H_reverse, None), (r.permeability, r.u_permeability), (r.loss, r.u_loss)]
    return (
        f"{table(heads, _rows(columns, [1e3, 1.0, 0.01]))}\n\n"
        f"Reverse field that costs 5 % of the flux: {_kA(r.field_of_loss)}"
    )


def _remanence(r: RemanenceResult) -> str:
    heads = ["field /(kA/m)", "acquired /(kA/m)", "u", "left /(kA/m)", "u", "difference", "u"]
    columns = [
        (r.H, None), (r.acquired, r.u_acquired), (r.left, r.u_left), (r.difference, r.u_difference),
    ]  # fmt: skip
    return (
        f"{table(heads, _rows(columns, [1e3, 1e3, 1e3, 1.0]))}\n\n"
        f"Saturation remanence Mr: {_kA(r.remanence)}\n"
        f"Remanence coercivity Hcr: {_kA(r.Hcr)}"
    )


def _reversal(r: ReversalResult) -> str:
    import numpy as np

    with np.errstate(invalid="ignore"):
        share = np.nansum(np.where(r.known, r.density, 0.0)) / np.nansum(np.maximum(r.density, 0.0))
    return (
        f"{len(r.curves.H)} reversal curves; {int(np.sum(r.known))} of {int(np.isfinite(r.density).sum())}"
        f" places of the distribution are known, with {share:.0%} of it.\n"
        f"Of these: mean coercive field {significant(r.coercive / 1e3, 3)} kA/m, "
        f"mean interaction field {significant(r.interaction / 1e3, 3)} kA/m. --json has curves and map."
    )


_PRINTED: dict[str, Any] = {
    "recoil": _recoil,
    "remanence": _remanence,
    "reversal": _reversal,
    "decay": _decay,
}
