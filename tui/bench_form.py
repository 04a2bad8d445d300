"""The bench file out of a short form: fields as data, TOML out, so that nobody needs to know TOML."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, Final


@dataclass(frozen=True)
class Field:
    """One line of the form. ``key`` is its place in the bench file; ``choices`` make it a choice."""

    key: str
    label: str
    default: str
    hint: str = ""
    choices: tuple[str, ...] = ()
    #: Shown and written only when another field has one of these values.
    when: tuple[str, tuple[str, ...]] | None = None
    number: bool = False


#: By page of the form. The defaults are a small bench of the usual kind.
PAGES: Final[dict[str, tuple[Field, ...]]] = {
    "Sample": (
        Field("sample.name", "name", "WP-07-1", "as on its bag"),
        Field("sample.shape", "shape", "cylinder", choices=("cylinder", "block", "sphere", "spheroid")),
        Field(
            "sample.diameter",
            "diameter",
            "6.00 mm +/- 0.02 mm",
            when=("sample.shape", ("cylinder", "sphere", "spheroid")),
        ),
        Field("sample.length", "length", "5.00 mm +/- 0.02 mm", when=("sample.shape", ("block",))),
        Field("sample.width", "width", "5.00 mm +/- 0.02 mm", when=("sample.shape", ("block",))),
        Field(
            "sample.height",
            "height",
            "3.00 mm +/- 0.02 mm",
            "along its magnetisation",
            when=("sample.shape", ("cylinder", "block", "spheroid")),
        ),
        Field("sample.mass", "mass", "", "or empty"),
    ),
    "Magnet, gap": (
        Field("reference_magnet.shape", "magnet", "cylinder", choices=("cylinder", "block", "ring")),
        Field(
            "reference_magnet.diameter",
            "diameter",
            "20 mm",
            when=("reference_magnet.shape", ("cylinder",)),
        ),
        Field("reference_magnet.length", "length", "20 mm", when=("reference_magnet.shape", ("block",))),
        Field("reference_magnet.width", "width", "20 mm", when=("reference_magnet.shape", ("block",))),
        Field(
            "reference_magnet.outer_diameter",
            "outer diameter",
            "20 mm",
            when=("reference_magnet.shape", ("ring",)),
        ),
        Field(
            "reference_magnet.inner_diameter",
            "inner diameter",
            "8 mm",
            when=("reference_magnet.shape", ("ring",)),
        ),
        Field("reference_magnet.height", "height", "10 mm"),
        Field("reference_magnet.remanence", "remanence", "1.32 T +/- 0.02 T", "from its data sheet"),
        Field("reference_magnet.pan_load", "on the pan", "150 g", "magnet and riser, weighed"),
        Field("gap.contact", "closest gap", "1.00 mm +/- 0.05 mm", "wrap, rest plate, air"),
        Field("gap.ladder", "gap set by", "lift", choices=("lift", "spacers")),
        Field("gap.spacer", "one spacer", "1.00 mm +/- 0.02 mm", when=("gap.ladder", ("spacers",))),
        Field("gap.spacers", "how many", "30", when=("gap.ladder", ("spacers",)), number=True),
        Field(
            "gap.spacer_mass",
            "its mass",
            "",
            "lets the balance count them",
            when=("gap.ladder", ("spacers",)),
        ),
        Field("lift.port", "lift's port", "/dev/ttyACM0", when=("gap.ladder", ("lift",))),
    ),
    "Balance, site": (
        Field("balance.port", "port", "/dev/ttyUSB0", "weighloop ports lists them"),
        Field(
            "balance.dialect",
            "dialect",
            "status-line",
            "how it writes a line",
            choices=("status-line", "ask-answer", "print-line", "counted"),
        ),
        Field("balance.resolution", "resolution", "1 mg", "its last digit"),
        Field("balance.capacity", "capacity", "220 g", "most that it weighs"),
        Field("balance.attraction", "attraction", "lighter", "what a pull reads as", ("lighter", "heavier")),
        Field("site.latitude", "latitude", "53.4 deg", "for gravity where you are"),
        Field("site.altitude", "altitude", "60 m"),
        Field("site.temperature", "temperature", "21 degC", "of the room"),
    ),
}

#: Units of a mass and of a current in the form, kg and A.
MASSES: Final = {"mg": 1e-6, "g": 1e-3, "ug": 1e-9, "µg": 1e-9}
CURRENTS: Final = {"mA": 1e-3, "A": 1.0}

FIELDS: Final = tuple(field for page in PAGES.values() for field in page)


def holds(field: Field, values: Mapping[str, str]) -> bool:
    """Whether a field belongs to the bench as it is filled in."""
    return field.when is None or values.get(field.when[0], "") in field.when[1]


def values_of(bench_text: str) -> dict[str, str]:
    """The form's values out of an earlier bench file, defaults where it says nothing."""
    values = {field.key: field.default for field in FIELDS}
    try:
        tables = tomllib.loads(bench_text)
    except tomllib.TOMLDecodeError:
        return values
    for field in FIELDS:
        table, _, key = field.key.partition(".")
        found = tables.get(table, {})
        if isinstance(found, dict) and key in found:
            values[field.key] = str(found[key])
    return values


def next_name(name: str) -> str:
    """The name after ``WP-07-3``: ``WP-07-4``; a name without a number at its end stays."""
    match = re.fullmatch(r"(.*?)(\d+)", name)
    return name if match is None else f"{match[1]}{int(match[2]) + 1:0{len(match[2])}d}"


def bench_text(values: Mapping[str, str], base: str = "") -> str:
    """The bench file. Keys of ``base`` (an earlier file) that the form does not ask for are kept."""
    tables: dict[str, dict[str, Any]] = {}
    try:
        kept = tomllib.loads(base)
    except tomllib.TOMLDecodeError:
        kept = {}
    asked = {field.key for field in FIELDS}
    for field in FIELDS:
        table, _, key = field.key.partition(".")
        value = values.get(field.key, "").strip()
        if value and holds(field, values):
            number = field.number and value.isdecimal()
            tables.setdefault(table, {})[key] = int(value) if number else value
    for table, content in kept.items():
        if isinstance(content, dict) and table in tables:
            for key, value in content.items():
                if f"{table}.{key}" not in asked:
                    tables[table][key] = value
    order = ["reference_magnet", "sample", "gap", "balance", "lift", "site"]
    parts = []
    for table in order:
        if table in tables:
            lines = [_line(table, key, value) for key, value in tables[table].items()]
            parts.append(f"[{table}]\n" + "\n".join(lines) + "\n")
    parts += [
        f"[{table}]\n" + "\n".join(_line(table, key, value) for key, value in content.items()) + "\n"
        for table, content in kept.items()
        if table not in order and isinstance(content, dict)
    ]
    return "\n".join(parts)


def _line(table: str, key: str, value: Any) -> str:
    """One line of the file, with what the form says of it behind."""
    line = f"{key} = {_toml(value)}"
    field = next((field for field in FIELDS if field.key == f"{table}.{key}"), None)
    remark = "" if field is None else " | ".join(field.choices) or field.hint
    return f"{line:<38} # {remark}" if remark else line


def name_fault(name: str) -> str | None:
    """Why this is no name of a sample, or None: a command typed into the wrong line is not one."""
    if (
        len(name.strip()) > 1
        and any(letter.isalnum() for letter in name)
        and name.strip().lower() not in _COMMANDS
    ):
        return None
    return f"{name!r} looks like a command; write the name on the sample's bag, such as WP-07-1"


_COMMANDS: Final = frozenset(("help", "quit", "exit", "back", "start", "stop", "next", "yes", "no", "ok"))


def amount(label: str, text: str, scales: Mapping[str, float], such_as: str) -> float | None:
    """What ``text`` says in SI, by its unit's scale; None for an empty field. Raises ValueError in words."""
    if not text.strip():
        return None
    number, _, unit = text.strip().partition(" ")
    scale = scales.get(unit.strip())
    try:
        value = float(number)
    except ValueError:
        value = -1.0
    if scale is None or not value > 0:
        raise ValueError(f"{label}: {text!r} is not {such_as}")
    return value * scale


def _toml(value: Any) -> str:
    """A TOML value; JSON's strings, numbers, booleans and lists are TOML's too, and so is a date."""
    return value.isoformat() if isinstance(value, date) else json.dumps(value, ensure_ascii=False)


def write_bench(text: str, name: str) -> Path:
    """Keep the bench file among the user's own, under the sample's name; nothing else is overwritten."""
    import platformdirs

    folder = Path(platformdirs.user_data_dir("weighloop")) / "benches"
    folder.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^\w.-]+", "_", name).strip("._") or "sample"
    path = folder / f"{stem}.toml"
    count = 1
    while path.exists() and path.read_text(encoding="utf-8") != text:
        count += 1
        path = folder / f"{stem}-{count}.toml"
    part = path.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    os.replace(part, path)
    return path
