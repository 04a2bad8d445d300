"""The nomenclature page has every key of the figures, with the symbol and the words of the code."""

from __future__ import annotations

import re

from tests.support import ROOT
from weighloop.analysis.figures.names import FIGURE_NAMES

PAGE = (ROOT / "analysis" / "NOMENCLATURE.md").read_text(encoding="utf-8")


def test_each_figure_stands_on_the_page_under_its_symbol_and_words() -> None:
    table = PAGE.split("## Figures\n", 1)[1].split("\n## ", 1)[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()]
    found = {row[2].strip("`"): (row[0], row[1]) for row in rows if len(row) == 5 and row[2].startswith("`")}
    assert found == {key: (name.printed, name.words) for key, name in FIGURE_NAMES.items()}


def test_subscripts_of_the_printed_page() -> None:
    html = {name.symbol: name.html for name in FIGURE_NAMES.values()}
    assert html["HcJ"] == "H<sub>cJ</sub>"
    assert html["mu_rec"] == "μ<sub>rec</sub>"
    assert html["Hk/HcJ"] == "H<sub>k</sub>/H<sub>cJ</sub>"
    assert html["(BH)max"] == "(BH)<sub>max</sub>"
    assert html["W"] == "W"
    assert all(re.sub(r"</?sub>", "", name.html) == name.printed for name in FIGURE_NAMES.values())
