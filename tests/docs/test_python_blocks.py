"""Every block of Python on the pages runs, and prints what the page shows after it."""

from __future__ import annotations

import pytest

import studykit as sk
from tests.docs.python_blocks import python_pages, run_page

PAGES = python_pages()


@pytest.mark.few(2)
@pytest.mark.parametrize("page", PAGES)
def test_the_python_of_a_page_runs_and_prints_what_it_shows(page, tmp_path) -> None:
    assert run_page(page, PAGES[page], tmp_path, lambda to: sk.demo("ropeway", to=to)) == []


def test_pages_with_python_are_found() -> None:
    assert set(PAGES) == {"README.md", "docs/01-design.md", "docs/api.md", "docs/physics.md"}


def test_a_block_that_stops_or_prints_something_else_is_told(tmp_path) -> None:
    page = "```python\na = 1\nprint(a)\na + 1\n```\n\n```text\n1\n{}\n```\n\n```python\na / {}\n```\n"
    assert run_page("p", page.format(2, 1), tmp_path, lambda _: None) == []
    assert run_page("p", page.format(3, 0), tmp_path, lambda _: None) == [
        "p line 1: prints 1\n2", "p line 12: ZeroDivisionError: division by zero"]
