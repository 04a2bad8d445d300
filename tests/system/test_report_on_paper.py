"""The report as a browser prints it."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from tests.support.example_run import watched
from weighloop.analysis.report import write_report


@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium here")
def test_on_paper(tmp_path):
    """Printed it is A4 (ISO 216: 210 x 297 mm), and no page more than the readings need."""
    path = tmp_path / "report.html"
    write_report(watched(), path)
    command = [
        "chromium",
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path / 'user'}",
    ]
    command += ["--no-pdf-header-footer", f"--print-to-pdf={tmp_path / 'report.pdf'}", path.as_uri()]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    pdf = (tmp_path / "report.pdf").read_bytes()
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    points = 72 / 25.4
    for width, height in boxes:
        assert float(width) == pytest.approx(210 * points, abs=1)
        assert float(height) == pytest.approx(297 * points, abs=1)
    assert 4 <= len(boxes) <= 9
