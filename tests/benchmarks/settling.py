"""The settling filter over seeded trials in many classes, against the bound and against common rules.

``python -m tests.benchmarks.settling [--trials N] [--seed S] [--minutes M] [--classes C] [--past]``;
10,000 trials are the full run: with ``--save FILE`` it survives an interruption, ``--saved FILE ...`` prints
the tables of several. Times count from the release of the sample; errors are against the true level.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import math
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from multiprocessing import get_context
from pathlib import Path
from typing import TextIO

import numpy as np

from tests.support.models.bound import earliest
from tests.support.models.streams import ALL_CLASSES, CLASSES, RATE, STRANGE_CLASSES, Stream, make, stream
from weighloop.analysis.settling import NoiseMemory, SettlingFilter
from weighloop.analysis.settling.bench_past import learn_past

MG = 1e-6  # kg
ARMED = 0.3  # s after the hand came from which an acceptance counts
HORIZON = 60.0
LOADS, WARMING = 6, 120.0  # loads on the same bench that went before, each for that long (s), with --past
FOLLOWED = 60.0  # s of the last of them that a filter followed


@dataclass(frozen=True)
class Outcome:
    """One method on one trial: seconds after the release, error and stated u (mg)."""

    seconds: float = math.nan
    error: float = math.nan
    u: float = math.nan

    @property
    def accepted(self) -> bool:
        return math.isfinite(self.seconds)


@dataclass(frozen=True)
class Trial:
    name: str
    target: float
    digit: float
    bound: float
    filter: Outcome
    bare: float  # error of the bare reading at the filter's moment
    stood: bool = False  # what comes and goes stood from the release to the filter's moment
    stood_before: bool = False  # and did not come or go before the hand either
    others: dict[str, Outcome] = field(default_factory=dict)

    @classmethod
    def of(cls, line: str) -> Trial:
        """From a line of a file of trials."""
        told = json.loads(line)
        others = {key: Outcome(**one) for key, one in told.pop("others").items()}
        return cls(**{**told, "filter": Outcome(**told["filter"]), "others": others})


def saved(path: Path, header: str = "") -> list[Trial]:
    """The trials in a file that ``--save`` wrote, a last line cut off left away; none if there is no file.
    ``header``: what its first line must say."""
    text = path.read_text() if path.exists() else ""
    lines = text[: text.rfind("\n") + 1].splitlines()
    if header and lines and lines[0] != header:
        raise SystemExit(f"{path} holds other trials ({lines[0]}), not {header}: name another file")
    return [Trial.of(line) for line in lines[1:]]


def opened(path: Path, header: str) -> TextIO:
    """The file to append trials to, without a last line cut off."""
    text = path.read_text() if path.exists() else ""
    whole = text[: text.rfind("\n") + 1]
    file = path.open("a")
    if whole != text:
        file.truncate(len(whole))
    if not whole:
        file.write(header + "\n")
    return file


def false(one: Outcome, target: float) -> bool:
    """Whether a level is wrong by more than five stated uncertainties and three targets."""
    return abs(one.error) > 5 * one.u and abs(one.error) > 3 * target


def settle(s: Stream, memory: NoiseMemory | None = None) -> tuple[Outcome, float]:
    """The filter, untold of any change: its acceptance, and the bare reading's error then."""
    f = SettlingFilter(s.digit * MG, s.target * MG, memory)
    for t, y in zip(s.arrival, s.reading, strict=True):
        state = f.feed(t, y * MG)
        since = state.level_since
        if state.accepted and t > s.hand + ARMED and since is not None and since > s.hand:
            assert state.value is not None
            assert state.u is not None
            outcome = Outcome(t - s.released, state.value / MG - s.level(state.at), state.u / MG)
            return outcome, y - s.level(t)
    return Outcome(), math.nan


def windows(s: Stream, seconds: float, fewest: int) -> Iterable[tuple[int, np.ndarray]]:
    """The last ``seconds`` of readings at each moment after the hand has come."""
    for k in range(len(s.arrival)):
        start = int(np.searchsorted(s.arrival, s.arrival[k] - seconds))
        if s.arrival[k] > s.hand + ARMED and s.arrival[start] > s.hand and k - start >= fewest:
            yield k, s.reading[start : k + 1]


def stability_mark(s: Stream, seconds: float = 1.0) -> Outcome:
    """A balance's usual mark: a second within one digit either way; takes the reading shown then."""
    for k, w in windows(s, seconds, 3):
        if np.ptp(w) <= 2.001 * s.digit:
            return Outcome(s.arrival[k] - s.released, w[-1] - s.level(s.arrival[k]), s.digit / math.sqrt(3))
    return Outcome()


def two_adjacent(s: Stream) -> Outcome:
    """OIML R 51-1:2006 T.3.2.5, R 76-1:2006 4.4.2: at most two adjacent values over five seconds."""
    for k, w in windows(s, 5.0, 10):
        if np.ptp(w) <= 1.001 * s.digit:
            return Outcome(s.arrival[k] - s.released, w[-1] - s.level(s.arrival[k]), s.digit / math.sqrt(3))
    return Outcome()


def moving_mean(s: Stream) -> Outcome:
    """Mean of three seconds once their scatter is two digits and its standard error the target."""
    for k, w in windows(s, 3.0, 5):
        scatter = float(np.std(w, ddof=1))
        u = scatter / math.sqrt(len(w))
        if scatter <= 2 * s.digit and u <= s.target:
            middle = s.arrival[k] - 1.5
            u = math.hypot(u, s.digit / math.sqrt(12) if scatter == 0 else 0.0)
            return Outcome(s.arrival[k] - s.released, float(np.mean(w)) - s.level(middle), u)
    return Outcome()


LONGER_MARKS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0)  # s, marks that wait longer, for the same error
BASELINES = {"stability mark": stability_mark, "two in 5 s": two_adjacent, "moving mean": moving_mean}


def remembered(s: Stream, seed: int, number: int) -> NoiseMemory:
    """What the same bench's past says: some earlier loads at rest, and a filter that followed the last."""
    rng = np.random.default_rng([seed, 77, ALL_CLASSES.index(s.name), number])
    loads = [make(rng, s.name, after=WARMING, like=s) for _ in range(LOADS)]
    f = SettlingFilter(s.digit * MG, s.target * MG)
    last = loads[-1]
    for t, y in zip(last.arrival, last.reading, strict=True):
        if t > last.arrival[-1] - FOLLOWED:
            f.feed(t, y * MG)
    rests = []
    for e in loads:
        rest = e.arrival > e.released + 1.0
        rests.append((e.arrival[rest], e.reading[rest] * MG, True))
    return replace(f.memory(), past=learn_past(rests, s.digit * MG))


def _bounded(s: Stream) -> bool:
    """Whether the bound's noise laws hold what disturbs this stream."""
    one = s.inside["disturbances"]
    return not (one.leaning or one.building or one.switching or one.beating or one.begun or s.rate > 20)


def stood(s: Stream, seconds: float) -> tuple[bool, bool]:
    """Whether what comes and goes on this bench stood for ``seconds`` from the release on, and whether it
    also stayed as it was until the hand came: then the readings hold no sign of it."""
    one = s.inside["disturbances"]
    drawn = one.leaning or one.building or one.switching
    if drawn is None or not math.isfinite(seconds):
        return False, False
    there = np.abs(s.inside["comes and goes"]) > 0.5 * abs(drawn[0]) * s.digit
    i, h = round(s.released * RATE), round(s.hand * RATE)
    stood = bool(there[i : i + round(seconds * RATE) + 1].all())
    return stood, stood and bool(there[:h].all() or not there[:h].any())


def trial(job: tuple[str, int, int, bool, bool]) -> Trial:
    name, number, seed, memory, bound = job
    s = stream(seed, name, number)
    outcome, bare = settle(s, remembered(s, seed, number) if memory else None)
    return Trial(
        name,
        s.target,
        s.digit,
        earliest(s, HORIZON if s.rate <= 10 else HORIZON / 2) if bound and _bounded(s) else math.nan,
        outcome,
        bare,
        *stood(s, outcome.seconds),
        {key: rule(s) for key, rule in BASELINES.items()}
        | {f"mark {seconds:.0f} s": stability_mark(s, seconds) for seconds in LONGER_MARKS},
    )


def row(name: str, trials: list[Trial], method: str = "filter") -> str:
    """One line of the table. ``shape`` is what the 95 % intervals would hold were u made honest by one
    factor: 95 % of errors by the normal law, all of a rectangle's."""
    if not trials:
        return f"{name:16s}"

    def of(t: Trial) -> Outcome:
        return t.filter if method == "filter" else t.others[method]

    taken = [t for t in trials if of(t).accepted]
    reachable = [t for t in trials if math.isfinite(t.bound)]
    share = len(taken) / len(trials)
    within = np.mean([of(t).accepted for t in reachable]) if reachable else math.nan
    if not taken:
        return f"{name:16s} {share:7.1%} {within:7.1%}"
    seconds = np.array([of(t).seconds for t in taken])
    ratio = [of(t).seconds / max(t.bound, 0.2) for t in taken if math.isfinite(t.bound)] or [math.nan]
    target = np.array([t.target for t in taken])
    error, u = np.array([(of(t).error, of(t).u) for t in taken]).T
    honest = math.sqrt(np.mean((error / u) ** 2))
    covered, shape = (float(np.mean(np.abs(error) <= 1.96 * scale * u)) for scale in (1.0, honest))
    wrong = sum(false(of(t), t.target) for t in taken)
    text = (
        f"{name:16s} {share:7.1%} {within:7.1%} {np.median(seconds):6.1f} {np.percentile(seconds, 90):6.1f}"
    )
    text += f" {np.median(ratio):6.2f} {np.sqrt(np.mean((error / target) ** 2)):8.2f}"
    text += f" {honest:6.2f} {covered:8.1%} {shape:6.1%}"
    text += f" {int(np.sum(np.abs(error) > 4 * u)):5d} {wrong:5d}"
    if method == "filter":
        bare = np.array([t.bare for t in taken])
        text += f" {np.sqrt(np.mean((bare / target) ** 2)):8.2f}"
    return text


HEAD = (
    f"{'':16s} {'taken':>7s} {'of poss':>7s} {'median':>6s} {'p90':>6s} {'/bound':>6s} {'rms/ut':>8s}"
    f" {'rms/u':>6s} {'95% cov':>8s} {'shape':>6s} {'>4u':>5s} {'false':>5s} {'bare/ut':>8s}"
)


def table(trials: list[Trial]) -> str:
    """Filter by class, then the whole with the baselines."""
    lines = [HEAD]
    for classes, words in (
        (CLASSES, "usual classes"),
        (STRANGE_CLASSES, "strange ones"),
        (ALL_CLASSES, "all"),
    ):
        mine = [t for t in trials if t.name in classes]
        if not mine:
            continue
        if classes is not ALL_CLASSES:
            lines += [row(name, [t for t in mine if t.name == name]) for name in classes]
        lines += ["-" * len(HEAD), row(words, mine)]
        lines += [row(rule, mine, rule) for rule in BASELINES]
        lines.append("-" * len(HEAD))
    wrong = [t for t in trials if t.filter.accepted and false(t.filter, t.target)]
    if wrong:
        lines.append(
            f"of {len(wrong)} false ones {sum(t.stood for t in wrong)} while something leaned, tilted or blew"
            f" on the bench from the release on, {sum(t.stood_before for t in wrong)} with no sign before"
        )
    bounds = [t.bound for t in trials if not math.isnan(t.bound)]
    finite = [b for b in bounds if math.isfinite(b)]
    if finite:
        lines.append(
            f"bound ({len(bounds)} trials): {len(finite) / len(bounds):.1%} possible, "
            f"median {np.median(finite):.1f} s"
        )
    return "\n".join(lines)


def same_error(trials: list[Trial]) -> str:
    """The filter against the quickest stability mark that errs no more; what is refused counts as never."""

    def rms(outcomes: list[Outcome]) -> float:
        taken = [(o.error / t.target) ** 2 for o, t in zip(outcomes, trials, strict=True) if o.accepted]
        return math.sqrt(np.mean(taken)) if taken else math.inf

    def median(outcomes: list[Outcome]) -> float:
        return float(np.median([o.seconds if o.accepted else math.inf for o in outcomes]))

    ours = [t.filter for t in trials]
    lines = [
        f"median time over all trials, refused = never: filter {median(ours):.1f} s at {rms(ours):.2f} ut"
    ]
    for key in ("stability mark", *(f"mark {seconds:.0f} s" for seconds in LONGER_MARKS), "two in 5 s"):
        theirs = [t.others[key] for t in trials]
        lines.append(f"    {key:16s} {median(theirs):6.1f} s at {rms(theirs):.2f} ut")
        if rms(theirs) <= rms(ours):
            break
    return "\n".join(lines)


def report(trials: list[Trial]) -> str:
    """All that is said of ``trials``."""
    return f"{table(trials)}\n{same_error(trials)}"


def speed(readings: int = 4000) -> float:
    """Readings a second on one core, of a filter at work on a noisy stream."""
    rng = np.random.default_rng(1)
    f = SettlingFilter(MG, MG)
    values = np.round(rng.normal(0, 1.5, readings)) * MG
    start = time.process_time()
    for k, y in enumerate(values):
        f.feed(0.1 * k, y)
    return readings / (time.process_time() - start)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=240, help="in all, over the classes")
    parser.add_argument("--classes", choices=("usual", "strange", "all"), default="all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, default=math.inf, help="stop then, with what there is")
    parser.add_argument(
        "--past",
        action="store_true",
        help="on a bench known from before: its noise, and a past to learn from",
    )
    parser.add_argument(
        "--bound-every", type=int, default=1, help="the bound of every Nth trial; 0 = of none"
    )
    parser.add_argument(
        "--save", type=Path, default=Path(os.devnull), help="append every trial to it; goes on where it ends"
    )
    parser.add_argument("--saved", type=Path, nargs="+", help="only the tables of these files together")
    options = parser.parse_args()
    if options.saved:
        print(report([t for path in options.saved for t in saved(path)]))
        return
    classes = {"usual": CLASSES, "strange": STRANGE_CLASSES, "all": ALL_CLASSES}[options.classes]
    each = max(1, options.trials // len(classes))
    jobs = [
        (name, k, options.seed, options.past, options.bound_every > 0 and k % options.bound_every == 0)
        for k in range(each)
        for name in classes
    ]
    header = f"{options.classes} classes, seed {options.seed}, bound of every {options.bound_every}" + (
        "; on benches known from before" if options.past else ""
    )
    print(f"{len(jobs)} trials, {each} a class; {header}; physics at {RATE:.0f} Hz; ut = target")
    trials = saved(options.save, header)
    end = time.monotonic() + 60 * options.minutes
    with get_context("spawn").Pool(options.workers) as pool, opened(options.save, header) as file:
        for done in pool.imap(trial, jobs[len(trials) :]):
            trials.append(done)
            file.write(json.dumps(asdict(done)) + "\n")
            file.flush()
            if time.monotonic() > end:
                break
    if len(trials) < len(jobs):
        print(f"stopped after {options.minutes:g} minutes: {len(trials)} trials")
    print(report(trials))
    print(f"{speed():.0f} readings a second on one core")


if __name__ == "__main__":
    main()
