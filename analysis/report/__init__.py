"""The report of a run: one self-contained HTML file."""

from .page import report_html, write_drawings, write_report

__all__ = ["report_html", "write_drawings", "write_report"]
