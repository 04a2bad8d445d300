"""Calibrating the bench: remanence of the reference magnet and contact gap, fitted together.

Three ways, by what is at hand: a field probe moved along the axis, a standard sample of known moment
weighed at several gaps, or a second magnet of the same kind. Remanence and contact gap pull the data in
much the same direction (a stronger magnet looks like a closer one), so they are fitted together, their
correlation is kept, and data that cannot tell them apart are refused.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .bench import ReferenceMagnet, Sample
from .constants import MU0
from .demag import demagnetising_factor
from .errors import NotPossible
from .quadrature import choose_order, mean_field, volume
from .quantities import Measured
from .reference_magnet import REMANENCE_TEMPERATURE, at_temperature, force_between, on_axis

Floats = NDArray[np.float64]

#: Refusal: the two columns of the fit's Jacobian, each scaled to length 1, have this condition number when a
#: change of the contact gap can be undone to 1 % by a change of the remanence (correlation 0.9998). Ours.
WORST_CONDITION = 100.0
#: Refusal: a calibration vaguer than this is worth less than a data sheet and a feeler gauge. Ours.
WORST_U_REMANENCE = 0.05  # relative
WORST_U_CONTACT = 0.3e-3  # m

#: A soft standard counts as saturated where the applied field exceeds its demagnetising field this many
#: times. Common practice, no source.
SATURATION_MARGIN = 1.5


@dataclass(frozen=True, eq=False)
class Calibration:
    """What a fit found. ``remanence`` at 20 degrees Celsius in T, ``contact`` in m.

    ``names``, ``values`` (p,), ``covariance`` (p, p): all fitted parameters, SI, nuisances included.
    ``residuals`` (n,) are (measured - fitted) / standard uncertainty, ``used`` (n,) the rows that took part.
    ``correlation`` is that of remanence and contact.
    """

    method: str
    remanence: Measured
    contact: Measured
    correlation: float
    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    residuals: Floats
    used: NDArray[np.bool_]
    warnings: tuple[str, ...]

    def bench_lines(self) -> str:
        """The result as lines of a bench file (TOML)."""
        return (
            "[reference_magnet]\n"
            f'remanence = "{_with_u(self.remanence, 1.0, "T")}"\n'
            f"remanence_contact_correlation = {self.correlation:.3f}\n\n"
            "[gap]\n"
            f'contact = "{_with_u(self.contact, 1e3, "mm")}"\n'
        )


def from_probe(
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    B: ArrayLike,
    *,
    contact: Measured,
    probe_offset: Measured,
    u_B: ArrayLike | None = None,
    gain_u: float = 0.0,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to field readings ``B`` (n,) in T on the axis, the probe in the sample's place.

    ``heights`` (n,) in m above the closest position: gap = contact + height. ``probe_offset`` is how deep
    below its face the probe's sensitive spot lies, ``gain_u`` the probe's relative calibration uncertainty.
    Other arguments: see ``_fit``. Raises NotPossible where the data cannot tell remanence from contact.
    """

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return on_axis(body, gap + nuisance[0])[0] * nuisance[1]

    return _fit(
        "probe on the axis", model, magnet, heights, B, u_B, contact, temperature, hold,
        {"probe_offset": probe_offset, "probe_gain": Measured(1.0, gain_u)},
    )  # fmt: skip


def from_standard(
    magnet: ReferenceMagnet,
    standard: Sample,
    moment: Measured,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    soft: bool = True,
    u_force: ArrayLike | None = None,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to the attraction ``force`` (n,) in N on a standard sample of known ``moment`` (A m^2).

    ``soft``: the standard (a nickel sphere) has its moment only where the field saturates it; gaps with
    less than 1.5 times its demagnetising field are set aside. A permanent-magnet standard is not ``soft``.
    Other arguments: see ``_fit``. Raises NotPossible where the data cannot tell remanence from contact.
    """
    h = np.asarray(heights, float)
    rule = choose_order(magnet, standard, max(float(h.min()) + contact.value / 2, 0.0))

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return -nuisance[0] * mean_field(body, standard, gap, rule=rule)[1]

    used, warnings = None, []
    if soft:
        needed = demagnetising_factor(standard).axial * moment.value / volume(standard) * SATURATION_MARGIN
        applied = np.abs(mean_field(magnet, standard, h + contact.value, rule=rule)[0]) / MU0
        used = applied >= needed
        if not used.all():
            warnings.append(
                f"{int((~used).sum())} readings are set aside: the standard is surely saturated only where "
                f"the applied field exceeds {needed / 1e3:.3g} kA/m"
            )
    return _fit(
        "standard sample of known moment", model, magnet, h, force, u_force, contact, temperature, hold,
        {"moment": moment}, used, warnings,
    )  # fmt: skip


def from_pair(
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    force: ArrayLike,
    *,
    contact: Measured,
    u_force: ArrayLike | None = None,
    temperature: float = REMANENCE_TEMPERATURE,
    hold: str | None = None,
) -> Calibration:
    """Fit to the attraction ``force`` (n,) in N between two magnets of the reference magnet's kind.

    They face each other unlike poles, coaxial, the second in the sample's place; both are taken to have the
    same remanence, and the result is their (geometric) mean. Other arguments: see ``_fit``. Raises
    NotPossible for a block, or where the data cannot tell remanence from contact.
    """
    if magnet.shape == "block":
        raise NotPossible("a pair of blocks is not calibrated here: use a probe or a standard sample")
    closest = max(float(np.min(np.asarray(heights, float))) + contact.value / 2, 0.0)

    def model(body: ReferenceMagnet, gap: Floats, nuisance: Floats) -> Floats:
        return force_between(body, body, gap, closest=closest, tolerance=1e-8)

    return _fit(
        "pair of like magnets", model, magnet, heights, force, u_force, contact, temperature, hold, {}
    )


def _fit(
    method: str,
    model: Callable[[ReferenceMagnet, Floats, Floats], Floats],
    magnet: ReferenceMagnet,
    heights: ArrayLike,
    measured: ArrayLike,
    u: ArrayLike | None,
    contact: Measured,
    temperature: float,
    hold: str | None,
    nuisances: dict[str, Measured],
    used: NDArray[np.bool_] | None = None,
    warnings: list[str] | None = None,
) -> Calibration:
    """Weighted least squares for remanence, contact and nuisances (scipy).

    ``u`` (n,) or one number: standard uncertainties of the readings; None: equal ones, estimated from the
    scatter. ``contact`` is where the search begins. ``hold`` = "remanence" or "contact": take that one as
    the bench file states it, with its uncertainty, and fit the other. ``temperature`` (K) of the magnet: the
    remanence is reported at 20 degrees Celsius.

    Nuisances (and what is held) enter as readings of themselves; one of uncertainty 0 is fixed. Where the
    scatter exceeds the stated uncertainties, these are widened by the reduced chi-squared (Birge).
    """
    from scipy.optimize import least_squares

    warnings = list(warnings or [])
    h, y = np.asarray(heights, float), np.asarray(measured, float)
    if h.shape != y.shape or h.ndim != 1:
        raise ValueError(f"heights {h.shape} and readings {y.shape} must be two lists of the same length")
    used = np.isfinite(h) & np.isfinite(y) & (np.ones(len(h), bool) if used is None else used)
    if hold not in (None, "remanence", "contact"):
        raise ValueError(f"hold must be remanence or contact, not {hold!r}")
    wanted = 2 if hold is None else 1
    if len(np.unique(h[used])) < wanted + 1:
        raise NotPossible(
            f"{len(np.unique(h[used]))} different heights are left; a calibration by {method} needs at least "
            f"{wanted + 1}, better ten, from the closest position to where the reading has fallen to a tenth"
        )
    warm = at_temperature(replace(magnet, remanence=Measured(1.0)), temperature).remanence.value
    given = {"remanence": magnet.remanence, "contact": contact, **nuisances}
    priors = {name: m for name, m in given.items() if name in nuisances or name == hold}
    free = [name for name in given if name not in priors or priors[name].u > 0]
    scale = np.array([_scale(name, given[name]) for name in free])
    soft_priors = [name for name in free if name in priors]

    def values_of(x: Floats) -> dict[str, float]:
        return {name: m.value for name, m in given.items()} | dict(zip(free, x * scale, strict=True))

    def fitted(x: Floats) -> Floats:
        now = values_of(x)
        body = replace(magnet, remanence=Measured(now["remanence"] * warm))
        return model(body, h[used] + now["contact"], np.array([now[name] for name in nuisances]))

    def search(x: Floats, sigma: Floats) -> Any:
        def misfit(x: Floats) -> Floats:
            now = values_of(x)
            own = [(now[name] - priors[name].value) / priors[name].u for name in soft_priors]
            return np.concatenate([(y[used] - fitted(x)) / sigma[used], own])

        found = least_squares(misfit, x, "3-point", bounds=(lowest, np.inf), xtol=1e-12, ftol=1e-12)
        if not found.success:
            raise NotPossible(f"the calibration by {method} does not settle on a result: {found.message}")
        return found

    lowest = np.full(len(free), -np.inf)
    for name, bottom in (("remanence", 1e-3), ("contact", 1e-6 - float(h[used].min()))):
        if name in free:
            lowest[free.index(name)] = bottom / scale[free.index(name)]
    start = np.maximum(np.array([given[name].value for name in free]) / scale, lowest + 1e-9)
    n, dof = int(used.sum()), int(used.sum()) - wanted
    if u is None:
        # Equal uncertainties, from the scatter: a few rounds, as what is held leans on them.
        sigma = np.full(len(h), float(np.max(np.abs(y[used]))))
        for _ in range(4):
            found = search(start, sigma)
            scatter = float(np.sum((y[used] - fitted(found.x)) ** 2)) / dof
            sigma = np.full(len(h), max(np.sqrt(scatter), 1e-12 * float(np.max(np.abs(y[used])))))
    else:
        sigma = np.array(np.broadcast_to(np.asarray(u, float), h.shape))
        if not np.all(sigma[used] > 0):
            raise ValueError("every reading needs a standard uncertainty greater than 0")
    found = search(start, sigma)
    if hold is None:
        _refuse_if_alike(method, found.jac[:n], free, h[used])

    reduced = float(np.sum(found.fun[:n] ** 2)) / dof
    widening = max(reduced, 1.0)
    information = found.jac[:n].T @ found.jac[:n] / widening + found.jac[n:].T @ found.jac[n:]
    covariance = np.linalg.inv(information) * np.outer(scale, scale)
    if u is not None and reduced > 1 + 3 * np.sqrt(2 / dof):
        warnings.append(
            f"the readings scatter {np.sqrt(reduced):.1f} times as much as their stated uncertainties: the "
            "result is widened by that; look for a tilted or displaced probe, magnet or sample"
        )
    residuals = np.full(len(h), np.nan)
    residuals[used] = found.fun[:n]
    # One bad reading drags the fit and makes its neighbours look bad: name only what stands out.
    odd = np.abs(np.nan_to_num(residuals)) > max(4.0, 2.5 * np.sqrt(widening))
    for i in np.flatnonzero(odd):
        warnings.append(f"reading {i + 1} is {abs(residuals[i]):.0f} standard uncertainties off the fit")

    values = values_of(found.x)
    u_of = {name: float(np.sqrt(covariance[i, i])) for i, name in enumerate(free)}
    remanence = Measured(float(values["remanence"]), u_of.get("remanence", 0.0))
    gap = Measured(float(values["contact"]), u_of.get("contact", 0.0))
    if hold is None and (remanence.u > WORST_U_REMANENCE * remanence.value or gap.u > WORST_U_CONTACT):
        raise NotPossible(
            f"the readings leave remanence and contact gap too vague: {_with_u(remanence, 1.0, 'T')} and "
            f"{_with_u(gap, 1e3, 'mm')}; {'; '.join([*warnings, _ADVICE])}"
        )
    both = [free.index(name) for name in ("remanence", "contact") if name in free]
    correlation = 0.0
    if len(both) == 2 and remanence.u > 0 and gap.u > 0:
        correlation = float(covariance[both[0], both[1]] / (remanence.u * gap.u))
    return Calibration(
        method, remanence, gap, correlation, tuple(free), found.x * scale, covariance, residuals, used,
        tuple(warnings),
    )  # fmt: skip


_ADVICE = (
    "take readings both closer and farther away, or state one of the two in the bench file and hold it "
    "(the contact gap by a feeler gauge, the remanence from a probe)"
)


def _refuse_if_alike(method: str, jacobian: Floats, free: list[str], h: Floats) -> None:
    """Refuse where readings (rows) answer to remanence and contact alike: see WORST_CONDITION."""
    columns = jacobian[:, [free.index("remanence"), free.index("contact")]]
    length = np.linalg.norm(columns, axis=0)
    alike = 1.0 if np.any(length == 0) else abs(columns[:, 0] @ columns[:, 1]) / np.prod(length)
    condition = np.sqrt((1 + alike) / max(1 - alike, 1e-300))
    if condition > WORST_CONDITION:
        raise NotPossible(
            f"these readings ({method}, heights {h.min() * 1e3:.2f} to {h.max() * 1e3:.2f} mm) cannot tell "
            f"the remanence from the contact gap: a change of one undoes a change of the other; {_ADVICE}"
        )


def _scale(name: str, m: Measured) -> float:
    """A step that matters, for the search: a millimetre for lengths, else the value itself."""
    return 1e-3 if name in ("contact", "probe_offset") else abs(m.value) or 1.0


def _with_u(m: Measured, factor: float, unit: str) -> str:
    """Value and standard uncertainty as the bench file writes them, rounded to two figures of the latter."""
    value, u = m.value * factor, m.u * factor
    if u <= 0:
        return f"{value:.6g} {unit}"
    digits = max(0, 1 - int(np.floor(np.log10(u))))
    return f"{value:.{digits}f} {unit} +/- {u:.{digits}f} {unit}"
