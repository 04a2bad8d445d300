"""Files no bench has, generated: each with the verb that is to read it and the words that name its fault.

``cases()`` gives them all; nothing of the readers is used to make them.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.support import EXAMPLES

BENCH = (EXAMPLES / "wp-07-1.toml").read_text(encoding="utf-8")
NOTEBOOK = (EXAMPLES / "wp-07-1.csv").read_text(encoding="utf-8")
DIALECT = """
name = "shed"
terminator = "\\r\\n"
units = {g = "g"}
[[forms]]
meaning = "reading"
pattern = 'PATTERN'
unit = "g"
[[examples]]
line = "12.5"
says = "12.5 g"
"""


@dataclass(frozen=True)
class Case:
    """``verb`` with ``{x}`` for the file (or folder) that ``make`` puts at a path; ``words`` must be said."""

    kind: str
    name: str
    verb: tuple[str, ...]
    make: Callable[[Path], None]
    words: str


def cases() -> Iterator[Case]:
    """Every case, in the order of the kinds."""
    yield from _benches()
    yield from _notebooks()
    yield from _streams()
    yield from _packages()
    yield from _dialects()
    yield from _options()


def _text(content: str | bytes) -> Callable[[Path], None]:
    raw = content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
    return lambda path: void(path.write_bytes(raw))


def void(_: object) -> None:
    """Nothing, whatever it was made from."""


def _benches() -> Iterator[Case]:
    verb = ("field", "--bench", "{x}", "--gap", "3mm")
    odd = ["1e308 mm", "1e-30 mm", "1e999 mm", "-6 mm", "nan mm", "inf mm", "٦ mm", "６ mm", "6", "6 kg"]
    odd += [
        "6 mm**9**9**9",
        "6 m**9999999999",
        "6,00 mm",
        "6 mm +/- 1e308 mm",
        "6 mm +/- -1 mm",
        "6 mm +/- 1 mm +/- 1 mm",
        "0x6 mm",
        " " * 100_000,
    ]
    for table, key in (("reference_magnet", "diameter"), ("sample", "height"), ("gap", "contact")):
        for value in odd:
            content = _with(table, key, json.dumps(value, ensure_ascii=False))
            yield Case("bench file", f"{table}.{key} = {value[:20]}", verb, _text(content), f"{table}.{key}")
    for table, key, value in (
        ("sample", "mass", '"1e308 mg"'),
        ("sample", "mass", '"1e-30 mg"'),
        ("sample", "mass", '"٤١٢ mg"'),
        ("balance", "resolution", '"1e-30 mg"'),
        ("balance", "capacity", '"1e308 g"'),
        ("reference_magnet", "remanence", '"1e308 T"'),
        ("reference_magnet", "height", "[1, 2]"),
        ("reference_magnet", "height", "nan"),
        ("sample", "name", '""'),
    ):
        yield Case(
            "bench file", f"{table}.{key} = {value}", verb, _text(_with(table, key, value)), f"{table}."
        )
    for name, content in (
        ("deep", "a = " + "[" * 5000),
        ("digits", "a = " + "9" * 5000),
        ("binary", bytes(range(256))),
        ("nul", BENCH + "\0"),
        ("surrogate", BENCH.replace("WP-07-1", "WP\ud800")),
        ("empty", ""),
    ):
        yield Case("bench file", name, verb, _text(content), "{x}")


def _with(table: str, key: str, value: str) -> str:
    head, mark, rest = BENCH.partition(f"[{table}]\n")
    body, end, after = rest.partition("\n[")
    if re.search(rf"(?m)^{key} = .*$", body):
        body = re.sub(rf"(?m)^{key} = .*$", lambda _: f"{key} = {value}", body)
    else:
        body += f"\n{key} = {value}\n"
    return head + mark + body + end + after


def _notebooks() -> Iterator[Case]:
    verb = ("figures", "{x}", "--bench", str(EXAMPLES / "wp-07-1.toml"), "--trials", "100")
    header = "gap_mm,orientation,reading_g,u_g,temperature_degC\n"
    good = ["12.5", "+1", "-1.25", "0.001", "21"]
    for place, column in enumerate(header.strip().split(",")):
        for value in ("1e308", "nan", "inf", "١٢", "１２", "1_2", "0x1", "--1", "1e", "1" * 70_000):
            row = [*good[:place], value, *good[place + 1 :]]
            # So great a reading or temperature is no number of a bench; digits of other scripts are named.
            yield Case(
                "notebook", f"{column} {value[:9]}", verb, _text(header + ",".join(row)), f"column {column}"
            )
    for name, content in (
        ("no rows", header),
        ("two headers", header + header),
        ("cell", header + '12.5,+1,"' + "x" * 200_000 + '",,\n'),
        ("quote", header + '12.5,+1,"1\n'),
        ("binary", os.urandom(0) + bytes(range(256)) * 4),
        ("spaces", "gap_mm" + " " * 200_000 + "x,orientation,reading_g\n1,1,1\n"),
    ):
        yield Case("notebook", name, verb, _text(content), "{x}")


def _streams() -> Iterator[Case]:
    verb = ("settle", "{x}", "--resolution", "1mg")
    for value in ("1e308e", "nan", "inf", "١٢", "1_2", "", "x" * 200_000):
        yield Case("stream", f"time {value[:9]}", verb, _text(f"time_s,reading_g\n{value},12.3\n"), "line 2")
    yield Case("stream", "binary", verb, _text(bytes(range(256))), "{x}")


def _packages() -> Iterator[Case]:
    verb = ("figures", "{x}")
    outside = [
        "../secret.csv",
        "/etc/passwd",
        "/dev/zero",
        "sub/../../secret.csv",
        "link.csv",
        "pipe",
        "loop",
    ]
    outside += ["C:\\x.csv", "", ".", "nul\0.csv", "~/x.csv"]
    for path in outside:
        yield Case("package", f"path {path!r}", verb, _package(path), "")
    for name, descriptor in (
        ("deep", "[" * 100_000),
        ("number", '{"resources": ' + "9" * 5000 + "}"),
        ("list", "[]"),
        ("nan", '{"resources": NaN}'),
        (
            "path list",
            '{"resources": [{"name": "readings", "path": ["a.csv"]}, {"name": "bench", "path": "b"}]}',
        ),
        ("path object", '{"resources": [{"name": "readings", "path": {}}, {"name": "bench", "path": "b"}]}'),
    ):
        yield Case("package", name, verb, _folder({"datapackage.json": descriptor}), "datapackage.json")
    columns = (
        "row,gap_m,spacers,orientation,reading_kg,zero_before_kg,zero_after_kg,u_reading_kg,settled_in_s"
    )
    columns += ",temperature_K,time_s,note,set_aside"
    row = ["1", "0.01", "", "1", "0.001", "", "", "", "", "", "", "", ""]
    for place, value in (
        (0, "9" * 30),
        (1, "-1"),
        (1, "1e308"),
        (1, ""),
        (1, "١"),
        (3, "5"),
        (3, "x"),
        (4, "inf"),
    ):
        cells = [*row[:place], value, *row[place + 1 :]]
        table = columns + "\n" + ",".join(cells) + "\n"
        yield Case("package", f"{columns.split(',')[place]} {value[:9]}", verb, _parts(table), "readings.csv")
    yield Case("package", "no rows", verb, _parts(columns + "\n"), "readings.csv")


def _folder(files: dict[str, str]) -> Callable[[Path], None]:
    def make(path: Path) -> None:
        path.mkdir()
        for name, content in files.items():
            (path / name).write_text(content, encoding="utf-8")

    return make


def _parts(table: str) -> Callable[[Path], None]:
    resources = [{"name": "readings", "path": "readings.csv"}, {"name": "bench", "path": "bench.toml"}]
    descriptor = json.dumps({"resources": resources})
    return _folder({"datapackage.json": descriptor, "readings.csv": table, "bench.toml": BENCH})


def _package(named: str) -> Callable[[Path], None]:
    """A package whose readings lie at ``named``; beside it what must not be read."""

    def make(path: Path) -> None:
        resources = [{"name": "readings", "path": named}, {"name": "bench", "path": "bench.toml"}]
        _folder({"datapackage.json": json.dumps({"resources": resources}), "bench.toml": BENCH})(path)
        secret = path.parent / "secret.csv"
        secret.write_text(NOTEBOOK, encoding="utf-8")
        (path / "sub").mkdir()
        (path / "link.csv").symlink_to(secret)
        (path / "loop").symlink_to(path / "loop")
        os.mkfifo(path / "pipe")

    return make


def _dialects() -> Iterator[Case]:
    verb = ("steady", "--port", "loop://", "--dialect", "{x}", "--for", "1s")
    patterns = ["(?P<number>([0-9.]+)+)", "(?P<number>[0-9.]+)(?:a|a)*", "(?P<number>(?:[0-9]*.?)*)"]
    patterns += [
        "(?P<number>[0-9.]*)(?:x?){30}x{30}",
        "(?P<number>.*).*.*.*.*",
        "(?P<number>[0-9.]+)(\\w+\\s?)*",
    ]
    patterns += [
        "(?P<number>[0-9.]+)(?=(a+)+$)",
        "(?P<number>(?P<x>[0-9.]+)(?P=number))",
        "(" * 400 + ")" * 400,
    ]
    patterns += [
        "(?P<number>[0-9.]+)a{999999999999999}",
        "(?P<number>[0-9.]+",
        "(?P<number>" + "a" * 600 + ")",
    ]
    for pattern in patterns:
        yield Case("dialect", pattern[:40], verb, _text(DIALECT.replace("PATTERN", pattern)), "pattern")
    for name, content in (
        ("based on a list", "based_on = [1]"),
        ("deep", "a = " + "[" * 5000),
        ("binary", bytes(range(256))),
        ("large", "# " + "x" * 10_000_000),
        (
            "unit without end",
            DIALECT.replace('{g = "g"}', '{g = "mg**9**9**9"}').replace("PATTERN", "[0-9.]+"),
        ),
        ("says a word", DIALECT.replace("PATTERN", "(?P<number>[a-z0-9.]+)").replace("12.5", "nan")),
    ):
        yield Case("dialect", name, verb, _text(content), "{x}")


def _options() -> Iterator[Case]:
    for verb in (("demo",), ("twin",), ("tui", "--twin"), ("daemon",), ("steady", "--port", "loop://")):
        for value in ("inf", "nan", "0", "-1", "1e308", "٤"):
            yield Case(
                "option", f"{verb[0]} --speed {value}", (*verb, "--speed", value), _text(""), "--speed"
            )
    for value in ("x.txt", "x.csv", "x", "x.html.exe"):
        verb = ("report", str(EXAMPLES / "wp-07-1.csv"), "-o", value)
        yield Case("option", f"report -o {value}", verb, _text(""), ".html")
        verb = ("compare", str(EXAMPLES), "-o", value)
        yield Case("option", f"compare -o {value}", verb, _text(""), ".html")
    for value in ("1e308mm", "1e-30mm", "٦mm", "nanmm", "infmm", "6" * 500 + "mm"):
        verb = ("demag", "--shape", "sphere", "--diameter", value)
        yield Case("option", f"demag --diameter {value[:9]}", verb, _text(""), "--diameter")
    for words in (("plan", "--points", "١٢"), ("figures", "--trials", "٥٠٠"), ("runs", "show", "٣")):
        source = ("--bench", str(EXAMPLES / "wp-07-1.toml")) if words[0] == "plan" else ()
        source = (str(EXAMPLES / "wp-07-1.csv"),) if words[0] == "figures" else source
        yield Case("option", " ".join(words), (*words, *source), _text(""), "digits are 0 to 9")
    yield Case("option", "a missing file", ("figures", "{x}-not-there.csv"), _text(""), "no such file")
    yield Case("option", "tui without a terminal", ("tui",), _text(""), "needs a terminal")
