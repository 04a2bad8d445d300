"""What is built, and the parser against every small damage of a line."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.firmware

#: An ATmega328P has 32768 bytes of flash and 2048 of memory (its data sheet); the usual boot loader takes
#: 512 of the flash. A quarter of the memory is left to the stack.
FLASH, MEMORY = 32768 - 512, 2048 * 3 // 4


def test_it_fits_the_chip(build: Path) -> None:
    table = subprocess.run(["avr-size", build / "lift.elf"], capture_output=True, text=True, check=True)
    text, data, bss = (int(word) for word in table.stdout.splitlines()[1].split()[:3])
    assert 1000 < text + data < FLASH
    assert 100 < data + bss < MEMORY


def test_the_file_to_flash_is_whole(build: Path) -> None:
    """Intel HEX: every record's bytes, the sum included, add up to zero; the last is the end record."""
    records = (build / "lift.hex").read_text().split()
    for record in records:
        assert record[0] == ":"
        assert sum(bytes.fromhex(record[1:])) % 256 == 0
    assert records[-1] == ":00000001FF"


def test_no_damaged_line_would_be_obeyed(build: Path) -> None:
    """Every 1, 2, 3 bit error and burst of up to 12 bits, every loss, insertion, swap; random lines."""
    fuzz = subprocess.run([build / "fuzz", "100000", "12"], capture_output=True, text=True, timeout=120)
    assert fuzz.returncode == 0, fuzz.stdout
    assert int(fuzz.stdout.split()[0]) > 6_000_000
