"""The desk's questions as functions that answer with tables: fields, factors, ladders, comparisons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from .files.bench_file import read_bench
from .magnetostatics.applied_field import field_table
from .magnetostatics.demagnetising_factor import DemagnetisingFactor
from .magnetostatics.demagnetising_factor import demag as factor_of
from .records.bench import Bench
from .run import Run
from .units import parse_measured

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import ArrayLike

    from .calibration.outcome import Calibration
    from .comparison import Comparison
    from .repeat import RepeatResult


def _bench(bench: str | Path | Bench) -> Bench:
    return bench if isinstance(bench, Bench) else read_bench(bench)


def field(bench: str | Path | Bench, gaps_m: ArrayLike) -> pd.DataFrame:
    """The reference magnet's field (T) and gradient (T/m) at gaps in m, (n,): on the axis at the height of
    the sample's centre, and averaged over the sample. A row a gap.

    Raises InputError for a faulty bench file, ValueError for a gap below zero. Needs ``[desk]``.

    >>> field("analysis/examples/wp-07-1.toml", [1e-3, 5e-3])["B_axis_T"].round(3).tolist()
    [0.351, 0.202]
    """
    import numpy as np
    import pandas as pd

    columns = field_table(_bench(bench), np.atleast_1d(np.asarray(gaps_m, float)))
    return pd.DataFrame(columns).set_index("gap_m")


def demag(shape: str, **lengths_m: float) -> DemagnetisingFactor:
    """The magnetometric demagnetising factor of a cylinder, block, sphere or spheroid magnetised along its
    height, for a susceptibility of zero; sizes in m (``diameter``, ``height``, ``length``, ``width``).

    A sphere's is a third (Osborn, Phys. Rev. 67 (1945) 351).

    >>> round(demag("sphere", diameter=6e-3).axial, 6)
    0.333333
    """
    return factor_of(shape, **lengths_m)


def plan(bench: str | Path | Bench, points: int = 24) -> pd.DataFrame:
    """The gap ladder of a loop in history-safe order, a row a step: gap, spacers, orientation, applied field
    and the reading that is expected; SI. Raises NotPossible where the pull lifts the magnet off the pan or
    passes the balance's capacity. Needs ``[desk]``.

    >>> ladder = plan("analysis/examples/wp-07-1.toml", points=12)
    >>> len(ladder), sorted(set(ladder.orientation))
    (58, [-1, 1])
    """
    import pandas as pd

    from .planning.gap_ladder import plan as ladder_of

    steps = [asdict(step) for step in ladder_of(_bench(bench), points).steps]
    names = {"gap": "gap_m", "H_applied": "H_applied_A_per_m", "predicted_reading": "predicted_reading_kg"}
    return pd.DataFrame(steps).rename(columns=names).set_index("step")


def compare(runs: Sequence[Run]) -> Comparison:
    """Runs side by side: each figure's differences against their joint uncertainty, in which the inputs that
    the runs share cancel; ``to_json()`` has it all. Raises ValueError for fewer than two runs."""
    from .comparison import compare as compare_results

    return compare_results([run.result for run in runs])


def repeat(runs: Sequence[Run]) -> RepeatResult:
    """Loops of one sample, run again and again: each figure against time and temperature, what it repeats to
    apart from these, and the temperature coefficients of remanence and HcJ; ``to_json()`` has it all.

    Raises NotPossible for fewer than three loops, InputError for loops of different samples, ValueError for
    runs with different settings, whose trials have nothing in common.
    """
    from .repeat import analyse_loops

    if any(run.settings != runs[0].settings for run in runs):
        raise ValueError("the runs are to be analysed with different settings; give all the same")
    inputs = [(run.readings, run.bench) for run in runs]
    return analyse_loops(inputs, **(runs[0].settings if runs else {}))


def calibrate(
    bench: str | Path | Bench,
    readings: Mapping[str, str | Path],
    *,
    hold: Literal["remanence", "contact"] | None = None,
    gauge: tuple[str, str] | None = None,
    probe_depth: str = "0 mm +/- 0.2 mm",
    probe_gain: float = 0.01,
    moment: str | None = None,
    hard: bool = False,
) -> Calibration:
    """What the reference magnet, the contact gap and the heights really are, from ``readings``: a CSV by the
    way it was taken (``"probe"``, ``"standard"``, ``"pair"``, ``"coil"``), all in one least-squares fit.

    The columns and the settings are those of ``weighloop calibrate``; quantities are texts with units.
    ``gauge``: a gauge block's thickness and the difference of the heights that it stands for; ``moment``: the
    standard's. The result's ``remanence`` (T), ``contact`` (m), ``names``, ``values`` (p,) and ``covariance``
    (p, p) are SI; ``applied_to`` gives the bench with them. Raises InputError for a faulty file, NotPossible
    where the readings cannot tell remanence from contact, ValueError for an unknown way.

    Here a magnet of 1.30 T at a contact gap of 1.0 mm, its field on the axis by the closed form of a cylinder
    (20 x 10 mm), typed as a probe shows it:

    >>> from pathlib import Path
    >>> rows = "0,416.28 1.5,349.92 3,287.52 5,216.78 8,140.37 12,80.89 16,49.28"
    >>> header = "height_mm,B_mT"
    >>> _ = Path("probe.csv").write_text("\\n".join([header, *rows.split()]))
    >>> found = calibrate("analysis/examples/wp-07-1.toml", {"probe": "probe.csv"})
    >>> round(found.remanence.value, 1), round(found.contact.value * 1e3, 1)
    (1.3, 1.0)
    """
    from .calibration.from_files import calibrate_from_files

    found, _ = calibrate_from_files(
        _bench(bench),
        [(way, Path(path)) for way, path in readings.items()],
        hold=hold,
        gauge=None if gauge is None else (parse_measured(gauge[0], "m"), parse_measured(gauge[1], "m")),
        probe_depth=parse_measured(probe_depth, "m"),
        probe_gain=probe_gain,
        moment=None if moment is None else parse_measured(moment, "A*m^2"),
        hard=hard,
    )
    return found
