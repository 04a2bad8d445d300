"""Reads and checks a dialect's TOML file. Imported only when a dialect is loaded (pydantic is heavy)."""

from __future__ import annotations

import re
import tomllib
import warnings
from collections.abc import Mapping
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from ..serial.port import LineSettings
from .dialect import KILOGRAMS, Ask, Dialect, DialectError, Form, Mark, Meaning, Understood
from .framing import LineStream, Reading
from .pattern_cost import PatternTooCostly, check_cost

GROUPS = ("sign", "number", "unit", "mark", "sequence", "body", "check", "identity")
#: Largest file of a dialect, bytes.
LARGEST = 256 * 1024
PARITY: dict[str, Any] = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}


def _of_bytes(text: str) -> str:
    if odd := [c for c in text if ord(c) > 0xFF]:
        raise PydanticCustomError(
            "no_byte", "{odd} is no byte, of which a line is made", {"odd": repr(odd[0])}
        )
    return text


#: What stands on the line, a character a byte.
_LineText = Annotated[str, AfterValidator(_of_bytes)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class _Settings(_Table):
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    bytesize: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stopbits: Literal[1, 2] = 1
    flow: Literal["none", "xonxoff", "rtscts"] = "none"


class _Form(_Table):
    meaning: Meaning
    pattern: str = Field(min_length=1, max_length=500)
    marks: dict[_LineText, Mark] = {}
    unit: str | None = None
    blank_unit_mark: Mark | None = None


class _Ask(_Table):
    request: _LineText = Field(min_length=1)
    when: Literal["always", "silent"] = "silent"
    period: float = Field(default=0.2, ge=0.01, le=60)


class _Rezero(_Table):
    send: _LineText = Field(min_length=1)


class _Identity(_Table):
    request: _LineText = Field(min_length=1)


class _Example(_Table):
    line: _LineText = Field(min_length=1)
    says: str  # "12.345 g steady", "12.345 g", "overload", "not-now", ...


class _File(_Table):
    based_on: str | None = None
    name: str = Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")
    about: str = ""
    terminator: Literal["\r\n", "\n", "\r"]
    longest: int = Field(default=80, ge=4, le=256)
    interval: float | None = Field(default=None, ge=0.001, le=3600)
    gravity: float | None = Field(default=None, ge=9.7, le=9.9)
    units: dict[str, str] = {}
    settings: _Settings = _Settings()
    forms: list[_Form] = Field(min_length=1)
    ask: _Ask | None = None
    rezero: _Rezero | None = None
    identity: _Identity | None = None
    examples: list[_Example] = Field(min_length=1)


def read_dialect(path: Path, shipped: Mapping[str, Path]) -> Dialect:
    """The checked dialect of one file.

    ``based_on`` names a shipped dialect whose keys this file adds to or replaces (so a different
    baud rate is a three-line file). Raises DialectError with every fault at once.
    """
    table = _tables(path, shipped)
    try:
        file = _File.model_validate(table)
    except ValidationError as error:
        raise DialectError(str(path), [_fault(dict(e)) for e in error.errors()]) from None
    faults: list[str] = []
    units = _units(file, faults)
    forms = tuple(_form(i, form, file, faults) for i, form in enumerate(file.forms))
    if not any(form.meaning == "reading" for form in forms):
        faults.append("forms: none has meaning = 'reading'; at least one must")
    if faults:
        raise DialectError(str(path), faults)
    settings = file.settings
    named = any(form.meaning == "identity" for form in forms)
    dialect = Dialect(
        name=file.name,
        about=file.about,
        settings=LineSettings(
            settings.baud, settings.bytesize, PARITY[settings.parity], settings.stopbits, settings.flow
        ),
        terminator=file.terminator.encode("ascii"),
        longest=file.longest,
        forms=forms,
        units=units,
        unit_names={written.encode("ascii"): meant for written, meant in file.units.items()},
        examples=tuple((e.line.encode("latin-1"), e.says) for e in file.examples),
        ask=Ask(file.ask.request.encode("latin-1"), file.ask.when, file.ask.period) if file.ask else None,
        rezero=file.rezero.send.encode("latin-1") if file.rezero else None,
        # A file based on another may have forms of its own: nothing is asked whose answer none understands.
        identity=file.identity.request.encode("latin-1") if file.identity and named else None,
        interval=file.interval,
    )
    faults = _try_examples(dialect)
    if faults:
        raise DialectError(str(path), faults)
    object.__setattr__(dialect, "weakness", _weakness(dialect))
    return dialect


def _tables(path: Path, shipped: Mapping[str, Path]) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
        if len(content) > LARGEST:
            raise DialectError(str(path), [f"is larger than {LARGEST // 1024} KB, which no dialect is"])
        table = tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        raise DialectError(str(path), [f"cannot be read: {error.strerror}"]) from None
    except (
        ValueError,
        RecursionError,
    ) as error:  # the parser's own, no text, nested too deep
        raise DialectError(str(path), [f"is not TOML: {error}"]) from None
    base = table.get("based_on")
    if base is None:
        return table
    if not isinstance(base, str) or base not in shipped:
        raise DialectError(str(path), [f"based_on: {base!r} is none of {', '.join(sorted(shipped))}"])
    below = tomllib.loads(shipped[base].read_text(encoding="utf-8"))
    for key, value in table.items():
        merge = isinstance(value, dict) and isinstance(below.get(key), dict)
        below[key] = below[key] | value if merge else value
    return below


def _fault(error: dict[str, Any]) -> str:
    """One fault of pydantic's in our words: place, what is wrong, what would be right."""
    place = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        fields = _fields_at(error["loc"])
        near = get_close_matches(str(error["loc"][-1]), fields, 1)
        hint = f"perhaps {near[0]!r}" if near else f"known here: {', '.join(fields)}"
        return f"{place}: this key is not known; {hint}"
    if error["type"] == "missing":
        return f"{place}: is missing"
    return f"{place}: {error['input']!r} cannot be; {error['msg'][0].lower()}{error['msg'][1:]}"


def _fields_at(place: tuple[int | str, ...]) -> list[str]:
    tables: dict[str, type[_Table]] = {
        "settings": _Settings,
        "forms": _Form,
        "ask": _Ask,
        "rezero": _Rezero,
        "identity": _Identity,
        "examples": _Example,
    }
    table = tables.get(str(place[0]), _File) if len(place) > 1 else _File
    return list(table.model_fields)


def _units(file: _File, faults: list[str]) -> dict[bytes, Decimal]:
    units: dict[bytes, Decimal] = {}
    for written, meant in file.units.items():
        if not re.fullmatch(r"[!-~]{1,8}", written):
            faults.append(f"units.{written}: a unit is 1 to 8 printable characters without blanks")
        elif meant in KILOGRAMS:
            units[written.encode("ascii")] = KILOGRAMS[meant]
        elif meant == "N":
            # A balance does not weigh newtons: it multiplies by a gravity set in it, which must be undone.
            if file.gravity is None:
                faults.append(f"units.{written}: newtons need 'gravity', the m/s² the balance reckons with")
            else:
                units[written.encode("ascii")] = 1 / Decimal(str(file.gravity))
        else:
            try:
                units[written.encode("ascii")] = _by_pint(meant)
            except ValueError as error:
                faults.append(f"units.{written}: {error}")
    return units


def _by_pint(meant: str) -> Decimal:
    import pint

    if not re.fullmatch(r"[A-Za-z_ ]{1,40}", meant):  # the registry reads expressions, some without an end
        raise ValueError(f"{meant[:40]!r} is no name of a unit of mass; g, mg, kg, ct, N are")
    try:
        exact: Any = Decimal
        factor = pint.UnitRegistry(non_int_type=exact).Quantity(Decimal(1), meant).to("kg").magnitude
    except Exception as error:
        raise ValueError(f"{meant!r} is no unit of mass ({error}); g, mg, kg, ct, N are") from None
    return Decimal(factor)


def _form(index: int, form: _Form, file: _File, faults: list[str]) -> Form:
    place = f"forms.{index}"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", FutureWarning)  # a pattern that another Python reads otherwise
            pattern = re.compile(form.pattern.encode("latin-1"))
            check_cost(pattern, file.longest)
    except RecursionError:
        faults.append(f"{place}.pattern: brackets are nested too deep")
        return Form(form.meaning, re.compile(b"(?!)"))
    except (re.error, UnicodeEncodeError, OverflowError, FutureWarning, PatternTooCostly) as error:
        faults.append(f"{place}.pattern: {error}")
        return Form(form.meaning, re.compile(b"(?!)"))
    groups = set(pattern.groupindex)
    if unknown := groups - set(GROUPS):
        faults.append(f"{place}.pattern: groups {sorted(unknown)} are not known; known: {', '.join(GROUPS)}")
    if pattern.fullmatch(b""):
        faults.append(f"{place}.pattern: matches the empty line; it must match whole lines only")
    if form.meaning == "reading":
        if "number" not in groups:
            faults.append(f"{place}.pattern: a reading needs the group 'number'")
        if "unit" not in groups and form.unit is None:
            faults.append(f"{place}: a reading needs its unit: the group 'unit', or the key 'unit'")
    if (form.meaning == "identity") != ("identity" in groups):
        faults.append(f"{place}.pattern: the group 'identity' and meaning = 'identity' go together")
    if form.unit is not None and form.unit not in KILOGRAMS:
        faults.append(f"{place}.unit: {form.unit!r} is none of {', '.join(KILOGRAMS)}")
    if "unit" in groups and not file.units:
        faults.append("units: is missing: the units a line may name, such as units = {g = 'g'}")
    if ("mark" in groups) != bool(form.marks):
        faults.append(f"{place}.marks: the group 'mark' and the table 'marks' go together")
    if ("check" in groups) != ("body" in groups):
        faults.append(f"{place}.pattern: the groups 'check' and 'body' go together")
    marks: dict[bytes, Mark] = {key.encode("latin-1"): value for key, value in form.marks.items()}
    return Form(form.meaning, pattern, marks, form.unit, form.blank_unit_mark)


def _says(heard: Understood | str) -> str:
    if isinstance(heard, str):
        return heard
    if heard.number is None:
        return heard.meaning
    return " ".join(str(part) for part in (heard.number, heard.unit, heard.mark) if part is not None)


def _try_examples(dialect: Dialect) -> list[str]:
    """Every example must be understood as the file says it is."""
    faults = []
    for index, (line, says) in enumerate(dialect.examples):
        if (heard := _says(dialect.parse(line))) != says:
            faults.append(f"examples.{index}: {line.decode('latin-1')!r} gives {heard!r}, not {says!r}")
        if len(line) + len(dialect.terminator) > dialect.longest:
            faults.append(f"examples.{index}: is longer than 'longest' = {dialect.longest}")
    return faults


def _weakness(dialect: Dialect) -> str | None:
    """Tries the loss of any one byte of any example: does it pass as another reading?"""
    for line, _ in dialect.examples:
        whole = _numbers(dialect, line)
        for place in range(len(line)):
            heard = _numbers(dialect, line[:place] + line[place + 1 :])
            if heard and heard != whole:
                return f"one lost character can pass as another reading ({heard[0]:g} kg for {line!r})"
    return None


def _numbers(dialect: Dialect, line: bytes) -> list[float]:
    heard = LineStream(dialect).feed(line + dialect.terminator)
    return [item.value for item in heard if isinstance(item, Reading) and item.value is not None]
