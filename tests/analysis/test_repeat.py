"""Loops run again and again: temperature coefficients, repeatability, what all loops have in common.

The regression against SciPy's (``scipy.optimize.curve_fit`` with the whole covariance matrix of the loops),
the coefficients against samples whose branches are closed formulas with known coefficients: hard ferrite's,
from memory about -0.19 %/K of Br and +0.3 to +0.5 %/K of HcJ. IEC TR 61807:1999 says in its scope that IEC
60404-8-1 gives coefficients of remanence and HcJ; that they are relative to 20 degrees Celsius is common
practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.optimize import curve_fit

from tests.support.models.loops import TanhLoop, True_, noisy_run, reclaimed_bench
from weighloop.analysis.errors import InputError, NotPossible
from weighloop.analysis.figures.uncertainty import FigureResult, shared_normals
from weighloop.analysis.repeat import RepeatResult, analyse_loops, repeat
from weighloop.analysis.repeated_loop import RepeatedLoop
from weighloop.analysis.report import write_repeat

MR, HCJ = "remanence_A_per_m", "coercivity_HcJ_A_per_m"
ALPHA, BETA, OF_MAGNET = -0.0019, 0.004, -0.0011
TRIALS = 1000


def one(name: str, hour: float, kelvin: float, values: dict[str, float], **changes: Any) -> RepeatedLoop:
    """A loop of given figures whose trials have two inputs in common: a scale, and the reference magnet's
    temperature coefficient."""
    scale, warm = shared_normals(1, ("scale", "coefficient"), TRIALS).T
    own = np.random.default_rng(round(1e3 * hour)).standard_normal(TRIALS)
    factor = 1.0 + 0.01 * scale + 1e-4 * (kelvin - 293.15) * warm
    loop = RepeatedLoop(
        name, "WP-07-3", 3600.0 * hour, kelvin, 0.1,
        {key: FigureResult(v, 0.01 * v, 0.98 * v, 1.02 * v, "measured", None) for key, v in values.items()},
        {key: np.asarray(v * (factor + 1e-3 * own), np.float32) for key, v in values.items()},
        dict.fromkeys(values, 1.0),
        {"scale": "scale", "coefficient": "coefficient"},
        (),
    )  # fmt: skip
    return replace(loop, **changes)


def series(scatter: float = 1e-3, count: int = 12, seed: int = 3) -> list[RepeatedLoop]:
    """Loops of a room that warms by ten kelvins and cools again."""
    random = np.random.default_rng(seed)
    kelvin = 291.0 + 10.0 * np.sin(np.pi * np.arange(count) / (count - 1))
    return [
        one(f"run {i}", i, k, {MR: 150e3 * (1 + ALPHA * (k - 293.15) + scatter * random.standard_normal())})
        for i, k in enumerate(kelvin)
    ]


def test_as_scipy_with_the_whole_covariance() -> None:
    """An error that all loops share leaves slope and u as they are (generalised least squares)."""
    loops = series()
    found = repeat(loops, trials=TRIALS, seed=1)
    line, c = found.repeatability[0], found.coefficients[0]
    T = found.temperature - found.temperature.mean()
    hours = found.hours - found.hours.mean()
    y = found.column(MR)
    covariance = line.scatter**2 * np.eye(len(y)) + (0.01 * y.mean()) ** 2
    best, theirs = curve_fit(
        lambda _, level, slope, hourly: level + slope * T + hourly * hours,
        T, y, p0=[y.mean(), 0.0, 0.0], sigma=covariance, absolute_sigma=True,
    )  # fmt: skip
    at = best[0] + best[1] * (293.15 - found.temperature.mean())
    assert c.value == pytest.approx(best[1] / at, rel=1e-6)
    assert c.u_scatter == pytest.approx(np.sqrt(theirs[1, 1]) / at, rel=1e-4)
    assert line.per_hour == pytest.approx(best[2], rel=1e-3, abs=1e-3)
    # Residuals and degrees of freedom are those of an ordinary fit.
    left = y - np.polynomial.polynomial.polyfit(T, y, 1) @ np.vander(T, 2, increasing=True).T
    assert line.freedom == 9
    assert line.scatter == pytest.approx(np.sqrt(np.sum(left**2) / 9), rel=0.1)


def test_what_is_shared_cancels_but_for_the_reference_magnets_coefficient() -> None:
    """A scale of 1 % in all loops is nothing; 0.01 %/K of the reference magnet is 0.01 %/K of the sample."""
    c = repeat(series(1e-5), trials=TRIALS, seed=1).coefficients[0]
    assert c.u_shared == pytest.approx(1e-4, rel=0.1)
    assert c.budget[0].input == "coefficient"
    assert c.budget[0].share > 0.9
    assert c.value == pytest.approx(ALPHA, abs=2e-5)


def test_interval_is_students() -> None:
    """Twelve loops, three unknowns: Student's factor for nine degrees of freedom is 2.262 (JCGM 100:2008,
    table G.2) where nothing is shared."""
    loops = [replace(loop, samples={MR: np.full(TRIALS, v.value, np.float32)}, shared={})
             for loop in series() for v in (loop.figures[MR],)]  # fmt: skip
    c = repeat(loops, trials=TRIALS, seed=1).coefficients[0]
    assert c.u_shared == 0.0
    assert c.u is not None
    assert c.high95 is not None
    assert c.value is not None
    assert (c.high95 - c.value) / c.u == pytest.approx(2.262, abs=0.001)


@pytest.mark.parametrize("seed", range(3))
def test_intervals_hold(seed: int) -> None:
    """Of two hundred samples about 95 % (2 standard deviations of the count: 92 to 98 %)."""
    held = 0
    for number in range(200):
        c = repeat(series(count=7, seed=1000 * seed + number), trials=TRIALS, seed=1).coefficients[0]
        assert c.low95 is not None
        assert c.high95 is not None
        held += c.low95 <= ALPHA <= c.high95
    assert 184 <= held <= 200


def test_refused_where_temperatures_do_not_vary() -> None:
    loops = [replace(loop, temperature=294.0 + 0.01 * i, within=0.2) for i, loop in enumerate(series())]
    found = repeat(loops, trials=TRIALS, seed=1)
    assert found.coefficients[0].status == "not determined"
    why = found.coefficients[0].why or ""
    assert "20.9 to 21.0 °C" in why
    assert "0.11 K" in why
    assert found.repeatability[0].loops == 12  # what they repeat to is known all the same


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"temperature": float("nan")}, "noted in 0 of 12 loops"),
        (
            {"figures": {MR: FigureResult(1.0, 0.1, 1.0, None, "bound", "a minor loop")}},
            "bound: a minor loop",
        ),
    ],
)
def test_refused_with_the_reason(change: dict[str, Any], words: str) -> None:
    found = repeat([replace(loop, **change) for loop in series()], trials=TRIALS, seed=1)
    assert found.coefficients[0].value is None
    assert words in (found.coefficients[0].why or "")


def test_refused_where_the_loops_scatter_too_much() -> None:
    c = repeat(series(0.03), trials=TRIALS, seed=1).coefficients[0]
    assert c.status == "not determined"
    assert "more loops, would do" in (c.why or "")


def test_too_few_loops_and_several_samples() -> None:
    loops = series()
    with pytest.raises(NotPossible, match="loops of one sample: 2;"):
        repeat(loops[:2], trials=TRIALS, seed=1)
    with pytest.raises(InputError, match="WP-07-3, WP-09-1"):
        repeat([*loops, replace(loops[0], sample="WP-09-1")], trials=TRIALS, seed=1)


def test_temperature_that_only_rises_is_named() -> None:
    loops = [one(f"run {i}", i, 290.0 + i, {MR: 150e3 * (1 + ALPHA * i)}) for i in range(8)]
    found = repeat(loops, trials=TRIALS, seed=1)
    assert [w.code for w in found.warnings] == ["temperature-follows-time"]
    assert found.repeatability[0].per_hour is None
    assert found.coefficients[0].status == "measured"


@pytest.fixture(scope="module")
def warmed() -> RepeatResult:
    """Six loops of a disc of known coefficients, weighed while the bench and its magnet warm; as many trials
    as usual, of which fewer leave each input some 4e-5 /K of chance."""
    loops = []
    for i, warm in enumerate((0.0, 3.0, 6.0, 9.0, 5.0, 1.0)):
        disc = TanhLoop(150e3 * (1 + ALPHA * warm), 60e3 * (1 + BETA * warm), 9e3 * (1 + BETA * warm))
        truth = True_(remanence=1.32 * (1 + OF_MAGNET * warm))
        readings = noisy_run(i, disc, np.geomspace(1e-3, 30e-3, 14), truth=truth)
        n = len(readings)
        readings = replace(
            readings, temperature=np.full(n, 293.15 + warm), time=30.0 * np.arange(n),
            started=f"2026-03-02T{8 + i:02d}:00:00Z", source=f"run {i + 1}",
        )  # fmt: skip
        loops.append((readings, reclaimed_bench()))
    return analyse_loops(loops)


@pytest.mark.costly
def test_coefficients_of_a_sample_that_is_known(warmed: RepeatResult) -> None:
    """Nine kelvins tell -0.19 and +0.4 %/K to a few hundredths; most of what is shared is the magnet's own
    coefficient, which the bench file knows to 0.01 %/K."""
    for c, true in zip(warmed.coefficients, (ALPHA, BETA), strict=True):
        assert c.low95 is not None
        assert c.high95 is not None
        assert c.low95 <= true <= c.high95
        assert c.u is not None
        assert c.u < 4e-4
        shared = max((line for line in c.budget if line.input != "scatter of the loops"), key=lambda x: x.u)
        assert shared.input == "temperature coefficient of the reference magnet"
        assert shared.u == pytest.approx(1e-4, rel=0.5)


@pytest.mark.costly
def test_json_and_page(warmed: RepeatResult, tmp_path: Any) -> None:
    data = warmed.to_json()
    assert [loop["loop"] for loop in data["loops"]] == [f"run {i}" for i in range(1, 7)]
    assert data["loops"][1]["time_s"] == 3600.0
    assert {c["symbol"] for c in data["temperature_coefficients"]} == {"alpha(Br)", "alpha(HcJ)"}
    write_repeat(warmed, tmp_path / "repeat.html")
    page = (tmp_path / "repeat.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 2
    assert "Temperature coefficient of the remanence: −" in page or "remanence: -0.1" in page
