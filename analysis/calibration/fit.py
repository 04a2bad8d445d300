"""The fit behind a calibration: least squares over everything the bench was calibrated with.

Each kind of reading (a probe's field, a coil's pull, a standard's ...) predicts itself from the same bench:
remanence, core, sizes, contact gap, scale of the heights; and from what is its own (a probe's gain, a coil's
area). What is known of any of these beforehand takes part as one more reading (JCGM 102:2011, and least
squares with prior information). A magnet that is uneven bends near readings as another contact gap would: the
core is always among the unknowns, or remanence and contact gap would be wrong with a small uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import NotPossible
from ..magnetostatics.reference_magnet import at_temperature
from ..records.arrays import Floats
from ..records.bench import ReferenceMagnet
from ..units import Measured
from .outcome import Calibration, with_u, words
from .settings import (
    MODEL_FLOOR,
    WORST_CHI_SQUARE,
    WORST_CONDITION,
    WORST_PULL,
    WORST_U_CONTACT,
    WORST_U_REMANENCE,
)

#: A reading predicted for a magnet, at gaps (n,) in m, with the source's own values in the order given.
Model = Callable[[ReferenceMagnet, Floats, Floats], Floats]

#: What of a magnet may be known beforehand, besides its remanence.
KNOWN_OF_MAGNET = (
    "height", "diameter", "length", "width", "outer_diameter", "inner_diameter", "core_excess",
)  # fmt: skip

_ADVICE = (
    "take readings both closer and farther away, or state one of the two in the bench file and hold it "
    "(the contact gap by a feeler gauge, the remanence from a probe)"
)


@dataclass(frozen=True, eq=False)
class Source:
    """Readings ``measured`` (n,) at ``heights`` (n,) in m, and what predicts them.

    ``nuisances`` are what is the source's own; one of uncertainty 0 is fixed. ``u`` (n,) or one for all are
    the readings' standard uncertainties, None: equal ones, from the scatter. ``used`` (n,): rows that take
    part.
    """

    method: str
    model: Model
    heights: Floats
    measured: Floats
    u: Floats | float | None = None
    nuisances: dict[str, Measured] = field(default_factory=dict)
    used: NDArray[np.bool_] | None = None
    warnings: tuple[str, ...] = ()
    #: Of a coil, +1 or -1 (n,) for the end that was down.
    ends: Floats | None = None

    @cached_property
    def rows(self) -> NDArray[np.bool_]:
        """Which rows take part, (n,)."""
        known = np.isfinite(self.heights) & np.isfinite(self.measured)
        return known if self.used is None else known & self.used

    @cached_property
    def largest(self) -> float:
        """The largest reading."""
        return float(np.max(np.abs(self.measured[self.rows])))

    def spread(self, magnet: ReferenceMagnet, own: Floats | float | None = None) -> Floats:
        """What the readings may be off a fit by, (n,): their ``own`` uncertainty (None: as stated), and what
        two zones leave out of a ``magnet`` that may be uneven: no fit meets a gram to a milligram."""
        floor = MODEL_FLOOR if magnet.core_excess.u > 0 else 0.0
        return np.hypot(np.asarray(self.u if own is None else own, float), floor * np.abs(self.measured))

    def check(self) -> None:
        """Raises ValueError for readings that do not belong together."""
        h, y = self.heights, self.measured
        if h.shape != y.shape or h.ndim != 1:
            raise ValueError(f"heights {h.shape} and readings {y.shape} must be two lists of the same length")
        if self.u is not None and not np.all(
            np.broadcast_to(np.asarray(self.u, float), h.shape)[self.rows] > 0
        ):
            raise ValueError("every reading needs a standard uncertainty greater than 0")


@dataclass(frozen=True, eq=False)
class Problem:
    """``sources`` of readings over one bench.

    ``scale`` is true height by stated height. ``hold`` = "remanence" or "contact": take that one as
    stated, with its uncertainty, and fit the other. ``stated``: take both as stated, as readings of
    themselves (a remanence or contact stated without uncertainty stays free). ``temperature`` (K) is the
    magnet's.
    """

    sources: Sequence[Source]
    magnet: ReferenceMagnet
    contact: Measured
    temperature: float
    hold: str | None = None
    scale: Measured = Measured(1.0)
    stated: bool = False

    def solve(self) -> Calibration:
        """Fit all. Where the scatter of a source exceeds its stated uncertainties, these are widened by the
        reduced chi-squared (Birge).

        Raises NotPossible where the data cannot tell remanence from contact, or (``stated``) where the
        model does not hold; ValueError for readings that do not belong together.
        """
        if self.hold not in (None, "remanence", "contact"):
            raise ValueError(f"hold must be remanence or contact, not {self.hold!r}")
        for source in self.sources:
            source.check()
        self._enough()
        x = self._start
        sigma = [s.spread(self.magnet, s.largest if s.u is None else None)[s.rows] for s in self.sources]
        # A few rounds where the scatter is the readings' weight, as what is held leans on it.
        for _ in range(4 if any(s.u is None for s in self.sources) else 0):
            x = self._search(x, sigma).x
            for i, (source, fitted) in enumerate(zip(self.sources, self._fitted(x), strict=True)):
                if source.u is None:
                    off = float(np.sum((source.measured[source.rows] - fitted) ** 2))
                    own = max(np.sqrt(off / self._freedom(source)), 1e-12 * source.largest)
                    sigma[i] = source.spread(self.magnet, own)[source.rows]
        found = self._search(x, sigma)
        counts = np.cumsum([int(s.rows.sum()) for s in self.sources])
        n = int(counts[-1])
        if self.hold is None and not self.stated:
            self._refuse_if_alike(found.jac[:n])
        parts = np.split(found.fun[:n], counts[:-1])
        chi = [float(p @ p) / self._freedom(s) for s, p in zip(self.sources, parts, strict=True)]
        weight = np.concatenate([np.full(len(p), 1.0 / max(c, 1.0)) for p, c in zip(parts, chi, strict=True)])
        information = found.jac[:n].T @ (found.jac[:n] * weight[:, None]) + found.jac[n:].T @ found.jac[n:]
        covariance = np.linalg.inv(information) * np.outer(self._scale, self._scale)
        residuals = []
        for source, part in zip(self.sources, parts, strict=True):
            residuals.append(np.full(len(source.rows), np.nan))
            residuals[-1][source.rows] = part
        pulls = dict(zip([n for n in self._free if n in self._priors], found.fun[n:].tolist(), strict=True))
        warnings = self._warnings(chi, residuals)
        if self.stated:
            self._refuse_if_odd(chi, pulls)
        return self._report(found.x, covariance, residuals, chi, pulls, warnings)

    def _freedom(self, source: Source) -> float:
        """Degrees of freedom of a source: each takes its part of what all have to tell."""
        n, total = int(source.rows.sum()), sum(int(s.rows.sum()) for s in self.sources)
        return max(n - self._wanted * n / total, 1.0)

    @property
    def _wanted(self) -> int:
        """How many of remanence and contact the readings alone have to tell."""
        return sum(name not in self._priors for name in ("remanence", "contact"))

    @cached_property
    def _of_magnet(self) -> dict[str, Measured]:
        """What of the magnet the bench file gives an uncertainty, besides the remanence."""
        known: dict[str, Measured | None] = {name: getattr(self.magnet, name) for name in KNOWN_OF_MAGNET}
        return {name: m for name, m in known.items() if m is not None and m.u > 0}

    @cached_property
    def _given(self) -> dict[str, Measured]:
        both = {"remanence": self.magnet.remanence, "contact": self.contact}
        scale = {"scale": self.scale} if self.scale.u > 0 else {}
        own = {name: m for source in self.sources for name, m in source.nuisances.items()}
        return both | own | self._of_magnet | scale

    @cached_property
    def _priors(self) -> dict[str, Measured]:
        """What is known beforehand and takes part as a reading of itself, or is fixed."""
        main = {"remanence", "contact"}
        stated = {name for name in main if self.stated and self._given[name].u > 0}
        return {name: m for name, m in self._given.items() if name not in main - stated - {self.hold}}

    @cached_property
    def _free(self) -> list[str]:
        return [name for name in self._given if name not in self._priors or self._priors[name].u > 0]

    @cached_property
    def _scale(self) -> Floats:
        """The search's unit for each parameter: its own uncertainty where it has one, else a millimetre
        for a length, else the value itself."""
        units = {"contact": 1e-3, "probe_offset": 1e-3}
        return np.array(
            [units.get(name) or abs(self._given[name].value) or self._given[name].u for name in self._free]
        )

    @cached_property
    def _lowest(self) -> Floats:
        """The remanence stays positive, and no gap closes."""
        closest = min(float(s.heights[s.rows].min()) for s in self.sources)
        bottom = {"remanence": 1e-3, "contact": 1e-6 - closest}
        return np.array([bottom.get(name, -np.inf) for name in self._free]) / self._scale

    @property
    def _start(self) -> Floats:
        stated = np.array([self._given[name].value for name in self._free]) / self._scale
        return np.maximum(stated, self._lowest + 1e-9)

    @cached_property
    def _strength(self) -> float:
        """Remanence at the magnet's temperature over that at 20 degrees Celsius."""
        return at_temperature(replace(self.magnet, remanence=Measured(1.0)), self.temperature).remanence.value

    def _enough(self) -> None:
        wanted = self._wanted + 1
        different = len(np.unique(np.concatenate([s.heights[s.rows] for s in self.sources])))
        if different < wanted:
            raise NotPossible(
                f"{different} different heights are left; a calibration by {self._method} needs at least "
                f"{wanted}, better ten, from the closest position to where the reading has fallen to a tenth"
            )

    @property
    def _method(self) -> str:
        return " and ".join(s.method for s in self.sources)

    def _values(self, x: Floats) -> dict[str, float]:
        stated = {name: m.value for name, m in self._given.items()}
        return stated | dict(zip(self._free, (x * self._scale).tolist(), strict=True))

    def _fitted(self, x: Floats) -> list[Floats]:
        now = self._values(x)
        known: dict[str, Any] = {name: Measured(now[name]) for name in self._of_magnet}
        body = replace(self.magnet, remanence=Measured(now["remanence"] * self._strength), **known)
        scale = now.get("scale", self.scale.value)
        return [
            s.model(body, scale * s.heights[s.rows] + now["contact"], np.array([now[n] for n in s.nuisances]))
            for s in self.sources
        ]

    def _search(self, start: Floats, sigma: list[Floats]) -> Any:
        from scipy.optimize import least_squares

        def residuals(x: Floats) -> Floats:
            now = self._values(x)
            own = [
                (now[name] - self._priors[name].value) / self._priors[name].u
                for name in self._free
                if name in self._priors
            ]
            off = [
                (s.measured[s.rows] - fitted) / spread
                for s, fitted, spread in zip(self.sources, self._fitted(x), sigma, strict=True)
            ]
            return np.concatenate([*off, own])

        found = least_squares(
            residuals, start, "3-point", bounds=(self._lowest, np.inf), xtol=1e-12, ftol=1e-12
        )
        if not found.success:
            raise NotPossible(
                f"the calibration by {self._method} does not settle on a result: {found.message}"
            )
        return found

    def _warnings(self, chi: list[float], residuals: list[Floats]) -> list[str]:
        warnings = [text for source in self.sources for text in source.warnings]
        if not self._of_magnet.keys() - {"core_excess"}:
            warnings.append("the magnet's sizes are stated without uncertainty, and taken as exact")
        for source, reduced, residual in zip(self.sources, chi, residuals, strict=True):
            whose = f" of the {source.method}" if len(self.sources) > 1 else ""
            if source.u is not None and reduced > 1 + 3 * np.sqrt(2 / self._freedom(source)):
                warnings.append(
                    f"the readings{whose} scatter {np.sqrt(reduced):.1f} times as much as their stated "
                    "uncertainties: the result is widened by that; look for a tilted or displaced probe, "
                    "magnet or sample"
                )
            # One bad reading drags the fit and makes its neighbours look bad: name only what stands out.
            odd = np.abs(np.nan_to_num(residual)) > max(4.0, 2.5 * np.sqrt(max(reduced, 1.0)))
            warnings += [
                f"reading {i + 1}{whose} is {abs(residual[i]):.0f} standard uncertainties off the fit"
                for i in np.flatnonzero(odd)
            ]
        return warnings

    def _refuse_if_odd(self, chi: list[float], pulls: dict[str, float]) -> None:
        """Refuse where the model of the bench does not hold: see WORST_CHI_SQUARE."""
        faults = [
            f"the readings of the {s.method} are missed by {np.sqrt(c):.1f} standard uncertainties (rms)"
            for s, c in zip(self.sources, chi, strict=True)
            if c > WORST_CHI_SQUARE and s.u is not None
        ]
        faults += [
            f"the {words(name)} would have to be {abs(pull):.1f} standard uncertainties "
            f"{'above' if pull > 0 else 'below'} what is stated"
            for name, pull in pulls.items()
            if abs(pull) > WORST_PULL
        ]
        if faults:
            raise NotPossible(
                f"no bench of the kind described fits this calibration: {'; '.join(faults)}. "
                "Check heights, currents and the coil's or probe's data; a magnet with a narrow strong spot, "
                "cracked or chipped, cannot be calibrated so: take another."
            )

    def _refuse_if_alike(self, jacobian: Floats) -> None:
        """Refuse where readings (rows) answer to remanence and contact alike: see WORST_CONDITION."""
        columns = jacobian[:, [self._free.index("remanence"), self._free.index("contact")]]
        length = np.linalg.norm(columns, axis=0)
        alike = 1.0 if np.any(length == 0) else abs(columns[:, 0] @ columns[:, 1]) / np.prod(length)
        if np.sqrt((1 + alike) / max(1 - alike, 1e-300)) > WORST_CONDITION:
            h = np.concatenate([s.heights[s.rows] for s in self.sources]) * 1e3
            raise NotPossible(
                f"these readings ({self._method}, heights {h.min():.2f} to {h.max():.2f} mm) cannot tell the "
                f"remanence from the contact gap: a change of one undoes a change of the other; {_ADVICE}"
            )

    def _report(
        self,
        x: Floats,
        covariance: Floats,
        residuals: list[Floats],
        chi: list[float],
        pulls: dict[str, float],
        warnings: list[str],
    ) -> Calibration:
        values = self._values(x)
        u = dict(zip(self._free, np.sqrt(np.diag(covariance)).tolist(), strict=True))
        remanence = Measured(values["remanence"], u.get("remanence", 0.0))
        contact = Measured(values["contact"], u.get("contact", 0.0))
        vague = remanence.u > WORST_U_REMANENCE * remanence.value or contact.u > WORST_U_CONTACT
        if self.hold is None and vague:
            raise NotPossible(
                f"the readings leave remanence and contact gap too vague: {with_u(remanence, 1.0, 'T')} and "
                f"{with_u(contact, 1e3, 'mm')}; {'; '.join([*warnings, _ADVICE])}"
            )
        return Calibration(
            method=self._method,
            remanence=remanence,
            contact=contact,
            names=tuple(self._free),
            values=x * self._scale,
            covariance=covariance,
            residuals=np.concatenate(residuals),
            used=np.concatenate([s.rows for s in self.sources]),
            warnings=tuple(warnings),
            stated={name: m for name, m in self._given.items() if name in self._free},
            pulls=pulls,
            chi_square=dict(zip([s.method for s in self.sources], chi, strict=True)),
            temperature=self.temperature,
        )
