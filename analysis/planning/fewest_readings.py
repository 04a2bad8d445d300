"""As few readings as the answer needs: sparse plans tried from short to long until the expected uncertainty
is what was asked for, or more readings could not help."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from numpy.typing import ArrayLike

from ..errors import NotPossible
from ..figures.independent_inputs import FOLLOWED_ZERO, ZEROS
from ..figures.names import FIGURE_NAMES
from ..records.bench import Bench
from ..results import LoopResult
from .expected_uncertainty import expected
from .gap_ladder import LadderPlan, plan
from .passages import ZeroBy
from .settings import COUNTS, ENOUGH

#: A line of the budget that nothing of the bench file makes smaller, as those of "model:" and "inversion:".
OF_ANY_MODEL = "what any model of a sample is off by"
#: What more readings make smaller; every other line of a budget is shared by all readings.
_RANDOM = {
    *("readings", ZEROS, FOLLOWED_ZERO, "setting of each gap", "thickness of each single spacer"),
    *("inversion: what lies between the readings", "model: knees between the readings"),
}
CANNOT_HELP = "readings cannot help"
#: Asked where nothing is: no number, only that more readings could not help.
DEFAULT: Mapping[str, float | None] = {"coercivity_HcJ_A_per_m": None, "remanence_A_per_m": None}


@dataclass(frozen=True)
class Expectation:
    """One figure of a plan: ``asked`` and expected relative standard uncertainty ``u`` (None: no figure),
    its ``shared`` part, which no reading makes smaller, and the weightiest input of that part with its
    ``alone``; ``bound``: the sample is not expected to saturate."""

    figure: str
    asked: float | None
    u: float | None
    shared: float
    weightiest: str
    alone: float
    bound: bool = False

    @property
    def met(self) -> bool:
        """What was asked is reached."""
        return self.u is not None and self.asked is not None and self.u <= self.asked and not self.bound

    @property
    def exhausted(self) -> bool:
        """More readings could not help."""
        return self.u is not None and self.u**2 <= self.shared**2 * (1.0 + ENOUGH**2)

    def sentence(self) -> str:
        """What to expect, and what to do where readings are not what is missing."""
        symbol = FIGURE_NAMES[self.figure].symbol
        if self.u is None:
            return f"{symbol} is not expected to be measured: {self.weightiest}"
        what = "a lower bound with u" if self.bound else "u"
        text = f"{symbol}: {what} of {100 * self.u:.2g} % is expected"
        if self.asked is not None:
            text += f", {100 * self.asked:.2g} % asked"
        if self.met or not self.exhausted:
            return text
        kind, _, words = self.weightiest.partition(": ")
        alone = f"makes {100 * self.alone:.2g} %"
        if words or kind == OF_ANY_MODEL:
            return f"{text}; more readings cannot help: {words or kind} {alone} by itself"
        return f"{text}; more readings cannot help: the {kind} alone {alone}, so measure that better"


@dataclass(frozen=True)
class FewestReadings:
    """The shortest plan that does, what its readings would give, and what to expect of each figure asked
    for."""

    ladder: LadderPlan
    result: LoopResult
    expectations: tuple[Expectation, ...]

    def to_json(self) -> list[dict[str, Any]]:
        """Plain types only; relative uncertainties."""
        return [
            {
                "figure": e.figure,
                "asked": e.asked,
                "u_relative": e.u,
                "u_relative_shared": e.shared,
                "weightiest_shared_input": e.weightiest,
                "met": e.met,
                "more_readings_help": not e.exhausted,
            }
            for e in self.expectations
        ]


def wanted_figures(text: str) -> Mapping[str, float | None]:
    """What is asked of the figures: as ``parse_wanted``, or ``DEFAULT`` for "readings cannot help"."""
    return DEFAULT if text.strip() == CANNOT_HELP else parse_wanted(text)


def parse_wanted(text: str) -> dict[str, float | None]:
    """``"HcJ 1 %, Mr 0.8 %"`` as relative standard uncertainties by figure. Raises ValueError in words."""
    keys = {name.symbol: key for key, name in FIGURE_NAMES.items()}
    wanted: dict[str, float | None] = {}
    for part in filter(None, (part.strip() for part in text.split(","))):
        match = re.fullmatch(r"(\S+)\s+([0-9]{1,3}(?:\.[0-9]{1,6})?)\s*%", part)
        if match is None:
            raise ValueError(f'{part!r} is not a figure and a per cent, such as "HcJ 1 %"')
        symbol, percent = match[1], float(match[2])
        if symbol not in keys:
            raise ValueError(f"{symbol!r} is not a figure; there are {', '.join(keys)}")
        if not 0.01 <= percent <= 50:
            raise ValueError(f"{part!r}: between 0.01 % and 50 % can be asked")
        wanted[keys[symbol]] = percent / 100
    if not wanted:
        raise ValueError('nothing is asked; write figures and per cents, such as "HcJ 1 %, Mr 1 %"')
    return wanted


def fewest_readings(
    bench: Bench,
    wanted: Mapping[str, float | None] = DEFAULT,
    *,
    loop: tuple[ArrayLike, ArrayLike] | None = None,
    zeros: ZeroBy | None = None,
    target_u: float | None = None,
    trials: int = 300,
) -> FewestReadings:
    """The shortest sparse plan of ``COUNTS`` with which every figure ``wanted`` (relative u, or None) is
    expected as well known as asked, or as well as readings can make it; the longest where none does.

    ``loop``, ``zeros`` and ``target_u`` as in ``plan``. Raises NotPossible as ``plan`` does.
    """
    found: FewestReadings | None = None
    for count in COUNTS:
        ladder = plan(bench, count, loop=loop, zeros=zeros, target_u=target_u, sparse=True)
        if found is not None and len(ladder.steps) <= len(found.ladder.steps):
            break  # the bench has no more gaps than that
        result = expected(ladder, bench, trials=trials)
        expectations = tuple(_expectation(key, asked, result) for key, asked in wanted.items())
        found = FewestReadings(ladder, result, expectations)
        if all(e.met or e.exhausted for e in expectations):
            break
    if found is None:
        raise NotPossible("no ladder can be laid on this bench")
    return found


def _expectation(key: str, asked: float | None, result: LoopResult) -> Expectation:
    figure = result.figures.get(key)
    lines = [line for line in result.budget.get(key, ()) if line.input not in _RANDOM]
    if figure is None or not figure.value or figure.u is None or not lines:
        why = figure.why if figure is not None and figure.why else "the sample is not known to give it."
        return Expectation(key, asked, None, 0.0, why, 0.0)
    most = max(lines, key=lambda line: line.share)
    u = figure.u / abs(figure.value)
    shared = u * min(sum(line.share for line in lines), 1.0) ** 0.5
    bound = figure.status == "bound"
    return Expectation(key, asked, u, shared, most.input, u * most.share**0.5, bound)
