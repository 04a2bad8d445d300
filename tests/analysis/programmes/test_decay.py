"""The decay of magnetisation: Street and Woolley's law, with the balance's noise and drift on it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tests.support import EXAMPLES
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.files.bench_file import read_bench
from weighloop.analysis.forces.branches import mean_path
from weighloop.analysis.forces.force import force_per_kg
from weighloop.analysis.programmes.decay import decay
from weighloop.analysis.records.readings import Readings
from weighloop.tui.cli import weighloop

BENCH = read_bench(EXAMPLES / "wp-07-1.toml")
#: Volume of the example's disc by its stated size, m3.
VOLUME = np.pi / 4 * BENCH.sample.diameter.value**2 * BENCH.sample.height.value


def held(S: float, seed: int, *, drift: float = 0.0, count: int = 25, hours: float = 3.0) -> Readings:
    """Readings at one gap, in log time: M = 60 kA/m - S ln t (R. Street and J. C. Woolley, 1949)."""
    t = np.geomspace(20.0, 3600.0 * hours, count)
    nothing = np.full(count, np.nan)
    blank = Readings(
        row=np.arange(1, count + 1), gap=np.full(count, 5e-3), spacers=nothing,
        orientation=np.full(count, -1), reading=np.zeros(count), zero_before=np.zeros(count),
        zero_after=nothing, u_reading=np.full(count, 1e-6), temperature=nothing, time=t, note=("",) * count,
        set_aside=(None,) * count, settled_in=np.full(count, 20.0),
    )  # fmt: skip
    _, gradient = mean_path(blank, BENCH)
    M = 60e3 - S * np.log(t / t[0])
    pull = M * VOLUME * gradient / force_per_kg(BENCH.site)
    lighter = -1.0 if BENCH.balance.attraction == "lighter" else 1.0
    noise = 1e-6 * np.random.default_rng(seed).standard_normal(count)
    return replace(blank, reading=lighter * pull + drift * t + noise)


def test_the_coefficient_comes_back_with_an_honest_uncertainty() -> None:
    z = []
    for seed in range(40):
        drift = 20e-6 / 3600 * np.random.default_rng(1000 + seed).standard_normal()
        found = decay(held(400.0, seed, drift=drift), BENCH)
        z.append((abs(found.S) - 400.0) / found.u)
        assert found.u < 200.0
    assert np.sqrt(np.mean(np.square(z))) < 1.5


def test_nothing_but_drift_is_a_bound() -> None:
    told = [decay(held(0.0, seed, drift=10e-6 / 3600), BENCH) for seed in range(20)]
    assert sum(one.bound is None for one in told) <= 2
    assert all(0.0 < one.bound < 1e3 for one in told if one.bound is not None)
    assert all(one.drift_part > 0.5 for one in told)


def test_a_steady_zero_before_and_after_narrows_it() -> None:
    wide = decay(held(400.0, 1), BENCH)
    table = held(400.0, 1)
    narrow = decay(replace(table, zero_after=np.zeros(len(table))), BENCH)
    assert narrow.u < 0.9 * wide.u


def test_too_short_is_refused_in_words() -> None:
    with pytest.raises(NotPossible, match="8 or more"):
        decay(held(400.0, 1, count=5), BENCH)
    slow = held(400.0, 1)
    with pytest.raises(NotPossible, match="decade"):
        decay(
            replace(slow, time=1000.0 + 10.0 * np.arange(len(slow)), settled_in=np.full(len(slow), 900.0)),
            BENCH,
        )


def test_the_verb_prints_it(tmp_path: Path) -> None:
    table = held(400.0, 2)
    begun = datetime(2026, 3, 12, 9, tzinfo=UTC)
    lines = ["time,gap_mm,orientation,reading_g,zero_before_g,u_g"]
    for t, reading in zip(table.time, table.reading, strict=True):
        at = f"{begun + timedelta(seconds=float(t)):%Y-%m-%dT%H:%M:%S}"
        lines.append(f"{at},5.0,-1,{reading * 1e3:.6f},0,0.001")
    notebook = tmp_path / "held.csv"
    notebook.write_text("\n".join(lines) + "\n", encoding="utf-8")
    bench = str(EXAMPLES / "wp-07-1.toml")
    done = CliRunner().invoke(weighloop, ["figures", str(notebook), "--bench", bench, "--programme", "decay"])
    assert done.exit_code == 0, done.output
    assert "viscosity coefficient" in done.stdout
    wrong = CliRunner().invoke(
        weighloop, ["figures", str(notebook), "--bench", bench, "--programme", "deccay"]
    )
    assert "did you mean 'decay'" in wrong.output
