"""The report of a run: one self-contained HTML file."""

from .comparison import write_comparison
from .many import write_many
from .output import page_file
from .page import report_html, write_drawings, write_report
from .programme import write_programme
from .repeat import write_repeat

__all__ = [
    "page_file",
    "report_html",
    "write_comparison",
    "write_drawings",
    "write_many",
    "write_programme",
    "write_repeat",
    "write_report",
]
