"""What a run of another programme than the loop gives, as people read it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..common import like, print_json, significant, table

if TYPE_CHECKING:
    from ....analysis.programmes.curves import Estimated, RecoilResult, RemanenceResult, ReversalResult
    from ....analysis.records.bench import Bench
    from ....analysis.records.readings import Readings

#: Of a family of curves this many rows are printed.
SHOWN = 12


def show_programme(
    readings: Readings, bench: Bench, name: str, *, draws: int, seed: int, as_json: bool
) -> tuple[str, ...]:
    """Analyse and print; returns what is to be remarked."""
    from ....analysis.programmes.curves import RESULTS, to_json
    from ....analysis.programmes.history_fit import fit_history

    if name == "decay":
        return _show_decay(readings, bench, as_json)
    _known(name, [*RESULTS, "decay"])
    history = fit_history(readings, bench, draws=draws, seed=seed)
    result = RESULTS[name](history)
    if as_json:
        print_json(to_json(history, result))
    else:
        print(_PRINTED[name](result))
    remarks = [f"{w.code}: {w.text}" for w in history.warnings]
    if history.misfit > 4.0:
        remarks.append(
            "misfit: no density of switching fields gives these readings within what any model is off by "
            f"(mean square {history.misfit:.1f}): look at the bench file and the order of the rows"
        )
    return tuple(remarks)


def write_page(source: str, name: str, target: Path, settings: dict[str, Any]) -> tuple[str, ...]:
    """Analyse INPUT and write its page; returns what is to be remarked."""
    from ....analysis.programmes.curves import RESULTS
    from ....analysis.programmes.history_fit import fit_history
    from ....analysis.report import write_programme
    from ..inputs import read_input

    _known(name, list(RESULTS))
    readings, bench = read_input(source, *(settings[k] for k in ("bench_path", "store_path", "tolerant")))
    draws, seed = min(settings["trials"], 2000), settings["seed"]
    history = fit_history(readings, bench, draws=draws, seed=seed)
    again = f"Recompute with: weighloop figures {source} --programme {name} --trials {draws} --seed {seed}."
    write_programme(history, RESULTS[name](history), target, again)
    return tuple(f"{w.code}: {w.text}" for w in history.warnings)


def _known(name: str, names: list[str]) -> None:
    from ....analysis.errors import Fault, InputError, nearest

    if name not in names:
        raise InputError("--programme", [Fault("name", repr(name), nearest(name, ["loop", *names]))])


def _show_decay(readings: Readings, bench: Bench, as_json: bool) -> tuple[str, ...]:
    from ....analysis.programmes.curves import plain
    from ....analysis.programmes.decay import decay

    found = decay(readings, bench)
    if as_json:
        print_json({"schema": 1, "sample": bench.sample.name, "result": plain(found)})
        return ()
    hours = found.t[-1] / 3600.0
    print(
        f"Viscosity coefficient S in an applied field of {significant(found.H / 1e3, 3)} kA/m, "
        f"{len(found.t)} readings in {significant(hours, 2)} h:"
    )
    value = f"{like(found.S, found.u)} A/m, u {significant(found.u, 2)} A/m"
    if found.bound is not None:
        value = f"not told apart from nothing; below {significant(found.bound, 2)} A/m ({value})"
    print(f"S {value}; {found.drift_part**2:.0%} of its variance is what the balance's drift could be.")
    return ()


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


_PRINTED: dict[str, Any] = {"recoil": _recoil, "remanence": _remanence, "reversal": _reversal}
