"""The attacks on belief: each a virtual bench with one fault, by kind, and what must come of it."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product

from weighloop.drivers.twin.balance_protocol import VOICES

from .hostile_bench import HostileBench, ShortLift, StuckLift, Wire, wrong_readings

#: Simulated time within which a run must have ended or be held, s.
PATIENCE = 6 * 3600.0


@dataclass(frozen=True)
class Attack:
    """``kind`` and ``name`` for the table; ``make`` gives the bench; ``ends``: how the run may end."""

    kind: str
    name: str
    make: Callable[[], HostileBench]
    ends: tuple[str, ...]
    #: What happens to the bytes of a line on their way.
    harm: Callable[[], Callable[[bytes], bytes]] = lambda: lambda raw: raw


@dataclass(frozen=True)
class Outcome:
    """What came of an attack."""

    end: str
    why: str
    wrong: int
    lost: int
    alarmed: bool


#: Changes a line: has the draw, the line before and the line.
Harm = Callable[[random.Random, bytes, bytes], bytes]
#: The readings come as lines of one of these, written by the balance's own program and read by the driver.
DIALECTS = tuple(sorted(VOICES))


def outcome(attack: Attack, dialect: str) -> Outcome:
    """Play it to its end, the readings as lines of ``dialect``. Raises AssertionError where it has none."""
    bench = attack.make()
    bench.wire = Wire(dialect, attack.harm())
    bench.start("lift", points=4)
    end = bench.play(PATIENCE)
    assert bench.run is not None
    told = [data["id"] for topic, data in bench.told if topic == "point"]
    stored = [p["id"] for p in bench.store.record(bench.run.id).points]
    lost = len(set(told) - set(stored)) + len(stored) - len(set(stored))
    held = any(alarm["kind"] == "held" for alarm in bench.alarms)
    return Outcome(end, bench.run.why, len(wrong_readings(bench)), lost, held)


def _late(age: float, since: int = 0) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = HostileBench(seed=int(10 * age) + since)
        bench.fault = lambda: setattr(bench, "age", age if bench.read_so_far >= since else 0.1)
        return bench

    return make


def _frozen(since: int, under_way: bool) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = HostileBench(seed=since)

        def fault() -> None:
            if bench.read_so_far >= since and (bench.half_way or not under_way):
                bench.frozen = True

        bench.fault = fault
        return bench

    return make


def _quiet(since: int) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = HostileBench(seed=since, interval=0.1)
        bench.fault = lambda: setattr(bench, "noise", 0.0 if bench.read_so_far >= since else 0.4e-6)
        return bench

    return make


def _wrong_digits(by: float, seconds: float) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = HostileBench(seed=int(by * 1e6) % 97)
        seen: set[int] = set()

        def fault() -> None:
            if bench.reads_a_point and bench.read_so_far not in seen and bench.read_so_far > 1:
                seen.add(bench.read_so_far)
                bench.wrong_for = (bench.clock.time + seconds, round(bench.pull() + by, 6))

        bench.fault = fault
        return bench

    return make


def _once(since: int, what: Callable[[HostileBench], None], seed: int = 1) -> Callable[[], HostileBench]:
    """Something happens once, while reading ``since`` is taken."""

    def make() -> HostileBench:
        bench = HostileBench(seed=seed)
        done: list[int] = []

        def fault() -> None:
            if bench.read_so_far >= since and bench.reads_a_point and not done:
                done.append(1)
                bench.later(1.0, lambda: what(bench))

        bench.fault = fault
        return bench

    return make


def _another(scale: float, since: int) -> Callable[[], HostileBench]:
    return _once(since, lambda b: b.unplug_balance(20.0, lambda: setattr(b, "scale", scale)))


def _swapped(since: int, zero: float, then: Callable[[HostileBench], None]) -> Callable[[], HostileBench]:
    """Unplugged while reading ``since`` is taken; it has shown ``zero`` (kg) with nothing on it before."""
    once = _once(since, lambda b: b.unplug_balance(20.0, lambda: then(b)))

    def make() -> HostileBench:
        bench = once()
        bench.devices.serial = "B1234567"
        bench.zero_becomes(zero)
        return bench

    return make


def _short(after: int, share: float, once: bool, tells: bool = False) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = ShortLift(seed=after)
        bench.after, bench.share, bench.once, bench.tells = after, share, once, tells
        return bench

    return make


def _harm(every: int, what: Harm) -> Callable[[], Callable[[bytes], bytes]]:
    """About one line in ``every`` is harmed; ``what`` has the draw, the line before and the line."""

    def begin() -> Callable[[bytes], bytes]:
        draw, before = random.Random(every), [b""]

        def harm(raw: bytes) -> bytes:
            last, before[0] = before[0], raw
            return what(draw, last, raw) if draw.randrange(every) == 0 else raw

        return harm

    return begin


def _flip(draw: random.Random, _: bytes, raw: bytes) -> bytes:
    data = bytearray(raw)
    data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)
    return bytes(data)


def _lose(draw: random.Random, _: bytes, raw: bytes) -> bytes:
    at = draw.randrange(len(raw))
    return raw[:at] + raw[at + 1 :]


def _cut(draw: random.Random, _: bytes, raw: bytes) -> bytes:
    return raw[: draw.randrange(len(raw))]


HARMS: dict[str, Harm] = {
    "a bit turned": _flip,
    "a character lost": _lose,
    "a line cut off": _cut,
    "an old line again": lambda draw, last, raw: raw + last,
    "garbage in between": lambda draw, last, raw: bytes(draw.randrange(256) for _ in range(30)) + raw,
}


def _resets(most: int, between: int, keeps: bool = False) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = HostileBench(seed=most)
        bench.keeps_count = keeps
        count = [0, 0]

        def fault() -> None:
            task = bench.controller.stage.task
            moves = task is not None and task.kind == "approach"
            if moves and count[0] < most and bench.read_so_far >= count[1] + between:
                count[:] = [count[0] + 1, bench.read_so_far]
                bench.later(0.5, bench.reset_lift)

        bench.fault = fault
        return bench

    return make


def _stuck(since: int) -> Callable[[], HostileBench]:
    def make() -> HostileBench:
        bench = StuckLift(seed=since)
        bench.after = since
        return bench

    return make


def attacks() -> Iterator[Attack]:
    """All of them."""
    fine, held = ("finished",), ("held: late", "held: unanswered", "held: dead")
    for age in (0.3, 0.5, 1.0, 1.5, 1.9):
        yield Attack("late line, within 2 s", f"{age} s", _late(age), fine)
    for age in (2.5, 3.0, 5.0, 10.0, 20.0, 30.0):
        yield Attack("late line, beyond 2 s", f"{age} s", _late(age), held)
    for since in (5, 9, 13):
        yield Attack("line that becomes late", f"5 s from reading {since}", _late(5.0, since), held)
    for since in (3, 5, 8, 12, 15):
        yield Attack("frozen display", f"from reading {since}", _frozen(since, False), held)
    for since in (4, 7, 10, 14):
        yield Attack("display frozen in a move", f"from reading {since}", _frozen(since, True), held)
    for since in (6, 12):
        yield Attack("level without noise", f"from reading {since}", _quiet(since), held)
    for by in (-1e-5, 1e-5, 1e-4, -1e-3):
        yield Attack("a wrong digit for 1.2 s", f"{by * 1e6:+.0f} mg", _wrong_digits(by, 1.2), fine)
    for scale, since in ((1.02, 5), (0.98, 8), (1.05, 10), (1.02, 14), (0.98, 17)):
        name = f"{scale} from reading {since}"
        yield Attack("another balance", name, _another(scale, since), ("held: another-balance",))
    another = ("held: another-balance",)
    for since in (5, 9, 14):
        noisy = _swapped(since, 0.0, lambda b: setattr(b, "noise", 5e-6))
        yield Attack(
            "another balance, by its noise", f"from reading {since}", noisy, ("held: another-noise",)
        )
        other = _swapped(since, 0.0, lambda b: b.zero_becomes(0.4e-3))
        yield Attack("another balance, by its zero", f"from reading {since}", other, another)
        named = _swapped(since, 0.0, lambda b: setattr(b.devices, "serial", "B7654321"))
        yield Attack("another balance, by its number", f"from reading {since}", named, another)
        mute = _swapped(since, 0.0, lambda b: setattr(b.devices, "serial", None))
        yield Attack("a balance without its number", f"from reading {since}", mute, another)
        yield Attack("the same balance again", f"from reading {since}", _another(1.0, since), fine)
        cold = _swapped(since, 0.7e-3, lambda b: b.zero_becomes(0.0))
        yield Attack("the same balance, zeroed at its start", f"from reading {since}", cold, fine)
    for since in (3, 5, 7, 10, 13, 16):
        yield Attack("lift that does not move", f"from reading {since}", _stuck(since), held)
    gap = ("held: another-gap", "held: unanswered", "held: lift")
    for after, share in product((3, 5, 6, 8), (0.25, 0.5, 0.75)):
        name = f"{share:.0%} of a move, from reading {after}"
        yield Attack("lift that stops short once", name, _short(after, share, True), gap)
    for after, share, tells in product((3, 6, 12), (0.5, 0.75, 0.9), (False, True)):
        homing = "homing tells" if tells else "homing finds nothing"
        name = f"{share:.0%} of each move, from reading {after}, {homing}"
        yield Attack("lift that goes short of every move", name, _short(after, share, False, tells), gap)
    kept = {False: "its count is void", True: "its count is kept"}
    for keeps in kept:
        for most, between in ((1, 3), (1, 6), (1, 9), (1, 12), (2, 7), (3, 5)):
            name = f"{most} times, {kept[keeps]}"
            yield Attack("lift that is reset", name, _resets(most, between, keeps), fine)
        for between in (2, 3, 4, 5, 7):
            name = f"after each {between} readings, {kept[keeps]}"
            ends = ("held: lift", "finished")
            yield Attack("lift reset 45 times", name, _resets(45, between, keeps), ends)


def line_attacks() -> Iterator[Attack]:
    """Damage to the bytes of the lines; an honest bench sends them. The run may be held, never wrong."""
    for (name, what), every in product(HARMS.items(), (300, 40, 8)):
        ends = ("finished", "held: not-settled", "held: balance", "held: over-capacity", *ANY_DOUBT)
        yield Attack(f"line with {name}", f"1 in {every}", HostileBench, ends, _harm(every, what))


ANY_DOUBT = ("held: moved-alone", "held: magnet-lifted", "held: unanswered", "held: late", "held: dead")
