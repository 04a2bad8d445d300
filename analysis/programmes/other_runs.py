"""Other runs of a loop's sample: what they say of how its parts feel one another.

A loop of a sample that does not saturate hardly tells whether its parts feel one another as its shape has
it or each its own magnetisation alone; on the minor curves of a recoil, remanence or reversal run the two
differ. Its readings have a likelihood under each hypothesis, as the loop's have, and the two are multiplied:
the runs are independent of one another.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from ..errors import Fault, InputError, NotPossible
from ..inversion.loop import OtherRun
from ..records.bench import Bench, Sample
from ..records.readings import Readings
from ..units import Measured
from .history_fit import fit_history
from .settings import MISFIT
from .turns import missed_turns


def other_runs(loop: Bench, runs: Iterable[tuple[str, Readings, Bench]]) -> tuple[OtherRun, ...]:
    """What ``runs`` of the ``loop``'s sample, each by its name, say of its own field.

    Raises InputError for a run of another sample, NotPossible for one whose readings are too few or fit
    nothing.
    """
    return tuple(_other_run(loop.sample, *run) for run in runs)


def _other_run(sample: Sample, source: str, readings: Readings, bench: Bench) -> OtherRun:
    if bench.sample.name != sample.name:
        expected = f"a run of the loop's own sample, {sample.name!r}"
        raise InputError(source, [Fault("sample", repr(bench.sample.name), expected)])
    if _body(bench.sample) != _body(sample):
        expected = "the shape and the sizes that the loop's bench file gives it"
        raise InputError(source, [Fault("sample", "another shape or other sizes", expected)])
    if readings.gives == "decay":
        expected = "a recoil, remanence or reversal run, or another loop"
        raise InputError(source, [Fault("run", "a decay in one field", expected)])
    turns = missed_turns(readings, bench)
    if turns:
        raise NotPossible(f"{source} cannot be counted: {turns[0].text}")
    history = fit_history(readings, bench, draws=1)
    if history.misfit > MISFIT:
        raise NotPossible(
            f"{source} cannot be counted: its readings fit no hypothesis (mean square {history.misfit:.1f}, "
            f"{MISFIT:g} at most): look at the bench file and the order of the rows"
        )
    used = int(history.points.used.sum())
    return OtherRun(source, readings.gives, used, history.misfit, history.likelihood)


def _body(sample: Sample) -> Sample:
    """The body alone."""
    return replace(sample, name="", mass=None, offset=Measured(0.0))
