"""Values put into the text of a bench file, everything else in it left as the person wrote it."""

from __future__ import annotations

import re
from collections.abc import Mapping

from ..errors import Fault, InputError
from .bench_file import parse_bench

_TABLE = re.compile(r"\s*\[\s*([A-Za-z_]+)\s*\]\s*(#.*)?$")


def with_values(text: str, values: Mapping[tuple[str, str], str], source: str = "bench file") -> str:
    """``text`` with each (table, key) set to its TOML value; what is not there yet is added to its table.

    A key's own line is replaced, a remark behind it kept. Raises InputError where the text, so changed, is
    no bench file: keys over several lines, or written as table.key, are left to the person.
    """
    lines = text.splitlines()
    for (table, key), value in values.items():
        start = next((i for i, line in enumerate(lines) if _name(line) == table), None)
        if start is None:
            lines += ["", f"[{table}]", f"{key} = {value}"]
            continue
        end = next((i for i in range(start + 1, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
        at = next((i for i in range(start, end) if re.match(rf"\s*{key}\s*=", lines[i])), None)
        if at is not None:
            remark = re.search(r"\s+#[^\"']*$", lines[at])
            lines[at] = f"{key} = {value}{remark.group(0) if remark else ''}"
            continue
        while end > start + 1 and not lines[end - 1].strip():
            end -= 1
        lines.insert(end, f"{key} = {value}")
    changed = "\n".join(lines) + "\n"
    try:
        parse_bench(changed, source)
    except InputError as error:
        found = f"the values do not go into this bench file by themselves ({error.faults[0].place})"
        expected = "the lines that are printed, put in by hand"
        raise InputError(source, [Fault("file", found, expected)]) from None
    return changed


def _name(line: str) -> str | None:
    found = _TABLE.match(line)
    return found.group(1) if found else None
