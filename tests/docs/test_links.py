"""Every relative link of the pages leads to something that exists."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.support import ROOT

TOP = ROOT
FOLDERS = ("analysis", "daemon", "drivers", "hardware_notes", "tui", ".github")
PAGES = [
    TOP / "README.md",
    TOP / "DEVELOPERS.md",
    *sorted(page for folder in FOLDERS for page in (TOP / folder).rglob("*.md")),
]

LINK = re.compile(r"\]\(([^)\s]+)\)")
CODE = re.compile(r"^```.*?^```", re.MULTILINE | re.DOTALL)


def headings(page: Path) -> set[str]:
    """The names under which a page's headings can be linked to, as code hosts make them."""
    text = CODE.sub("", page.read_text(encoding="utf-8"))
    titles = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in titles}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(TOP)))
def test_links_resolve(page: Path) -> None:
    faults = []
    for link in LINK.findall(CODE.sub("", page.read_text(encoding="utf-8"))):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, heading = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        if not target.exists():
            faults.append(f"{link}: no such file")
        elif heading and heading not in headings(target):
            faults.append(f"{link}: no such heading")
    assert not faults, f"{page.relative_to(TOP)}: {faults}"


def test_every_page_can_be_reached_from_the_readme() -> None:
    reached, waiting = set(), [TOP / "README.md"]
    while waiting:
        page = waiting.pop()
        if page in reached or page.suffix != ".md" or not page.exists():
            continue
        reached.add(page)
        links = LINK.findall(CODE.sub("", page.read_text(encoding="utf-8")))
        waiting += [(page.parent / link.partition("#")[0]).resolve() for link in links if "://" not in link]
    assert [str(page.relative_to(TOP)) for page in PAGES if page not in reached] == []
