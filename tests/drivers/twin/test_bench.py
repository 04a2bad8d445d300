"""The whole twin on its own clock: dialects, determinism, the person's hands, faults, the pull."""

import re
import zlib

import pytest

from weighloop.drivers.twin.balance import BalanceTwin, Shown
from weighloop.drivers.twin.balance_protocol import VOICES
from weighloop.drivers.twin.bench import TwinBench


def figures_of(lines, port="balance"):
    return b"".join(line.data for line in lines if line.port == port)


def lift_line(bench: TwinBench, number: int, words: str, seconds: float) -> bytes:
    body = f"N{number} {words}".encode()
    bench.write("lift", body + b"*%08X\n" % zlib.crc32(body))
    return figures_of(bench.advance(seconds), "lift")


@pytest.fixture
def calm() -> TwinBench:
    return TwinBench(seed=4, calm=True)


# Lines as the public contract prints them, and their kin.
@pytest.mark.parametrize(
    ("dialect", "shown", "line"),
    [
        ("status-line", Shown(12.345, "steady"), b"ST,+00012.345,g\r\n"),
        ("status-line", Shown(-0.12, "unsteady"), b"US,-00000.120,g\r\n"),
        ("status-line", Shown(None, "overload"), b"OL,+99999.999,g\r\n"),
        ("status-line", Shown(None, "underload"), b"OL,-99999.999,g\r\n"),
        ("ask-answer", Shown(12.345, "steady"), b"S S     12.345 g\r\n"),
        ("ask-answer", Shown(-0.12, "unsteady"), b"S D     -0.120 g\r\n"),
        ("ask-answer", Shown(None, "overload"), b"S +\r\n"),
        ("print-line", Shown(12.345, "steady"), b"+   12.345 g  \r\n"),
        ("print-line", Shown(-12.345, "unsteady"), b"-   12.345    \r\n"),
        ("counted", Shown(12.345, "steady"), b"W 1 12345 %08x\n" % zlib.crc32(b"W 1 12345")),
        ("counted", Shown(None, "overload"), b""),
    ],
)
def test_each_dialect_says_it_byte_for_byte(dialect, shown, line):
    bench = TwinBench(calm=True, dialect=dialect)
    assert bench.voice.line(shown) == line


@pytest.mark.parametrize(
    ("dialect", "ask", "answer"),
    [
        ("status-line", b"Q\r\n", rb"(ST|US),[+-]\d{5}\.\d{3},g\r\n"),
        ("ask-answer", b"SI\r\n", rb"S [SD] [ \d.-]{10} g\r\n"),
        ("print-line", b"\x1bP", rb"[+-][ \d.]{9} (g  |   )\r\n"),
        ("ask-answer", b"WHAT\r\n", rb"ES\r\n"),
    ],
)
def test_each_dialect_answers(dialect, ask, answer):
    bench = TwinBench(calm=True, dialect=dialect)
    bench.advance(3.0)
    bench.write("balance", ask)
    said = bench.advance(0.02)
    assert re.fullmatch(answer, said[0].data)


def test_ask_answer_is_silent_until_asked_and_repeats_on_demand():
    bench = TwinBench(calm=True, dialect="ask-answer")
    assert figures_of(bench.advance(5.0)) == b""
    bench.write("balance", b"SIR\r\n")
    assert len(bench.advance(5.0)) == pytest.approx(50, abs=1)
    bench.write("balance", b"SI\r\n")
    assert len(bench.advance(5.0)) == 1


@pytest.mark.parametrize(
    ("dialect", "key", "answer"),
    [
        ("status-line", b"T\r\n", b""),
        ("ask-answer", b"TI\r\n", b"TI S      0.000 g\r\n"),
        ("print-line", b"\x1bT", b""),
        ("counted", b"Z\n", b""),
    ],
)
def test_re_zero_in_each_dialect(dialect, key, answer):
    bench = TwinBench(calm=True, dialect=dialect, ladder="spacers")
    bench.do("remove-sample")
    bench.do("set-spacers", n=0)
    bench.advance(5.0)
    assert bench.balance.shown.value == pytest.approx(27.0, abs=0.2)  # thirty shims of 0.9 g
    bench.write("balance", key)
    assert bench.voice.hear(b"") == b""
    bench.advance(1.0)
    assert bench.balance.shown.value == pytest.approx(0.0, abs=0.003)
    if answer:
        bench.write("balance", key)
        assert answer in figures_of(bench.advance(0.02))


def test_same_seed_same_bytes_other_seed_other_bytes():
    def night(seed: int) -> list:
        bench = TwinBench(seed=seed)
        lines = bench.advance(20.0)
        bench.do("remove-sample")
        lines += bench.advance(10.0)
        bench.do("place-sample", orientation=-1)
        return lines + bench.advance(20.0)

    assert night(1) == night(1)
    assert night(1) != night(2)


def test_how_the_time_is_cut_makes_no_difference():
    whole, cut = TwinBench(seed=3), TwinBench(seed=3)
    lines = whole.advance(30.0)
    pieces = [line for _ in range(300) for line in cut.advance(0.1)]
    assert pieces == lines


def test_the_reading_is_the_pull_over_local_gravity_and_buoyancy(calm):
    """Attraction reads lighter: dm = -F / (g (1 - 1.2/8000)); densities of JCGM 101:2008, 9.3."""
    lift_line(calm, 1, "M110 K9", 0.1)
    lift_line(calm, 2, "G28", 60.0)
    zero = calm.balance.shown.value
    lift_line(calm, 3, "G1 Z2 F120", 40.0)
    state = calm.state()
    assert state["gap_m"] == pytest.approx(3e-3, abs=10e-6)
    expected = -state["force_N"] / (state["gravity_m_per_s2"] * (1 - 1.2 / 8000)) * 1e3
    assert calm.balance.shown.value - zero == pytest.approx(expected, abs=0.003)
    assert state["force_N"] > 0.3


def test_attraction_reads_heavier_where_the_bench_says_so():
    bench = TwinBench(calm=True, bench="block")
    lift_line(bench, 1, "M110 K9", 0.1)
    lift_line(bench, 2, "G28", 60.0)
    lift_line(bench, 3, "G1 Z5 F120", 40.0)
    assert bench.balance.shown.value == pytest.approx(bench.state()["pull_kg"] * 1e3, abs=0.01)
    assert bench.balance.shown.value > 5.0


def test_a_light_riser_lets_the_magnet_jump():
    bench = TwinBench(calm=True, bench="careless")
    lift_line(bench, 1, "M110 K9", 0.1)
    lift_line(bench, 2, "G28", 60.0)
    lift_line(bench, 3, "G1 Z0 F120", 60.0)
    assert bench.state()["lifted_off"]
    assert bench.balance.shown.value == pytest.approx(-35.0, abs=0.1)  # nothing is left on the pan
    bench.do("remove-sample")
    assert not bench.state()["lifted_off"]


def test_hands_take_the_sample_off_turn_it_and_put_it_back(calm):
    lift_line(calm, 1, "M110 K9", 0.1)
    lift_line(calm, 2, "G28", 60.0)
    lift_line(calm, 3, "G1 Z0 F120", 60.0)
    pulled = calm.state()["force_N"]
    assert pulled > 0.3
    lift_line(calm, 4, "G1 Z20 F120", 60.0)
    started = calm.now
    assert calm.do("remove-sample") == {"ok": True}
    assert 1.0 < calm.now - started < 5.0
    assert calm.state()["force_N"] == 0.0
    assert calm.do("turn-over")["ok"]
    assert not calm.state()["sample_on"]
    assert calm.do("place-sample")["ok"]
    state = calm.state()
    assert state["orientation"] == -1
    assert state["force_N"] < 0  # magnetised against the field now: pushed away
    assert calm.do("remove-sample")["ok"]
    assert calm.do("remove-sample")["ok"]  # off already: nothing to do


def test_spacers_are_set_with_the_sample_off_and_weigh_something():
    bench = TwinBench(calm=True, ladder="spacers")
    assert bench.spacers == 30
    answer = bench.do("set-spacers", n=10)
    assert not answer["ok"]
    assert "take the sample off" in answer["why"]
    bench.do("remove-sample")
    bench.do("press-zero")
    assert bench.do("set-spacers", n=10)["ok"]
    bench.advance(10.0)
    # Twenty shims of 0.9 g went under the magnet, and nobody pressed the zero key.
    assert bench.balance.shown.value == pytest.approx(18.0, abs=0.2)
    assert bench.state()["gap_m"] == pytest.approx(11e-3, abs=60e-6)
    assert not bench.do("set-spacers", n=31)["ok"]


@pytest.mark.parametrize(
    ("request_", "why"),
    [
        ({"do": "dance"}, "'dance' is not something to do"),
        ({}, "None is not something to do"),
        ({"do": "set-spacers"}, "missing a required argument: 'n'"),
        ({"do": "place-sample", "orientation": 2}, "neither 1 nor -1"),
        ({"do": "silence", "seconds": 1, "port": "printer"}, "balance or lift"),
        ({"do": "silence", "seconds": "long"}, "could not convert"),
    ],
)
def test_a_bad_request_is_answered(calm, request_, why):
    if request_.get("do") == "place-sample":
        calm.do("remove-sample")
    act = calm.begin(request_)
    calm.advance(5.0)
    assert act.answer is not None
    assert not act.answer["ok"]
    assert why in act.answer["why"]


def test_faults_on_the_wire(calm):
    good = re.compile(rb"(ST|US),[+-]\d{5}\.\d{3},g\r\n")
    calm.advance(5.0)
    calm.do("silence", seconds=2.0)
    assert calm.advance(1.8) == []
    calm.advance(0.5)
    for fault in ("garbage", "half-lines", "wrong-baud"):
        calm.do(fault, seconds=2.0)
        lines = calm.advance(1.8)
        assert len(lines) > 10
        assert not any(good.fullmatch(line.data) for line in lines)
        calm.advance(1.0)
        assert all(good.fullmatch(line.data) for line in calm.advance(1.0))


def test_overload_bump_and_draught(calm):
    calm.advance(5.0)
    calm.do("overload", seconds=2.0)
    assert b"OL,+" in figures_of(calm.advance(2.0))
    calm.advance(10.0)
    assert figures_of(calm.advance(1.0)).count(b"ST,") >= 9
    calm.do("bump", grams=5.0)
    assert b"US," in figures_of(calm.advance(1.0))
    calm.advance(10.0)
    calm.do("draught", level=0.05)
    assert figures_of(calm.advance(20.0)).count(b"US,") > 100


def test_lift_faults_reach_the_lift(calm):
    assert calm.do("lift-reset")["ok"]
    assert figures_of(calm.advance(0.1), "lift").startswith(b"bt lift1 ")
    lift_line(calm, 1, "M110 K9", 0.1)
    lift_line(calm, 2, "G28", 60.0)
    before = calm.state()["height_m"]
    calm.do("lose-steps", n=-160)
    assert calm.state()["height_m"] == pytest.approx(before - 0.1e-3, abs=1e-6)
    calm.do("lift-stuck")
    lift_line(calm, 3, "G1 Z20 F120", 30.0)
    assert calm.state()["height_m"] == pytest.approx(before - 0.1e-3, abs=1e-6)
    calm.do("lift-stop")
    assert b"ha K9 C2" in figures_of(calm.advance(0.1), "lift")


def test_the_mark_is_an_opinion_of_calm(calm):
    calm.advance(10.0)
    assert figures_of(calm.advance(5.0)).count(b"ST,") > 45
    calm.do("remove-sample")
    assert b"US," in figures_of(calm.advance(0.3))


def test_the_memory_follows_the_lift_in_any_pieces():
    """A path in one move or in many leaves the same sample behind (up to the steps of its upkeep)."""
    one, many = (TwinBench(seed=2, calm=True) for _ in range(2))
    for bench in (one, many):
        lift_line(bench, 1, "M110 K9", 0.1)
        lift_line(bench, 2, "G28", 60.0)
    lift_line(one, 3, "G1 Z1 F120", 60.0)
    for k, z in enumerate((20, 9, 4, 2, 1)):
        lift_line(many, 3 + k, f"G1 Z{z} F120", 40.0)
    assert many.state()["force_N"] == pytest.approx(one.state()["force_N"], rel=2e-4)
    assert many.pellet.mean_M == pytest.approx(one.pellet.mean_M, rel=2e-4)


def test_stepping_nearer_and_back_is_remembered():
    """The nearest point of a path counts even where the lift only touches it."""
    straight, excursion = (TwinBench(seed=2, calm=True) for _ in range(2))
    for bench in (straight, excursion):
        lift_line(bench, 1, "M110 K9", 0.1)
        lift_line(bench, 2, "G28", 60.0)
    lift_line(straight, 3, "G1 Z8 F120", 60.0)
    lift_line(excursion, 3, "G1 Z6 F120", 60.0)
    lift_line(excursion, 4, "G1 Z8 F120", 60.0)
    assert excursion.pellet.mean_M > 1.05 * straight.pellet.mean_M


@pytest.mark.costly
def test_every_shipped_bench_is_read_and_has_figures_of_the_right_kind():
    from weighloop.drivers.twin import bench_file as scenario

    for path in scenario.BENCHES.glob("*.toml"):
        bench = TwinBench(bench=path)
        told = bench.truth
        major, minor = told["figures"], told["minor"]
        assert 0 < minor["remanence_A_per_m"] <= major["remanence_A_per_m"] <= major["saturation_A_per_m"]
        # HcB at most HcJ, (BH)max at most the ideal loop's Br^2/(4 mu0): common practice, no source.
        assert major["coercivity_HcB_A_per_m"] <= major["coercivity_HcJ_A_per_m"]
        assert major["BHmax_J_per_m3"] <= 1.25663706127e-6 * major["remanence_A_per_m"] ** 2 / 4
    # The over-fired sample is turned wholly by its bench, the sound one is not.
    over_fired, sound = (TwinBench(bench=name).truth for name in ("WP-07-3", "sound"))
    key = "remanence_A_per_m"
    assert over_fired["minor"][key] == pytest.approx(over_fired["figures"][key], rel=1e-3)
    assert sound["minor"][key] < 0.8 * sound["figures"][key]


def test_unknown_bench_dialect_and_ladder_are_named():
    with pytest.raises(FileNotFoundError, match="over-fired"):
        TwinBench(bench="nonesuch")
    with pytest.raises(ValueError, match="status-line"):
        TwinBench(dialect="nonesuch")
    with pytest.raises(ValueError, match="lift or spacers"):
        TwinBench(ladder="stairs")


def test_balance_answers_a_step_like_a_damped_oscillator():
    import numpy as np

    from weighloop.drivers.twin.balance import BalanceMaker

    # Overshoot exp(-pi zeta/sqrt(1 - zeta^2)) of a second-order loop: textbook of linear control.
    maker = BalanceMaker(natural_frequency=1.0, damping=0.3, averaging=0.0, noise=0.0)
    balance = BalanceTwin(maker, np.random.SeedSequence(1), 0.02)
    peak = 0.0
    for _ in range(300):
        balance.step(10.0)
        peak = max(peak, balance.gross)
    assert peak / 10.0 - 1 == pytest.approx(np.exp(-np.pi * 0.3 / np.sqrt(1 - 0.09)), rel=2e-3)
    assert balance.gross == pytest.approx(10.0, abs=0.02)


def test_all_dialects_of_the_contract_are_spoken():
    assert sorted(VOICES) == ["ask-answer", "counted", "print-line", "status-line"]


def test_hands_do_one_thing_after_the_other_and_levers_do_not_wait(calm):
    order: list[str] = []
    calm.begin({"do": "remove-sample"}, lambda _: order.append("removed"))
    calm.begin({"do": "place-sample"}, lambda _: order.append("placed"))
    calm.begin({"do": "state"}, lambda _: order.append("state"))
    assert order == ["state"]
    calm.advance(10.0)
    assert order == ["state", "removed", "placed"]
    assert calm.state()["sample_on"]
