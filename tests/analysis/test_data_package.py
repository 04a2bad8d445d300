"""A run as an open data package: valid by the specification's own library, the same run when read back."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.example_run import example
from tests.support.examples import examples
from weighloop.analysis.data_package import is_package, read_package, read_raw, write_package
from weighloop.analysis.errors import InputError
from weighloop.analysis.records.readings import RawReadings
from weighloop.analysis.results import analyse
from weighloop.analysis.units import registry


@pytest.fixture(scope="module")
def package(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("package")
    result = example()
    n = len(result.readings)
    readings = replace(result.readings, settled_in=np.linspace(0.7, 6.9, n))
    write_package(replace(result, readings=readings), folder, licence="CC0-1.0", details={"version": "0.1.0"})
    return folder


@pytest.mark.costly
def test_valid_by_the_frictionless_library(package):
    """Descriptor, schemas, each cell's type, checksums, sizes (Data Package, specs.frictionlessdata.io)."""
    from frictionless import Package, validate

    report = validate(package / "datapackage.json")
    assert report.valid, report.flatten(["type", "message"])
    tables = [task for task in report.tasks if task.type == "table"]
    assert {task.name for task in tables} == {"readings", "points"}
    read = Package(package / "datapackage.json")
    assert read.licenses == [{"name": "CC0-1.0"}]
    rows = read.get_resource("readings").read_rows()
    assert [float(row["reading_kg"]) for row in rows] == example().readings.reading.tolist()


def test_raw_readings_are_a_table_with_units_and_come_back_bit_for_bit(tmp_path):
    from frictionless import validate

    time, value = np.array([-2.25, -0.1, 0.0, 0.1 + 0.2]), np.array([1.23456e-3, np.nan, -0.0, 1 / 3])
    raw = RawReadings(time, value, ("steady", None, "overload", None))
    descriptor = write_package(example(), tmp_path / "run", raw=raw)
    report = validate(descriptor)
    assert report.valid, report.flatten(["type", "message"])
    units = {
        field["name"]: field.get("unit")
        for resource in json.loads(descriptor.read_text())["resources"]
        if resource["name"] == "raw"
        for field in resource["schema"]["fields"]
    }
    assert units == {"time_s": "s", "reading_kg": "kg", "mark": None}
    again = read_raw(descriptor.parent)
    assert again is not None
    np.testing.assert_array_equal(again.time, time)
    np.testing.assert_array_equal(again.value, value)
    assert again.mark == raw.mark


def test_the_library_sees_a_spoilt_package(package, tmp_path):
    """The check above can fail: a cell of another type, and a file that was changed."""
    from frictionless import validate

    for file in package.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    path = tmp_path / "readings.csv"
    path.write_text(path.read_text().replace("\n1,", "\none,", 1))
    kinds = {error.type for error in validate(tmp_path / "datapackage.json").tasks[0].errors}
    assert "type-error" in kinds
    assert {"hash-count", "byte-count"} & kinds


def test_units_are_in_the_schema(package):
    """A column whose name ends in a unit says that unit in its schema, and pint knows it."""
    descriptor = json.loads((package / "datapackage.json").read_text())
    for resource in descriptor["resources"][:2]:
        for field in resource["schema"]["fields"]:
            assert field["description"]
            written = field["name"].partition("_")[2].replace("_per_", "/").rpartition("_")[2]
            if field["type"] == "number" and field["name"] != "spacers":
                assert field["unit"].replace(" ", "") == written, field
            if field.get("unit", "1") != "1":
                registry().Unit(field["unit"])


def test_read_back_to_identical_results(package):
    readings, bench = read_package(package)
    assert is_package(package)
    again = analyse(readings, bench, trials=400)
    before = example().to_json()
    for key in ("figures", "points", "budget", "warnings"):
        assert again.to_json()[key] == before[key], key
    assert readings.started == example().readings.started
    assert readings.settled_in is not None
    assert readings.note == example().readings.note


def test_a_changed_file_is_refused(package, tmp_path):
    for file in package.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    path = tmp_path / "readings.csv"
    path.write_text(path.read_text().replace("1", "2", 1))
    with pytest.raises(InputError, match=r"readings\.csv: content: it was changed"):
        read_package(tmp_path)


@pytest.mark.parametrize(
    ("descriptor", "says"),
    [
        ("", "descriptor: not readable"),
        ("[]", "descriptor: not readable"),
        ('{"resources": 3}', "descriptor: not readable"),
        ('{"resources": [{"name": "readings", "path": "none.csv"}, {"name": "bench"}]}', "none.csv"),
        ('{"resources": [{"name": "readings", "path": 7}, {"name": "bench"}]}', "descriptor: not readable"),
        ("\x00", "descriptor: not readable"),
    ],
)
def test_a_package_that_is_none(tmp_path, descriptor, says):
    (tmp_path / "datapackage.json").write_text(descriptor)
    with pytest.raises(InputError, match=says):
        read_package(tmp_path)


@settings(
    max_examples=examples(40),
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
@given(
    st.one_of(st.text(max_size=200), st.recursive(st.none() | st.text(max_size=9), st.lists).map(json.dumps))
)
def test_any_descriptor_is_a_package_or_a_told_fault(tmp_path, text):
    (tmp_path / "datapackage.json").write_text(text, encoding="utf-8", errors="replace")
    with pytest.raises(InputError) as caught:
        read_package(tmp_path)
    assert str(caught.value)
