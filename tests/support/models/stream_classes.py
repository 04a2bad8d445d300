"""The classes of balance streams: what is drawn for one bench of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

from .bench_disturbances import Rng, logarithmic, sign

CLASSES = (
    "quiet",
    "white noise",
    "breathing",
    "strong breathing",
    "breath held",
    "footsteps",
    "draught",
    "ramp, breathing",
    "creep",
    "touched",
    "poor line",
    "all mixed",
)
#: What the filter's constants were first chosen without: how the project found where they do not hold.
STRANGE_CLASSES = (
    "begun moving",  # the record begins while the sample is put down: quiet, breathing, creep or draught
    "begun, quiet",
    "leaning",
    "building",
    "switching",
    "creep as 1/t",
    "1/f draught",
    "beating",
    "any filter",  # of 0.1 to 3 s
    "filter of 3 s",
    "fine digit",  # the bench's disturbances in mg on a balance of 0.1 mg: many digits
    "coarse digit",  # the same on a balance of 10 mg: hardly a digit
    "3 a second",
    "50 a second",
)
ALL_CLASSES = CLASSES + STRANGE_CLASSES


@dataclass(frozen=True)
class Disturbances:
    """What is wrong with the bench, amplitudes in digits, times in s."""

    sensor: float = 1.0  # rms of the filtered sensor noise
    breathing: float = 0.0
    held: bool = False
    footsteps: float = 0.0
    vibration: float = 0.0
    draught: float = 0.0  # rms between 0.02 and 2 Hz, over the square root of two
    drift: float = 0.0  # digits/s
    creep: float = 0.0
    creep_time: float = 10.0
    touch: float = 0.0
    poor_line: bool = False
    creep_law: str = "exponential"  # creep_left has them
    slowest: float = 60.0  # s: the draught's spectrum is flat below its inverse
    beating: float = 0.0
    leaning: tuple[float, float, float] | None = None  # amplitude, mean stay, mean time away
    building: tuple[float, float, float] | None = None
    switching: tuple[float, float, float] | None = None  # amplitude, time on, time off
    filter_length: float | None = None  # s, equal-noise length of the balance's own filter; None = any usual
    rate: float | None = None  # readings a second
    digit: float | None = None  # mg
    targets: tuple[float, ...] = (0.5, 1.0, 2.0)  # digits
    begun: bool = False  # the record begins while the sample is being put down


def disturbances(rng: Rng, name: str) -> Disturbances:
    """Draw the disturbances of one class."""
    if name in STRANGE_CLASSES:
        return _strange(rng, name)
    one = Disturbances(sensor=logarithmic(rng, 0.4, 2.5))
    coin = int(rng.integers(0, 2))
    L = logarithmic
    match name:
        case "quiet":
            return replace(one, sensor=L(rng, 0.02, 0.35))
        case "white noise":
            return replace(one, sensor=L(rng, 0.5, 6))
        case "breathing":
            return replace(one, breathing=L(rng, 1, 10))
        case "strong breathing":
            return replace(one, breathing=L(rng, 10, 50))
        case "breath held":
            return replace(one, breathing=L(rng, 5, 50), held=True)
        case "footsteps":
            return replace(
                one, footsteps=L(rng, 5, 200), vibration=rng.uniform(0, 10), breathing=coin * L(rng, 1, 5)
            )
        case "draught":
            return replace(one, draught=L(rng, 0.5, 4), breathing=coin * L(rng, 1, 5))
        case "ramp, breathing":
            return replace(one, drift=sign(rng) * L(rng, 0.003, 0.3), breathing=L(rng, 1, 30))
        case "creep":
            return replace(
                one,
                creep=sign(rng) * L(rng, 1, 30),
                creep_time=L(rng, 1, 60),
                breathing=coin * L(rng, 1, 10),
            )
        case "touched":
            return replace(one, breathing=L(rng, 1, 10), touch=sign(rng) * L(rng, 3, 300))
        case "poor line":
            return replace(one, breathing=L(rng, 1, 20), poor_line=True)
        case "all mixed":
            return replace(
                one,
                breathing=L(rng, 1, 30),
                draught=L(rng, 0.1, 1.5),
                footsteps=coin * L(rng, 5, 80),
                drift=sign(rng) * L(rng, 0.001, 0.05),
                creep=sign(rng) * L(rng, 0.5, 8),
                creep_time=L(rng, 1, 20),
                held=bool(rng.uniform() < 0.3),
                poor_line=bool(rng.uniform() < 0.5),
            )
    raise ValueError(f"no class of streams named {name!r}")


def _strange(rng: Rng, name: str) -> Disturbances:
    L = logarithmic
    one = Disturbances(sensor=L(rng, 0.2, 1.5))
    breath = float(rng.integers(0, 2)) * L(rng, 1, 10)
    match name:
        case "begun moving":
            kind = str(rng.choice(["quiet", "breathing", "creep", "draught"]))
            return replace(disturbances(rng, kind), begun=True)
        case "begun, quiet":
            return replace(disturbances(rng, "quiet"), begun=True)
        case "leaning":
            return replace(
                one, breathing=breath, leaning=(sign(rng) * L(rng, 3, 60), L(rng, 5, 40), L(rng, 15, 90))
            )
        case "building":
            return replace(
                one, breathing=breath, building=(sign(rng) * L(rng, 1, 15), L(rng, 8, 60), L(rng, 20, 120))
            )
        case "switching":
            period = L(rng, 60, 600)
            on = period * rng.uniform(0.3, 0.6)
            return replace(one, breathing=breath, switching=(sign(rng) * L(rng, 1, 10), on, period - on))
        case "creep as 1/t":
            law = str(rng.choice(["reciprocal", "logarithmic"]))
            size = sign(rng) * (L(rng, 1, 30) if law == "reciprocal" else L(rng, 0.2, 5))
            return replace(one, breathing=breath, creep=size, creep_time=L(rng, 0.5, 10), creep_law=law)
        case "1/f draught":
            return replace(one, breathing=breath, draught=L(rng, 0.2, 2), slowest=1000.0)
        case "beating":
            return replace(one, beating=L(rng, 2, 40))
        case "any filter":
            return replace(one, breathing=breath, filter_length=L(rng, 0.1, 3))
        case "filter of 3 s":
            return replace(one, breathing=breath, filter_length=3.0)
        case "fine digit" | "coarse digit":
            mg = replace(
                one,
                sensor=L(rng, 0.1, 1),
                breathing=breath,
                drift=sign(rng) * L(rng, 0.001, 0.05),
                creep=sign(rng) * L(rng, 0.3, 5),
                creep_time=L(rng, 1, 30),
                draught=L(rng, 0.05, 0.5),
            )
            digit, targets = (0.1, (5.0, 10.0, 20.0)) if name == "fine digit" else (10.0, (0.5, 1.0))
            return _in_digits(mg, digit, targets)
        case "3 a second" | "50 a second":
            kind = str(rng.choice(["quiet", "white noise", "breathing", "footsteps", "creep"]))
            return replace(disturbances(rng, kind), rate=float(name.split()[0]))
    raise ValueError(f"no class of streams named {name!r}")


def _in_digits(mg: Disturbances, digit: float, targets: tuple[float, ...]) -> Disturbances:
    """Amplitudes given in mg, on a balance of that ``digit`` (mg)."""
    sizes = {key: getattr(mg, key) / digit for key in ("sensor", "breathing", "drift", "creep", "draught")}
    return replace(mg, **sizes, digit=digit, targets=targets)
