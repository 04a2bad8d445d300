"""The fit behind a calibration: weighted least squares that knows what its data cannot tell."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import NotPossible
from ..magnetostatics.reference_magnet import at_temperature
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet
from ..units import Measured, decimals

#: A reading predicted for a magnet, at gaps (n,) in m, with the nuisances' values in the order given.
Model = Callable[[ReferenceMagnet, Floats, Floats], Floats]

#: What of a magnet is a length.
SIZES = ("height", "diameter", "length", "width", "outer_diameter", "inner_diameter")
#: Refusal: the two columns of the fit's Jacobian, each scaled to length 1, have this condition number when a
#: change of the contact gap can be undone to 1 % by a change of the remanence (correlation 0.9998). Ours.
WORST_CONDITION = 100.0
#: Refusal: a calibration vaguer than this is worth less than a data sheet and a feeler gauge. Ours.
WORST_U_REMANENCE = 0.05  # relative
WORST_U_CONTACT = 0.3e-3  # m

_ADVICE = (
    "take readings both closer and farther away, or state one of the two in the bench file and hold it "
    "(the contact gap by a feeler gauge, the remanence from a probe)"
)


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
        """The result as lines of a bench file (TOML).

        Together the two are known much better than either alone, where they correlate: they keep two
        digits more than their own uncertainties would, so that rounding does not part them.
        """
        return (
            "[reference_magnet]\n"
            f'remanence = "{_with_u(self.remanence, 1.0, "T", more=2)}"\n'
            f"remanence_contact_correlation = {self.correlation:.6f}\n\n"
            "[gap]\n"
            f'contact = "{_with_u(self.contact, 1e3, "mm", more=2)}"\n'
        )


@dataclass(frozen=True, eq=False)
class Problem:
    """Readings ``measured`` (n,) at ``heights`` (n,) in m, and what predicts them.

    ``contact`` is where the search begins. ``hold`` = "remanence" or "contact": take that one as stated, with
    its uncertainty, and fit the other. ``temperature`` (K) is the magnet's. ``nuisances``, and what is held,
    enter as readings of themselves; one of uncertainty 0 is fixed. ``used`` (n,): rows that take part.
    """

    method: str
    model: Model
    magnet: ReferenceMagnet
    contact: Measured
    heights: Floats
    measured: Floats
    temperature: float
    hold: str | None = None
    nuisances: dict[str, Measured] = field(default_factory=dict)
    used: NDArray[np.bool_] | None = None
    warnings: tuple[str, ...] = ()

    def solve(self, u: Floats | float | None) -> Calibration:
        """Fit, with standard uncertainties ``u`` of the readings; None: equal ones, from the scatter.

        Where the scatter exceeds the stated uncertainties, these are widened by the reduced chi-squared
        (Birge). Raises NotPossible where the data cannot tell remanence from contact, ValueError for
        readings that do not belong together.
        """
        self._check()
        rows, dof = self._rows, int(self._rows.sum()) - self._wanted
        n = int(rows.sum())
        x = self._start
        if u is None:
            sigma = np.full(len(rows), self._largest)
            # A few rounds, as what is held leans on the readings' weight.
            for _ in range(4):
                x = self._search(x, sigma).x
                scatter = float(np.sum((self.measured[rows] - self._fitted(x)) ** 2)) / dof
                sigma = np.full(len(rows), max(np.sqrt(scatter), 1e-12 * self._largest))
        else:
            sigma = np.array(np.broadcast_to(np.asarray(u, float), rows.shape))
            if not np.all(sigma[rows] > 0):
                raise ValueError("every reading needs a standard uncertainty greater than 0")
        found = self._search(x, sigma)
        if self.hold is None:
            self._refuse_if_alike(found.jac[:n])

        reduced = float(np.sum(found.fun[:n] ** 2)) / dof
        widening = max(reduced, 1.0)
        information = found.jac[:n].T @ found.jac[:n] / widening + found.jac[n:].T @ found.jac[n:]
        covariance = np.linalg.inv(information) * np.outer(self._scale, self._scale)
        residuals = np.full(len(rows), np.nan)
        residuals[rows] = found.fun[:n]
        warnings = list(self.warnings)
        if not self._sizes:
            warnings.append("the magnet's sizes are stated without uncertainty, and taken as exact")
        if u is not None and reduced > 1 + 3 * np.sqrt(2 / dof):
            warnings.append(
                f"the readings scatter {np.sqrt(reduced):.1f} times as much as their stated uncertainties: "
                "the result is widened by that; look for a tilted or displaced probe, magnet or sample"
            )
        # One bad reading drags the fit and makes its neighbours look bad: name only what stands out.
        odd = np.abs(np.nan_to_num(residuals)) > max(4.0, 2.5 * np.sqrt(widening))
        for i in np.flatnonzero(odd):
            warnings.append(f"reading {i + 1} is {abs(residuals[i]):.0f} standard uncertainties off the fit")
        return self._report(found.x, covariance, residuals, warnings)

    @cached_property
    def _rows(self) -> NDArray[np.bool_]:
        known = np.isfinite(self.heights) & np.isfinite(self.measured)
        return known if self.used is None else known & self.used

    @property
    def _wanted(self) -> int:
        """How many of remanence and contact the readings have to tell."""
        return 2 if self.hold is None else 1

    @property
    def _largest(self) -> float:
        return float(np.max(np.abs(self.measured[self._rows])))

    @cached_property
    def _sizes(self) -> dict[str, Measured]:
        """The magnet's sizes that the bench file gives an uncertainty."""
        sizes: dict[str, Measured | None] = {name: getattr(self.magnet, name) for name in SIZES}
        return {name: m for name, m in sizes.items() if m is not None and m.u > 0}

    @cached_property
    def _given(self) -> dict[str, Measured]:
        both = {"remanence": self.magnet.remanence, "contact": self.contact}
        return both | self.nuisances | self._sizes

    @cached_property
    def _priors(self) -> dict[str, Measured]:
        """What is known beforehand and takes part as a reading of itself, or is fixed."""
        known = self.nuisances.keys() | self._sizes.keys() | {self.hold}
        return {name: m for name, m in self._given.items() if name in known}

    @cached_property
    def _free(self) -> list[str]:
        return [name for name in self._given if name not in self._priors or self._priors[name].u > 0]

    @cached_property
    def _scale(self) -> Floats:
        """The search's unit for each parameter: a millimetre for lengths, else the value itself."""
        units = {"contact": 1e-3, "probe_offset": 1e-3}
        return np.array([units.get(name, abs(self._given[name].value) or 1.0) for name in self._free])

    @cached_property
    def _lowest(self) -> Floats:
        """The remanence stays positive, and no gap closes."""
        bottom = {"remanence": 1e-3, "contact": 1e-6 - float(self.heights[self._rows].min())}
        return np.array([bottom.get(name, -np.inf) for name in self._free]) / self._scale

    @property
    def _start(self) -> Floats:
        stated = np.array([self._given[name].value for name in self._free]) / self._scale
        return np.maximum(stated, self._lowest + 1e-9)

    @cached_property
    def _strength(self) -> float:
        """Remanence at the magnet's temperature over that at 20 degrees Celsius."""
        return at_temperature(replace(self.magnet, remanence=Measured(1.0)), self.temperature).remanence.value

    def _check(self) -> None:
        h, y = self.heights, self.measured
        if h.shape != y.shape or h.ndim != 1:
            raise ValueError(f"heights {h.shape} and readings {y.shape} must be two lists of the same length")
        if self.hold not in (None, "remanence", "contact"):
            raise ValueError(f"hold must be remanence or contact, not {self.hold!r}")
        different = len(np.unique(h[self._rows]))
        if different < self._wanted + 1:
            raise NotPossible(
                f"{different} different heights are left; a calibration by {self.method} needs at least "
                f"{self._wanted + 1}, better ten, from the closest position to where the reading has fallen "
                "to a tenth"
            )

    def _values(self, x: Floats) -> dict[str, float]:
        stated = {name: m.value for name, m in self._given.items()}
        return stated | dict(zip(self._free, (x * self._scale).tolist(), strict=True))

    def _fitted(self, x: Floats) -> Floats:
        now = self._values(x)
        sizes: dict[str, Any] = {name: Measured(now[name]) for name in self._sizes}
        body = replace(self.magnet, remanence=Measured(now["remanence"] * self._strength), **sizes)
        gap = self.heights[self._rows] + now["contact"]
        return self.model(body, gap, np.array([now[name] for name in self.nuisances]))

    def _search(self, start: Floats, sigma: Floats) -> Any:
        from scipy.optimize import least_squares

        rows = self._rows

        def misfit(x: Floats) -> Floats:
            now = self._values(x)
            own = [
                (now[name] - self._priors[name].value) / self._priors[name].u
                for name in self._free
                if name in self._priors
            ]
            return np.concatenate([(self.measured[rows] - self._fitted(x)) / sigma[rows], own])

        found = least_squares(misfit, start, "3-point", bounds=(self._lowest, np.inf), xtol=1e-12, ftol=1e-12)
        if not found.success:
            raise NotPossible(
                f"the calibration by {self.method} does not settle on a result: {found.message}"
            )
        return found

    def _refuse_if_alike(self, jacobian: Floats) -> None:
        """Refuse where readings (rows) answer to remanence and contact alike: see WORST_CONDITION."""
        columns = jacobian[:, [self._free.index("remanence"), self._free.index("contact")]]
        length = np.linalg.norm(columns, axis=0)
        alike = 1.0 if np.any(length == 0) else abs(columns[:, 0] @ columns[:, 1]) / np.prod(length)
        if np.sqrt((1 + alike) / max(1 - alike, 1e-300)) > WORST_CONDITION:
            h = self.heights[self._rows] * 1e3
            raise NotPossible(
                f"these readings ({self.method}, heights {h.min():.2f} to {h.max():.2f} mm) cannot tell the "
                f"remanence from the contact gap: a change of one undoes a change of the other; {_ADVICE}"
            )

    def _report(self, x: Floats, covariance: Floats, residuals: Floats, warnings: list[str]) -> Calibration:
        spread = np.sqrt(np.diag(covariance))
        u = dict(zip(self._free, spread.tolist(), strict=True))
        values = self._values(x)
        remanence = Measured(values["remanence"], u.get("remanence", 0.0))
        contact = Measured(values["contact"], u.get("contact", 0.0))
        vague = remanence.u > WORST_U_REMANENCE * remanence.value or contact.u > WORST_U_CONTACT
        if self.hold is None and vague:
            raise NotPossible(
                f"the readings leave remanence and contact gap too vague: {_with_u(remanence, 1.0, 'T')} and "
                f"{_with_u(contact, 1e3, 'mm')}; {'; '.join([*warnings, _ADVICE])}"
            )
        correlation = 0.0
        if "remanence" in u and "contact" in u:
            shared = covariance[self._free.index("remanence"), self._free.index("contact")]
            correlation = float(shared / (remanence.u * contact.u))
        return Calibration(
            method=self.method,
            remanence=remanence,
            contact=contact,
            correlation=correlation,
            names=tuple(self._free),
            values=x * self._scale,
            covariance=covariance,
            residuals=residuals,
            used=self._rows,
            warnings=tuple(warnings),
        )


def _with_u(m: Measured, factor: float, unit: str, more: int = 0) -> str:
    """Value and standard uncertainty as the bench file writes them, rounded to two figures of the latter
    and ``more``."""
    value, u = m.value * factor, m.u * factor
    if u <= 0:
        return f"{value:.6g} {unit}"
    digits = decimals(u) + more
    return f"{value:.{digits}f} {unit} +/- {u:.{digits}f} {unit}"
