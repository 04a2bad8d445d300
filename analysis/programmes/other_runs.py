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
from ..forces.branches import points
from ..inversion.invert import invert
from ..inversion.loop import OtherRun
from ..records.arrays import Floats
from ..records.bench import Bench, Sample
from ..records.readings import Readings
from ..units import Measured
from .history_fit import HistoryFit, fit_history
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
    history = _fitted(source, readings, bench)
    used = int(history.points.used.sum())
    return OtherRun(source, readings.gives, used, history.misfit, history.likelihood)


def descending_branch(source: str, readings: Readings, bench: Bench) -> tuple[Floats, Floats]:
    """Internal field and M (m,), A/m, of the branch from a run's largest field down: of a loop as weighed, of
    another programme as the material that gives its readings has it.

    Raises InputError for a decay, NotPossible for readings that are too few or fit nothing.
    """
    if readings.gives == "decay":
        expected = "a loop, or a recoil, remanence or reversal run"
        raise InputError(source, [Fault("run", "a decay in one field", expected)])
    if readings.gives == "loop":
        branch = invert(points(readings, bench), bench).descending
    else:
        branch, _ = _fitted(source, readings, bench).loop()
    return branch.H_internal, branch.M


def _fitted(source: str, readings: Readings, bench: Bench) -> HistoryFit:
    """The readings' fit; raises NotPossible for a missed turn-over and a misfit."""
    turns = missed_turns(readings, bench)
    if turns:
        raise NotPossible(f"{source} cannot be counted: {turns[0].text}")
    history = fit_history(readings, bench, draws=1)
    if history.misfit > MISFIT:
        raise NotPossible(
            f"{source} cannot be counted: its readings fit no hypothesis (mean square {history.misfit:.1f}, "
            f"{MISFIT:g} at most): look at the bench file and the order of the rows"
        )
    return history


def _body(sample: Sample) -> Sample:
    """The body alone."""
    return replace(sample, name="", mass=None, offset=Measured(0.0))
