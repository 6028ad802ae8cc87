"""JupyterLab and Notebook in a real browser: both boards of sliders by keyboard alone, a lesson as a student works on it.

One server of each and one browser serve all tests here. Skipped, with its reason, where no Chromium or no playwright is
installed. The server is started with folders of its own, on a free port with a random token, and only that one process
group is stopped at the end.
"""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import nbformat
import pytest

from studykit.commands.cli import main
from tests.browser.pages import CHROMIUM, chromium
from tests.course import make

ROOT = Path(__file__).resolve().parents[2]
READY = """async () => {const a = window.jupyterapp; await a.restored; const w = a.shell.currentWidget;
await w.context.ready; await w.sessionContext.ready; await w.sessionContext.session.kernel.info;}"""
QUIET = '{"fetchNews":"false","checkForUpdates":false,"doNotDisturbMode":true}'
WHERE = """() => {const e = document.activeElement, l = e && e.id && document.querySelector(`label[for="${e.id}"]`);
return l ? l.textContent : ''}"""

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine"),
    pytest.mark.skipif(importlib.util.find_spec("playwright") is None, reason="playwright is not installed"),
]


def _free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


def _environment(home: Path) -> dict[str, str]:
    """No word that nobody sits there, and none that somebody does; settings, sessions and workspaces in ``home``."""
    env = {k: v for k, v in os.environ.items() if k not in ("STUDYKIT_HEADLESS", "JPY_SESSION_NAME")}
    for name, folder in (("JUPYTER_CONFIG_DIR", "c"), ("JUPYTER_DATA_DIR", "d"), ("JUPYTER_RUNTIME_DIR", "r"),
                         ("IPYTHONDIR", "i"), ("JUPYTERLAB_SETTINGS_DIR", "s"), ("JUPYTERLAB_WORKSPACES_DIR", "w")):
        env[name] = str(home / folder)
    quiet = home / "s/@jupyterlab/apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text(QUIET)
    return env


def _only(cells: list[Any], *wanted: str) -> list[Any]:
    """The code cells that have one of these words, in order, without outputs."""
    kept = [c for c in cells if c.cell_type == "code" and any(w in c.source for w in wanted)]
    for cell in kept:
        cell.outputs, cell.execution_count = [], None
    return kept


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the main demo with the design notebook's cells that lead to the sliders, and a student's copy of a lesson."""
    made = tmp_path_factory.mktemp("lab")
    shutil.copytree(ROOT / "demo_data/ropeway", made / "study")
    (made / "study/notebooks").mkdir(exist_ok=True)
    book = nbformat.read(ROOT / "notebooks/01-design.ipynb", as_version=4)
    book.cells = _only(book.cells, "study: str", "open_stage", "show_sliders", "show_settling")
    assert len(book.cells) == 4
    nbformat.write(book, made / "study/notebooks/sliders.ipynb")
    assert main(["course", str(made / "course")]) == 0
    return made


APPS = {"jupyterlab": ("lab/tree/{}?reset&token=", "--LabApp.expose_app_in_browser=True", "--LabApp.news_url=None",
                       "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
                       "--LabApp.extension_manager=readonly"),
        "notebook": ("notebooks/{}?token=", "--JupyterNotebookApp.expose_app_in_browser=True")}
"""The front ends: how they are started, and the address of a notebook in each."""


@contextlib.contextmanager
def served(app: str, folder: Path, home: Path) -> Iterator[str]:
    """Address of a front end over the folder, to which a notebook's path is put in."""
    port, token = _free_port(), secrets.token_hex(8)
    where, *options = APPS[app]
    command = [sys.executable, "-m", app, "--no-browser", "--allow-root", f"--port={port}", "--ServerApp.ip=127.0.0.1",
               f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={folder}", "--ServerApp.port_retries=0", *options]
    with (home / "app.log").open("w") as log:
        server = subprocess.Popen(command, env=_environment(home), stdout=log, stderr=subprocess.STDOUT,
                                  start_new_session=True)
        try:
            _wait_until_up(f"http://127.0.0.1:{port}/api/status?token={token}", home / "app.log")
            yield f"http://127.0.0.1:{port}/{where}{token}"
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            server.wait(20)


@pytest.fixture(scope="module")
def lab(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """JupyterLab over the folder."""
    with served("jupyterlab", folder, tmp_path_factory.mktemp("home")) as address:
        yield address


@pytest.fixture
def other(folder: Path, tmp_path: Path) -> Iterator[str]:
    """Jupyter Notebook over the folder."""
    with served("notebook", folder, tmp_path) as address:
        yield address


def _wait_until_up(address: str, log: Path) -> None:
    for _ in range(240):
        try:
            with urllib.request.urlopen(address, timeout=1):
                return
        except OSError:
            time.sleep(0.25)
    pytest.fail(f"It did not start:\n{log.read_text()[-2000:]}")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as made:
        yield made


@pytest.fixture
def opened(lab: str, browser: Any) -> Iterator[Any]:
    """Opens a notebook, kernel ready, at a width; requests to anywhere else are listed, and there must be none."""
    outside: list[str] = []

    def go(path: str, width: int = 1280, address: str = lab) -> Any:
        page = browser.new_context(viewport={"width": width, "height": 1000}).new_page()
        page.on("request", lambda r: outside.append(r.url)
                if "127.0.0.1" not in r.url and not r.url.startswith(("data:", "blob:")) else None)
        page.goto(address.format(path), timeout=90_000)
        page.locator(".jp-NotebookPanel").wait_for(timeout=90_000)
        page.evaluate(READY)
        return page

    yield go
    assert outside == []


def run_cells(page: Any, count: int) -> None:
    """By keyboard: Shift and Enter, cell by cell, from the first."""
    page.locator(".jp-Notebook").first.focus()
    for _ in range(count):
        page.keyboard.press("Shift+Enter")


def tab_to(page: Any, label: str, most: int = 120) -> None:
    """Press Tab until a control with this label has the focus."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate(WHERE).startswith(label):
            return
    pytest.fail(f"Tab never came to {label}")


def picture(page: Any, name: str) -> None:
    """A picture to look at, where a folder for them is named."""
    if to := os.environ.get("STUDYKIT_PICTURES"):
        page.screenshot(path=Path(to) / f"{name}.png")


def test_boards_of_sliders_by_keyboard_alone(opened: Any) -> None:
    from playwright.sync_api import expect

    page = opened("study/notebooks/sliders.ipynb")
    run_cells(page, 4)
    design = page.get_by_role("group", name="A design and its world")
    design.wait_for(state="attached", timeout=120_000)
    page.keyboard.press("Escape")  # the last cell made a new one, to be written in
    page.keyboard.press("ArrowUp")
    tab_to(page, "containers")
    said = design.get_by_role("status")
    expect(said).to_contain_text("24 containers x 3 depths x 1 determination:")
    before = design.inner_text()
    slider = design.get_by_role("slider", name="containers", exact=True)
    assert slider.get_attribute("aria-valuetext") == "24"
    for _ in range(21):
        page.keyboard.press("ArrowLeft")
    expect(said).to_contain_text(re.compile(r"(?<!\d)3 containers x 3 depths"), timeout=90_000)
    picture(page, "design")
    assert _cost(before) == 24 * 40 + 72 * 10 + 72 * 6
    assert _cost(design.inner_text()) == 3 * 40 + 9 * 10 + 9 * 6
    assert _smallest(design.inner_text()) > 2 * _smallest(before)
    for board in (design, page.get_by_role("group", name="A sphere in its liquid")):
        sliders = board.get_by_role("slider")
        names = [board.page.evaluate("e => document.querySelector(`label[for='${e.id}']`).textContent", s.element_handle())
                 for s in sliders.all()]
        assert len(set(names)) == len(names) >= 7
        assert all(board.get_by_role("slider", name=name, exact=True).count() == 1 for name in names)
    tab_to(page, "diameter")
    small = page.get_by_role("group", name="A sphere in its liquid")
    page.keyboard.press("Home")
    expect(small.get_by_role("status")).to_contain_text("A sphere of 0.05 µm", timeout=90_000)
    picture(page, "settling")


SHUT = """async () => {const w = jupyterapp.shell.currentWidget; await w.context.save();
await w.sessionContext.shutdown();}"""


@pytest.mark.skipif(importlib.util.find_spec("notebook") is None, reason="Jupyter Notebook is not installed")
def test_another_front_end_has_the_sliders_and_what_was_saved_shows_their_still_form(opened: Any, other: str, folder: Path,
                                                                                     browser: Any) -> None:
    """Jupyter Notebook by keyboard alone; the saved notebook opened again; the same exported as a page, offline."""
    from playwright.sync_api import expect

    shutil.copy(folder / "study/notebooks/sliders.ipynb", folder / "study/notebooks/other.ipynb")
    page = opened("study/notebooks/other.ipynb", address=other)
    run_cells(page, 4)
    design = page.get_by_role("group", name="A design and its world")
    design.wait_for(state="attached", timeout=120_000)
    stills = page.locator("[id^=sk-still-]")
    expect(stills).to_have_count(2)
    assert not any(s.is_visible() for s in stills.all())
    page.keyboard.press("Escape")
    page.keyboard.press("ArrowUp")
    tab_to(page, "containers")
    page.keyboard.press("Home")
    expect(design.get_by_role("status")).to_contain_text("1 container x 3 depths", timeout=90_000)
    page.evaluate(SHUT)
    again = opened("study/notebooks/other.ipynb", address=other)
    expect(again.locator("[id^=sk-still-] svg")).to_have_count(4)
    assert all(s.is_visible() for s in again.locator("[id^=sk-still-] table").all())
    subprocess.run([sys.executable, "-m", "nbconvert", "--to", "html", "--output", "page.html",
                    str(folder / "study/notebooks/other.ipynb")], check=True, capture_output=True)
    flat = browser.new_context(offline=True).new_page()
    flat.goto((folder / "study/notebooks/page.html").as_uri())
    assert [s.is_visible() for s in flat.locator("[id^=sk-still-] table").all()] == [True, True]
    assert flat.locator("svg[role=img]:visible").count() == 4


def _cost(text: str) -> float:
    return float(re.search(r"Cost ([\d.]+)", text).group(1))  # type: ignore[union-attr]


def _smallest(text: str) -> float:
    return float(re.search(r"settled: ±([\d.]+)", text).group(1))  # type: ignore[union-attr]


WRONG = 'def word(low, high, margin):\n    return "homogeneous" if low < 0 < high else "stratified"'


CHOOSE = """async k => {const book = jupyterapp.shell.currentWidget.content; book.activeCellIndex = k; book.mode = 'command';
await book.scrollToItem(k); book.node.focus();}"""
RAN = """k => {const cell = jupyterapp.shell.currentWidget.content.widgets[k].model;
return `${cell.executionCount} ${cell.executionState}`}"""


def run_cell(page: Any, number: int, text: str = "") -> Any:
    """Choose a cell, write a text into it where one is given, run it; the place of the cell.

    On a busy machine the page may take the focus back while an earlier cell's output is drawn, and the keys are lost:
    like somebody who sits there, press them again where the cell's number has not changed.
    """
    before = page.evaluate(RAN, number)
    for _ in range(4):
        page.evaluate(CHOOSE, number)
        if text:
            page.keyboard.press("Enter")
            page.keyboard.press("Control+A")
            page.keyboard.insert_text(text)
        page.keyboard.press("Control+Enter")
        if _changed(page, number, before):
            return page.locator(f'.jp-Cell[data-windowed-list-index="{number}"]')
    pytest.fail(f"Cell {number} does not run")


def _changed(page: Any, number: int, before: str, wait_s: float = 20) -> bool:
    """A cell was sent to the kernel: its number or state is another."""
    for _ in range(int(wait_s * 10)):
        if page.evaluate(RAN, number) != before:
            return True
        page.wait_for_timeout(100)
    return False


def test_a_lesson_as_a_student_works_on_it(opened: Any) -> None:
    """The student's own copy: run early, unanswered, wrong, right; each time the cell says what it should."""
    from playwright.sync_api import expect

    solved = make.make(make.HERE / "source/02-same-enough.py", solved=True).cells
    page = opened("course/02-same-enough.ipynb")
    notebook = page.locator(".jp-Notebook").first
    expect(notebook.locator(".jp-OutputArea-output")).to_have_count(0)  # nothing idle stored
    notebook.focus()
    early = run_cell(page, 15)
    expect(early).to_contain_text("first run the cell", timeout=90_000)
    expect(early).to_contain_text("Exercise 3")
    picture(page, "lesson-early")
    run_cell(page, 2)
    expect(run_cell(page, 4).locator("table, img").first).to_be_visible(timeout=90_000)
    run_cell(page, 6)
    expect(run_cell(page, 7)).to_contain_text("Not yet.", timeout=30_000)
    run_cell(page, 6, WRONG)
    expect(run_cell(page, 7).locator(".jp-OutputArea-output")).to_contain_text("Not yet.", timeout=30_000)
    picture(page, "lesson-wrong")
    run_cell(page, 6, solved[6].source)
    expect(run_cell(page, 7).locator(".jp-OutputArea-output")).to_contain_text("Right.", timeout=30_000)
    picture(page, "lesson-right")
