"""``python -m tests.fuzz [TARGET ...] --seconds 60``: mutate, keep what reaches new lines, stop at a fault.

Kept in ``corpus/TARGET.jsonl``, one input a line (bytes as the characters of the same numbers), which
``test_corpus`` replays. A fault found is kept as well, so that its mending is held.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from tests.support import ROOT

from .targets import TARGETS, seeds

CORPUS = Path(__file__).parent / "corpus"
#: Longest input that is kept, and the most of them for a target.
LONGEST, MOST = 4000, 250
WORDS = [b'"', b"\0", b"\n", b"\r\n", b",", b";", b"=", b"[", b"]", b"{", b"}", b"-", b"+/-", b"e999", b"NaN"]
WORDS += [
    b"9" * 25,
    b"\xff",
    b"\xed\xa0\x80",
    b"\\ud800",
    b"null",
    b"..",
    b"/",
    b"**9",
    b"(",
    b"*",
    b"1e-30",
    b" " * 40,
]
FOLDERS = tuple(str(ROOT / folder) for folder in ("analysis", "drivers", "daemon", "tui"))


def mutated(start: bytes, other: bytes, rng: random.Random) -> bytes:
    """``start`` with a few changes: bytes flipped, taken out, doubled, put in, or spliced with ``other``."""
    data = bytearray(start)
    for _ in range(rng.choice((1, 1, 2, 4, 8))):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + rng.randrange(1, 9)]
            case 2:
                data[at:at] = data[at : at + rng.randrange(1, 20)]
            case 3:
                data[at:at] = rng.choice(WORDS)
            case 4:
                data[at:] = other[rng.randrange(len(other) + 1) :]
            case _:
                data[at : at + 1] = bytes((rng.randrange(256),))
    return bytes(data[:LONGEST])


def lines_of(target: Callable[[bytes], None], data: bytes) -> set[tuple[str, int, int]]:
    """Steps from line to line of our own code that an input takes."""
    seen: set[tuple[str, int, int]] = set()
    last: dict[int, int] = {}

    def local(frame: FrameType, event: str, _: Any) -> Any:
        if event == "line":
            seen.add((frame.f_code.co_filename, last.get(id(frame), 0), frame.f_lineno))
            last[id(frame)] = frame.f_lineno
        return local

    def trace(frame: FrameType, event: str, _: Any) -> Any:
        return local if frame.f_code.co_filename.startswith(FOLDERS) else None

    sys.settrace(trace)
    try:
        target(data)
    finally:
        sys.settrace(None)
    return seen


def read_corpus(name: str) -> list[bytes]:
    """The inputs kept for a target."""
    path = CORPUS / f"{name}.jsonl"
    if not path.exists():
        return []
    return [json.loads(line).encode("latin-1") for line in path.read_text(encoding="ascii").splitlines()]


def write_corpus(name: str, inputs: list[bytes]) -> None:
    """Keep inputs, the shortest first."""
    chosen = sorted(dict.fromkeys(inputs), key=lambda data: (len(data), data))[:MOST]
    CORPUS.mkdir(exist_ok=True)
    text = "".join(json.dumps(data.decode("latin-1")) + "\n" for data in chosen)
    (CORPUS / f"{name}.jsonl").write_text(text, encoding="ascii")


def fuzz(name: str, seconds: float, rng: random.Random) -> str:
    """Fuzz one target; what was done, in a line."""
    target, known, kept, faults = TARGETS[name], set[Any](), list[bytes](), list[bytes]()
    begun, tried, slowest = time.monotonic(), 0, 0.0
    pool = read_corpus(name) + seeds(name)  # what is mutated, whether it reaches anything new or not
    waiting = list(pool)
    while waiting or time.monotonic() - begun < seconds:
        data = waiting.pop() if waiting else mutated(rng.choice(pool), rng.choice(pool), rng)
        tried += 1
        at = time.process_time()
        try:
            seen = lines_of(target, data)
        except Exception as error:
            print(f"{name}: {error!r}\n  {data!r}", file=sys.stderr, flush=True)
            faults.append(data)
            if len(faults) >= 5:
                break
            continue
        slowest = max(slowest, time.process_time() - at)
        if not seen <= known:
            known |= seen
            kept.append(data)
            pool.append(data)
    write_corpus(name, read_corpus(name) + kept + faults)
    line = f"{name}: {tried} inputs in {time.monotonic() - begun:.0f} s, {len(kept)} kept, {len(known)} steps"
    return f"{line}, slowest {slowest:.2f} s of the processor, {len(faults)} faults"


def main() -> None:
    """Fuzz the targets named, or all."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description="Random bytes for every reader."
    )
    parser.add_argument("targets", nargs="*", choices=[*TARGETS, []])
    parser.add_argument(
        "--seconds", "--for", dest="seconds", type=float, default=60.0, help="seconds for each target"
    )
    parser.add_argument("--seed", type=int, default=int(time.time()))
    given = parser.parse_args()
    for name in given.targets or TARGETS:
        print(fuzz(name, given.seconds, random.Random(given.seed)), flush=True)


if __name__ == "__main__":
    main()
