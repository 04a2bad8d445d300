"""The report: every number is the JSON's, and everyone can read it, on the screen and on paper."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from tests.support.example_run import example, watched
from tests.support.pages.page_reader import Page, Table
from weighloop.analysis.comparison import compare
from weighloop.analysis.errors import NotPossible
from weighloop.analysis.figures.names import FIGURE_NAMES
from weighloop.analysis.report import report_html, write_comparison, write_drawings, write_report
from weighloop.analysis.report.style import BRANCH_STYLE, WARNING

KILO = 1e3


@pytest.fixture(scope="module")
def result():
    return watched()


@pytest.fixture(scope="module")
def page(result) -> Page:
    return Page(report_html(result, recompute="weighloop figures wp-07-1.csv"))


@pytest.fixture(scope="module")
def comparison_page(tmp_path_factory) -> Page:
    results = [example(1), example(2), example(3)]
    path = tmp_path_factory.mktemp("compared") / "compared.html"
    write_comparison(compare(results), results, path)
    return Page(path.read_text(encoding="utf-8"))


def table(page: Page, column: str) -> Table:
    (found,) = [t for t in page.tables if column in t.head]
    return found


def same(shown: str, value: float | None) -> bool:
    """Whether a number on the page is ``value`` to its last shown digit (half a unit of that place)."""
    if value is None:
        return shown == "–"
    number = shown.removeprefix("at least ").removeprefix("≥ ").replace("−", "-")
    decimals = len(number.partition(".")[2])
    digits = number.lstrip("-0.").rstrip("0") if "." not in number else ""
    # A whole number may have been rounded before the point: its closing zeros are not digits.
    place = 10.0**-decimals if "." in number else 10.0 ** (len(number.lstrip("-")) - max(len(digits), 1))
    return abs(float(number) - value) <= 0.5001 * place


def test_figures_are_the_jsons(page, result):
    data = result.to_json()["figures"]
    shown = table(page, "symbol")
    assert shown.keys == [key for key in FIGURE_NAMES if key in data]
    for key, (words, symbol, value, u, interval, unit, status) in zip(shown.keys, shown.rows, strict=True):
        name, figure = FIGURE_NAMES[key], data[key]
        assert (words, symbol, unit) == (name.words, name.printed, name.unit())
        scaled = {k: None if figure[k] is None else name.shown(figure[k]) for k in ("value", "u")}
        assert same(value, scaled["value"]), key
        assert same(u, scaled["u"]), key
        assert value.startswith("at least") == (figure["status"] == "bound")
        assert status.startswith(figure["status"])
        # The reason stands once below the table, under the mark the row has.
        mark = re.search(r"\((\w)\)$", status)
        assert (mark is not None) == bool(figure["why"])
        if mark is not None:
            assert f"({mark[1]}) {figure['why']}" in page.text
        if figure["high95"] is None:
            assert interval == "–"
        else:
            low, high = interval.split(" … ")
            assert same(low, name.shown(figure["low95"]))
            assert same(high, name.shown(figure["high95"]))


def test_readings_are_the_jsons(page, result):
    data = result.to_json()
    rows = table(page, "force /mN").rows
    assert len(rows) == len(data["points"])
    for shown, point, reading in zip(rows, data["points"], data["readings"], strict=True):
        row, gap, orientation, force, u_reading, settled, *fields, branch = shown
        assert int(row) == point["row"]
        assert int(orientation) == point["orientation"]
        assert same(gap, point["gap_m"] * KILO)
        assert same(force, point["force_N"] * KILO)
        assert same(u_reading, reading["u_reading_kg"] * 1e6)
        assert same(settled, reading["settled_in_s"])
        for text, key in zip(
            fields, ("H_applied_A_per_m", "H_internal_A_per_m", "M_A_per_m", "u_M_A_per_m"), strict=True
        ):
            assert same(text, None if point[key] is None else point[key] / KILO), (row, key)
        assert branch == (point["branch"] if point["used"] else f"set aside: {point['why_not']}")
    assert "median" in table(page, "force /mN").caption


def test_the_budget_is_the_jsons(page, result):
    data = result.to_json()
    shown, whole = [t for t in page.tables if "input" in t.head]
    assert len(shown.rows) == 6 < len(whole.rows)
    symbols = {name.printed: key for key, name in FIGURE_NAMES.items()}
    for head, row in [(t.head, row) for t in (shown, whole) for row in t.rows]:
        for symbol, cell in zip(head[1:], row[1:], strict=True):
            shares = {line["input"]: line["share"] for line in data["budget"][symbols[symbol]]}
            assert same(cell, 100 * shares.get(row[0], 0.0))


def test_what_the_readings_say_of_the_bench_is_the_jsons(page, result):
    shown = table(page, "off by /u").rows
    data = result.to_json()["bench_conditioned"]
    assert len(shown) == len(data) > 0
    scales = {"mm": (0.0, KILO), "T": (0.0, 1.0), "°C": (-273.15, 1.0), "%/K": (0.0, 100.0), "": (0.0, 1.0)}
    assert {row[5] for row in shown} >= {"mm", "T", "°C"}
    for (_, stated, u_stated, found, u_found, unit, shift), row in zip(shown, data, strict=True):
        add, times = scales[unit]
        assert same(stated, (row["stated"] + add) * times)
        assert same(found, (row["found"] + add) * times)
        assert same(u_stated, row["u_stated"] * times)
        assert same(u_found, row["u_found"] * times)
        assert same(shift.lstrip("+"), row["shift_in_u"])


def test_the_other_numbers_are_the_jsons(page, result):
    data = result.to_json()
    used = sum(point["used"] for point in data["points"])
    assert f"{used} of {len(data['points'])} readings used" in page.text
    assert f"{data['monte_carlo']['trials']} trials" in page.text
    (N,) = re.findall(r"N = (0\.\d+)", page.text)
    assert same(N, data["demagnetising_factor"]["axial"])
    (closest,) = [text for _, text in page.drawings if "closest gap" in text]
    assert same(closest.split()[-2], min(p["gap_m"] for p in data["points"]) * KILO)
    assert "begun 2026-03-12 09:05" in page.text


def test_the_conclusion_names_the_leading_figures(page, result):
    lead = page.text[: page.text.index("The loop")]
    for key in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "BHmax_J_per_m3"):
        name, figure = FIGURE_NAMES[key], result.to_json()["figures"][key]
        value, u = re.findall(
            rf"{re.escape(name.printed)} (-?[\d.]+) {name.unit()} \(u = ([\d.]+) {name.unit()}\)", lead
        )[0]
        assert same(value, name.shown(figure["value"]))
        assert same(u, name.shown(figure["u"]))
    # What is only a bound is said before anything else is read.
    assert "only a lower bound: saturation" in lead.lower()
    assert "What would help: " in lead


def test_the_comparison_is_the_jsons(comparison_page):
    data = compare([example(1), example(2), example(3)]).to_json()
    names = data["runs"]
    for key in ("remanence_A_per_m", "coercivity_HcJ_A_per_m", "coercivity_HcB_A_per_m", "BHmax_J_per_m3"):
        name = FIGURE_NAMES[key]
        (shown,) = [t for t in comparison_page.tables if t.head[:1] == [name.printed]]
        assert shown.head[1:] == names
        pairs = {(d["first"], d["second"]): d for d in data["differences"] if d["figure"] == key}
        for row, line in zip(names, shown.rows, strict=True):
            for column, cell in zip(names, line[1:], strict=True):
                if row == column:
                    assert cell == "–"
                    continue
                value, u = cell.split(" ± ")
                d, sign = (pairs[row, column], 1) if (row, column) in pairs else (pairs[column, row], -1)
                assert same(value, sign * name.shown(d["value"]))
                assert same(u, name.shown(d["u"]))
    for row, t in zip(table(comparison_page, "change a sample").rows, data["trend"], strict=True):
        assert same(row[1], FIGURE_NAMES[t["figure"]].shown(t["per_run"]))
    for row, b in zip(table(comparison_page, "u(mean)").rows, data["batch"], strict=True):
        for text, key in zip(row[1:5], ("mean", "u_mean", "spread", "u_own"), strict=True):
            assert same(text, FIGURE_NAMES[b["figure"]].shown(b[key])), (row, key)


@pytest.mark.parametrize("which", ["page", "comparison_page"])
def test_everyone_can_read_it(which, request):
    """Texts for every drawing, captions and scoped headers for every table (WCAG 2.2, 1.1.1 and 1.3.1)."""
    page: Page = request.getfixturevalue(which)
    assert page.faults == []
    assert page.drawings
    for said, caption in page.drawings:
        assert said.get("role") == "img"
        assert said.get("aria-label") == caption
        assert len(caption) > 20
    for t in page.tables:
        assert t.caption
        assert t.scoped
        assert all(len(row) == len(t.head) for row in t.rows)
    assert page.tags.count("h1") == 1
    assert not {"script", "link", "img", "iframe"} & set(page.tags)


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition): sRGB to linear, weighted."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def over(colour: str, ground: str, share: float) -> str:
    """A colour laid over a ground, ``share`` of it."""
    mixed = (
        round(share * int(colour[i : i + 2], 16) + (1 - share) * int(ground[i : i + 2], 16))
        for i in (1, 3, 5)
    )
    return "#" + "".join(f"{c:02x}" for c in mixed)


def test_contrast():
    """Text 4.5 to 1 (WCAG 2.2, 1.4.3), drawn lines and marks 3 to 1 (1.4.11)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    css = files("weighloop.analysis.report").joinpath("page.css").read_text(encoding="utf-8")
    colour = dict(re.findall(r"--(\w+): (#\w{6})", css))
    darkest = over(colour["accent"], colour["paper"], 0.35)  # the budget's deepest tint
    for ink in ("ink", "quiet", "warn"):
        assert contrast(colour[ink], colour["paper"]) >= 4.5, ink
        assert contrast(colour[ink], "#ffffff") >= 4.5, ink
    assert contrast(colour["ink"], darkest) >= 4.5
    for drawn in [style["color"] for style in BRANCH_STYLE.values()] + [WARNING]:
        assert contrast(drawn, "#ffffff") >= 3, drawn
    # No reader depends on colour: mark and line differ too.
    for kind in ("marker", "linestyle"):
        assert len({style[kind] for style in BRANCH_STYLE.values()}) == len(BRANCH_STYLE)


@pytest.mark.costly
def test_names_from_outside_are_text(result):
    bench = replace(result.bench, sample=replace(result.bench.sample, name='<b>"WP" & co'))
    text = report_html(replace(result, bench=bench))
    assert "<b>" not in text
    assert "&lt;b&gt;" in text
    assert "draught &lt;sill&gt;" in text


@pytest.mark.costly
@pytest.mark.parametrize(("kind", "begins"), [("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_drawings_on_request(result, tmp_path, kind, begins):
    written = write_drawings(result, tmp_path / "drawn", kind)
    assert {path.stem for path in written} == {
        "magnetisation", "induction", "pull", "steadiness", "temperature", "bench",
    }  # fmt: skip
    for path in written:
        assert path.read_bytes().startswith(begins)


def test_drift_is_seen_through_the_spacers_mass():
    """Zeros differ by the mass of the spacers on the pan, tens of grams here; the drawing has none of it."""
    from weighloop.analysis.report.plots import steadiness_drawing

    result = example()
    (line,) = steadiness_drawing(result).axes[0].lines
    assert np.ptp(result.readings.zero_before) * KILO > 20
    assert np.ptp(np.asarray(line.get_ydata(), float)) < 200  # mg


def test_a_report_is_written_whole_or_not_at_all(result, tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    path.write_text("the earlier one")

    def full(self, text, encoding=None):
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr("weighloop.analysis.report.page.report_html", lambda result: "<p>")  # drawn above
    monkeypatch.setattr(Path, "write_text", full)
    with pytest.raises(OSError, match="No space"):
        write_report(result, path)
    monkeypatch.undo()
    assert path.read_text() == "the earlier one"


@pytest.mark.slow
def test_as_pdf_two_pages_then_the_appendix(result, tmp_path, monkeypatch):
    """A4 (ISO 216), the verdict, the loop and the figures on two pages, page numbers and a running head."""
    try:
        from weasyprint import HTML
    except OSError:  # the system's text library is missing
        if os.environ.get("CI"):
            raise
        with pytest.raises(NotPossible):
            write_report(result, tmp_path / "report.pdf")
        pytest.skip("no Pango library")
    laid_out = []
    render = HTML.render
    monkeypatch.setattr(HTML, "render", lambda *a, **k: laid_out.append(render(*a, **k)) or laid_out[0])
    write_report(result, tmp_path / "report.pdf")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
    pages = laid_out[0].pages
    assert {(round(p.width), round(p.height)) for p in pages} == {(794, 1123)}  # 210 x 297 mm at 96 dpi

    def heads(page):
        found, boxes = [], [page._page_box]
        while boxes:
            box = boxes.pop()
            boxes += list(getattr(box, "children", []))
            if getattr(box, "element_tag", "") == "h2":
                found += [part.text for part in box.descendants() if hasattr(part, "text")]
        return found

    where = {head: k for k, page in enumerate(pages) for head in heads(page)}
    assert where["The loop"] == 0
    assert where["Figures"] <= 1
    assert where["What the uncertainty is made of"] == 1
    assert where["Appendix: induction and energy product"] == 2


@pytest.mark.costly
def test_cgs_figures_on_request(result):
    """1 Oe = 1000/(4 pi) A/m (Goldfarb and Fickett, NBS SP 696)."""
    page = Page(report_html(result, units="cgs"))
    (HcJ,) = [row for row in table(page, "symbol").rows if row[1] == "HcJ"]
    value = result.to_json()["figures"]["coercivity_HcJ_A_per_m"]["value"]
    assert HcJ[5] == "Oe"
    assert float(HcJ[2]) == pytest.approx(value * 4e-3 * np.pi, rel=2e-3)
