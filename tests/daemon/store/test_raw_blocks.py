"""Raw readings survive packing as they were sent; the size is what information theory allows, nearly."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.daemon.store.raw_blocks import Raw, pack, readings, unpack

marks = st.sampled_from([None, "steady", "unsteady"])
# Balances send decimal numbers: up to 7 places of a gram here, any sign.
values = st.one_of(st.none(), st.integers(-3_000_000_000, 3_000_000_000).map(lambda n: n / 1e10))
times = st.floats(0, 4e9, allow_nan=False)


@settings(max_examples=examples(150))
@given(st.lists(st.builds(Raw, times, values, marks), min_size=1, max_size=60))
def test_what_goes_in_comes_out(given: list[Raw]) -> None:
    back = list(readings(unpack(pack(given))))
    assert [r.value_kg for r in back] == [r.value_kg for r in given]
    assert [r.mark for r in back] == [r.mark for r in given]
    assert all(abs(a.time_s - b.time_s) <= 0.000501 for a, b in zip(back, given, strict=True))


@settings(max_examples=examples(100))
@given(st.binary(max_size=80))
def test_damage_is_told_and_never_read_as_readings(noise: bytes) -> None:
    block = pack([Raw(t / 10, 0.001 * t, "steady") for t in range(50)])
    with pytest.raises(ValueError):
        unpack(noise)
    with pytest.raises(ValueError):
        unpack(block[: len(block) // 2])


def test_bytes_per_reading_near_the_entropy_of_the_digits() -> None:
    rng = np.random.default_rng(5)
    n, sigma = 4096, 2.0  # digits
    digits = np.round(50_000 + rng.normal(0, sigma, n))
    raw = [Raw(0.1 * i, float(d) * 1e-6, "steady") for i, d in enumerate(digits)]
    # Entropy of a rounded Gaussian, bits: log2(sigma sqrt(2 pi e)). Cover & Thomas, Elements of
    # Information Theory, section 8.3 (from memory). Differences of white noise cost half a bit more.
    least = math.log2(sigma * math.sqrt(2 * math.pi * math.e)) / 8
    assert least <= len(pack(raw)) / n < 1.6 * least + 0.2


def test_an_empty_block_has_no_meaning() -> None:
    with pytest.raises(ValueError, match="empty"):
        pack([])
