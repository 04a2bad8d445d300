"""The bench file: read whole, refused whole, every fault with its key."""

from __future__ import annotations

from math import pi
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import examples
from weighloop.analysis.errors import InputError
from weighloop.analysis.files.bench_file import parse_bench, read_bench

GOOD = """
[reference_magnet]
shape = "cylinder"
diameter = "20 mm"
height = "10 mm"
remanence = "1.32 T +/- 0.02 T"

[sample]
name = "WP-07-3"
shape = "cylinder"
diameter = "6.00 mm +/- 0.02 mm"
height = "3.00 mm +/- 0.02 mm"
mass = "412 mg +/- 1 mg"

[gap]
contact = "1.00 mm +/- 0.05 mm"
ladder = "lift"
spacer = "1.00 mm +/- 0.02 mm"
spacers = 30

[balance]
port = "/dev/ttyUSB0"
dialect = "status-line"
resolution = "1 mg"
capacity = "220 g"
attraction = "lighter"

[lift]
port = "/dev/ttyACM0"

[site]
latitude = "53.4 deg"
altitude = "60 m"
temperature = "21 degC"
"""


def test_the_contracts_example_is_read_in_si() -> None:
    bench = parse_bench(GOOD)
    assert bench.reference_magnet.remanence.value == 1.32
    assert bench.reference_magnet.remanence.u == pytest.approx(0.02)
    assert bench.sample.diameter is not None
    assert bench.sample.diameter.value == pytest.approx(6e-3)
    assert bench.sample.mass is not None
    assert bench.sample.mass.value == pytest.approx(412e-6)
    assert bench.gap.contact.u == pytest.approx(5e-5)
    assert bench.balance.resolution == pytest.approx(1e-6)
    assert bench.site.latitude.value == pytest.approx(53.4 * pi / 180)
    assert bench.lift_port == "/dev/ttyACM0"
    assert bench.source_text == GOOD


def _faults(text: str) -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        parse_bench(text)
    return {fault.place: str(fault) for fault in caught.value.faults}


def test_every_fault_at_once() -> None:
    text = (
        GOOD.replace('diameter = "20 mm"', "diameter = 20")
        .replace("remanence =", "remanance =")
        .replace('"1 mg"\n', '"1 mm"\n', 1)
        .replace('resolution = "1 mg"', 'resolution = "1 mm"')
        .replace('"lighter"', '"up"')
        .replace("spacers = 30", 'spacers = "x"')
        .replace("[site]", "[place]")
    )
    faults = _faults(text)
    assert set(faults) == {
        "reference_magnet.diameter",
        "reference_magnet.remanance",
        "balance.resolution",
        "balance.attraction",
        "gap.spacers",
        "place",
    }
    assert "no unit" in faults["reference_magnet.diameter"]
    assert "did you mean 'remanence'?" in faults["reference_magnet.remanance"]
    assert "one of lighter, heavier" in faults["balance.attraction"]


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('height = "10 mm"', 'height = "0 mm"', "reference_magnet.height"),
        ('height = "10 mm"', 'height = "-1 mm"', "reference_magnet.height"),
        ('"1.32 T +/- 0.02 T"', '"13200 T"', "reference_magnet.remanence"),
        ('shape = "cylinder"\ndiameter = "6', 'shape = "tube"\ndiameter = "6', "sample.shape"),
        ('ladder = "lift"\nspacer = "1.00 mm +/- 0.02 mm"', 'ladder = "spacers"', "gap"),
        ('capacity = "220 g"', 'capacity = "1 mg"', "balance"),
        ('latitude = "53.4 deg"', 'latitude = "120 deg"', "site.latitude"),
        ('contact = "1.00 mm +/- 0.05 mm"', 'contact = "1.00 mm +/- -0.05 mm"', "gap.contact"),
    ],
)
def test_one_fault_names_its_key(old: str, new: str, place: str) -> None:
    assert old in GOOD
    assert place in _faults(GOOD.replace(old, new))


def test_a_ring_has_its_own_keys() -> None:
    ring = GOOD.replace(
        'shape = "cylinder"\ndiameter = "20 mm"',
        'shape = "ring"\nouter_diameter = "20 mm"\ninner_diameter = "6 mm"',
    )
    magnet = parse_bench(ring).reference_magnet
    assert magnet.inner_diameter is not None
    assert magnet.inner_diameter.value == pytest.approx(6e-3)
    assert "reference_magnet" in _faults(ring.replace('"6 mm"', '"26 mm"'))


TURNER = 'port = "/dev/ttyACM0"\nturner = true'


def test_a_turner_has_its_keys() -> None:
    assert parse_bench(GOOD).gap.turner is None
    sensible = parse_bench(GOOD.replace('port = "/dev/ttyACM0"', TURNER)).gap.turner
    assert sensible is not None
    assert (sensible.turning_height, sensible.eccentricity.value, sensible.eccentricity.u) == (45e-3, 0, 5e-5)
    keys = 'travel = "70 mm"\nturning_height = "60 mm"\neccentricity = "-0.12 mm +/- 0.02 mm"'
    stated = parse_bench(GOOD.replace('port = "/dev/ttyACM0"', f"{TURNER}\n{keys}")).gap.turner
    assert stated is not None
    assert stated.turning_height == pytest.approx(60e-3)
    assert stated.eccentricity.value == pytest.approx(-0.12e-3)
    assert stated.eccentricity.u == pytest.approx(0.02e-3)
    unused = parse_bench(GOOD.replace('port = "/dev/ttyACM0"', f"{TURNER}\n{keys}".replace("true", "false")))
    assert unused.gap.turner is None


@pytest.mark.parametrize(
    ("line", "place", "words"),
    [
        ('turner = "yes"', "lift.turner", "true or false"),
        ("turner = 1", "lift.turner", "true or false"),
        ('turner = true\nturning_height = "60 mm"', "lift", "49 mm"),  # the travel, where none is stated
        ('turner = true\nturning_height = "60 mg"', "lift.turning_height", 'write "60 mm"'),
        ('turner = true\neccentricity = "1.5 mm"', "lift.eccentricity", "0 mm +/- 0.05 mm"),
        ('eccentricity = "0.1"', "lift.eccentricity", 'write "0.1 mm"'),
    ],
)
def test_a_wrong_turner_names_its_key(line: str, place: str, words: str) -> None:
    with pytest.raises(InputError) as raised:
        parse_bench(GOOD.replace('port = "/dev/ttyACM0"', f'port = "/dev/ttyACM0"\n{line}'))
    (fault,) = raised.value.faults
    assert fault.place == place
    assert words in f"{fault.found} {fault.expected}"


COIL = """
[coil]
turns = 291
inner_diameter = "3 mm"
outer_diameter = "6 mm"
height = "3 mm"
"""


def test_a_current_source_has_its_keys() -> None:
    plain = parse_bench(GOOD + COIL)
    assert plain.current_source is None
    assert plain.coil is not None
    assert plain.coil.current_gain.u == 0.0005  # a voltmeter over a shunt
    source = GOOD.replace('port = "/dev/ttyACM0"', 'port = "/dev/ttyACM0"\ncurrent_source = true')
    sensible = parse_bench(source + COIL)
    assert sensible.current_source is not None
    assert (sensible.current_source.shunt, sensible.current_source.largest_current) == (47, 0.055)
    assert sensible.coil is not None
    assert sensible.coil.current_gain.u == 0.0015  # the controller's converter
    keys = 'current_source = true\nshunt = "0.1 kohm"\nlargest_current = "20 mA"'
    stated = parse_bench(
        source.replace("current_source = true", keys) + COIL + 'current_gain = "1.002 +/- 0.0004"'
    )
    assert stated.current_source is not None
    assert (stated.current_source.shunt, stated.current_source.largest_current) == pytest.approx((100, 0.02))
    assert stated.coil is not None
    assert (stated.coil.current_gain.value, stated.coil.current_gain.u) == (1.002, 0.0004)
    assert parse_bench(source.replace("= true", "= false")).current_source is None


@pytest.mark.parametrize(
    ("line", "place", "words"),
    [
        ('current_source = "yes"', "lift.current_source", "true or false"),
        ('shunt = "47 mm"', "lift.shunt", "47 ohm"),
        ('largest_current = "0 mA"', "lift.largest_current", "55 mA"),
    ],
)
def test_a_wrong_current_source_names_its_key(line: str, place: str, words: str) -> None:
    with pytest.raises(InputError) as raised:
        parse_bench(GOOD.replace('port = "/dev/ttyACM0"', f'port = "/dev/ttyACM0"\n{line}'))
    (fault,) = raised.value.faults
    assert fault.place == place
    assert words in f"{fault.found} {fault.expected}"


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a readable bench file"):
        read_bench(tmp_path / "absent.toml")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        read_bench(bad)
    bad.write_text("x = [")
    with pytest.raises(InputError, match="not TOML"):
        read_bench(bad)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(GOOD, encoding="utf-8-sig")
    assert read_bench(path).sample.name == "WP-07-3"


@settings(max_examples=examples(60))
@given(
    st.dictionaries(
        st.sampled_from(["reference_magnet", "sample", "gap", "balance", "lift", "site", "other"]),
        st.one_of(
            st.integers(),
            st.text("abc", max_size=3),
            st.dictionaries(
                st.sampled_from(["shape", "height", "diameter", "contact", "name", "port"]),
                st.one_of(st.integers(), st.sampled_from(["1 mm", "ring", "x", "1"]), st.booleans()),
            ),
        ),
    )
)
def test_any_tables_are_a_bench_or_faults(tables: dict) -> None:
    import json

    text = "\n".join(
        f"{name} = {_toml(value) if isinstance(value, dict) else json.dumps(value)}"
        for name, value in tables.items()
    )
    with pytest.raises(InputError):
        parse_bench(text)


def _toml(table: dict) -> str:
    import json

    return "{" + ", ".join(f"{key} = {json.dumps(value)}" for key, value in table.items()) + "}"
