"""Report and comparison at the width of a phone: no table is cut, and each number keeps its column's name."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

import weighloop as wl
from tests.support import EXAMPLES
from tests.support.screen.browser import Browser
from weighloop.analysis.report import write_report
from weighloop.analysis.report.comparison import write_comparison

WIDE = """JSON.stringify([document.documentElement.scrollWidth,
  ...[...document.querySelectorAll('table, figure')]
  .filter(e => e.getBoundingClientRect().right > innerWidth || e.scrollWidth > e.clientWidth + 1)
  .map(e => e.innerText.slice(0, 60))])"""
UNNAMED = """[...document.querySelectorAll('tbody td:not(.left)')]
  .filter(e => e.innerText.match(/[0-9]/) && getComputedStyle(e, '::before').content === 'none')
  .map(e => e.innerText).join()"""


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_no_table_is_cut(tmp_path: Path) -> None:
    runs = [wl.read_notebook(EXAMPLES / f"wp-07-{i}.csv") for i in (1, 2, 3)]
    quick = [run.analysed_with(method="mean", trials=200) for run in runs]
    report, comparison = tmp_path / "report.html", tmp_path / "comparison.html"
    write_report(quick[0].result, report)
    write_comparison(wl.compare(quick), [run.result for run in quick], comparison)

    async def look(page: Path) -> tuple[str, str]:
        async with Browser(page.as_uri(), tmp_path / page.stem) as browser:
            await browser.ask(
                "Emulation.setDeviceMetricsOverride", width=390, height=800, deviceScaleFactor=1, mobile=True
            )
            while await browser.value("document.readyState") != "complete":
                await asyncio.sleep(0.05)
            return await browser.value(WIDE), await browser.value(UNNAMED)

    for page in (report, comparison):
        wide, unnamed = asyncio.run(look(page))
        assert wide == "[390]"
        assert unnamed == ""
