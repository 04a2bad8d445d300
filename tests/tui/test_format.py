"""Numbers and states in words."""

from __future__ import annotations

import math

import pytest

import tests.support.screen.scripted_daemon as S
from tests.support.screen.scripted_results import found
from weighloop.tui import format as words
from weighloop.tui.bench_shifts import bench_rows
from weighloop.tui.cli.common import significant


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        # JCGM 100:2008, 7.2.6: at most two significant digits of the uncertainty, the value to the same
        # place; its example 7.2.2: m_S = 100.021 47 g with u = 0.35 mg.
        (100.02147, 0.00035, "100.02147 ± 0.00035"),
        (312.44, 1.23, "312.4 ± 1.2"),
        (-90.0, 25.0, "−90 ± 25"),
        (0.9608, 0.003, "0.9608 ± 0.0030"),
        (5.0, None, "5"),
        (None, 1.0, "–"),
        (math.nan, 1.0, "–"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, u: float, said: str) -> None:
    assert words.with_uncertainty(value, u) == said


@pytest.mark.parametrize(
    ("value", "digits", "said"),
    [(0.36, 2, "0.36"), (41.4, 2, "41"), (413.0, 2, "413"), (12345.6, 4, "12346"), (4.13e5, 2, "4.1e+05")],
)
def test_numbers_wider_than_their_digits_stay_plain_for_one_place(
    value: float, digits: int, said: str
) -> None:
    assert significant(value, digits) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(6.2, "6 s"), (89, "89 s"), (240, "4 min"), (4800, "1 h 20 min"), (None, "–"), (-3, "0 s")],
)
def test_durations(seconds: float, said: str) -> None:
    assert words.duration(seconds) == said


def test_masses_and_fields() -> None:
    assert words.grams(-12.3456e-3) == "−12.346"
    assert words.grams(-1e-9) == "+0.000"  # a zero has no minus
    assert words.milligrams(0.42e-6) == "0.42 mg"
    assert words.kiloamps(182.3e3) == "+182 kA/m"
    assert words.kiloamps(-30.06e3) == "−30.1 kA/m"
    assert words.interval(75.41, 77.87, 0.64) == "75.41 to 77.87"
    assert words.interval(75.41, None, 0.64) == "75.41 to open"


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        (-38.67131e-3, 1.6e-6, "−38.6713 g ± 1.6 mg"),
        (-2.9042e-3, 141e-6, "−2.90 g ± 141 mg"),
        (1.5e-3, 0.042e-6, "+1.5000 g ± 0.042 mg"),  # no finer than the balance's digits allow
        (30.2e-3, 1.121e-3, "+30.2 g ± 1.1 g"),
        (None, None, "– g ± –"),
    ],
)
def test_a_level_ends_where_its_uncertainty_does(value: float | None, u: float | None, said: str) -> None:
    """JCGM 100:2008, 7.2.6, in grams: two significant figures of the uncertainty."""
    assert words.level(value, u, 4) == said


@pytest.mark.parametrize(
    ("seconds", "said"), [(6.2, "about 6 s more"), (300.0, "about 5 min more"), (6e4, "not within 10 min")]
)
def test_what_takes_very_long_is_not_predicted(seconds: float, said: str) -> None:
    assert words.more(seconds) == said


def test_an_old_reading_is_never_called_settled() -> None:
    live = S.live_at(1.0, accepted=True, reason="accepted")
    assert words.live_state(live, 0.1)[1] == "settled"
    assert words.live_state(live, 30.0)[1] == "nothing heard for 30 s"
    assert words.live_state(None, 0.0)[1] == "no reading yet"


def test_overload_has_words_and_no_number() -> None:
    live = S.live_at(1.0, reading=None, mark="overload")
    assert words.live_state(live, 0.1)[1] == "too heavy for the balance"


def test_every_state_and_device_has_a_sign_of_its_own() -> None:
    signs = [sign for sign, _ in words.STATES.values()]
    assert len(set(signs)) == len(signs)
    assert words.device_line("balance", S.device("/dev/ttyUSB0")) == "● balance"
    assert words.device_line("balance", S.device("/dev/ttyUSB0", "lost")) == "× balance lost"
    assert words.device_line("lift", None) == "○ no lift"


def test_what_the_lift_measures_is_told_for_the_probes_it_has() -> None:
    lift = {**S.device("/dev/ttyACM0"), "telemetry": S.TELEMETRY}
    said = ["22.4 °C at the magnet", "field probe 2.613 V", "vibration 4.2 mV rms"]
    assert words.telemetry_words(lift) == said  # pyright: ignore[reportArgumentType]
    lift["telemetry"] = {"temperature_K": 268.05}
    assert words.telemetry_words(lift) == ["−5.1 °C at the magnet"]  # pyright: ignore[reportArgumentType]
    assert words.telemetry_words(S.device("/dev/ttyACM0")) == []
    assert words.telemetry_words(None) == []


def test_what_the_readings_say_of_the_bench_file_names_what_moved() -> None:
    contact = found("gap.contact", "contact gap", 1.0e-3, 0.05e-3, 1.06e-3, 0.012e-3)
    bore = found("reference_magnet.inner_diameter", "inner diameter", 8e-3, 0.1e-3, 7.85e-3, 0.05e-3)
    room = found("site.temperature", "temperature", 294.15, 1.0, 294.25, 0.98)
    assert bench_rows([room, contact, bore]) == [
        ("·", "inner diameter: 7.850 ± 0.050 mm, stated 8.00 ± 0.10: 1.5 standard uncertainties below"),
        ("·", "contact gap: 1.060 ± 0.012 mm, stated 1.000 ± 0.050: 1.2 standard uncertainties above"),
    ]
    (agrees,) = bench_rows([room])
    assert agrees[1] == "they agree with it; most off is the temperature, 0.10 standard uncertainties above"
    assert bench_rows([]) == []
