"""The design notebook in JupyterLab, in a real browser: open, run all, move a slider, see numbers and figure change.

Skipped, with its reason, where no Chromium or no playwright is installed. The server is started with folders
of its own, on a free port with a random token, and only that one process group is stopped at the end.
"""

from __future__ import annotations

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

import pytest

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = next((p for p in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if p), None)
READY = """async () => {const a = window.jupyterapp; await a.restored; const w = a.shell.currentWidget;
await w.context.ready; await w.sessionContext.ready; await w.sessionContext.session.kernel.info;}"""
QUIET = '{"fetchNews":"false","checkForUpdates":false,"doNotDisturbMode":true}'

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
    """The kernel must see a person: no headless flag; settings, sessions and workspaces in ``home``."""
    env = {k: v for k, v in os.environ.items() if k not in ("STUDYKIT_HEADLESS", "JPY_SESSION_NAME")}
    for name, folder in (("JUPYTER_CONFIG_DIR", "c"), ("JUPYTER_DATA_DIR", "d"), ("JUPYTER_RUNTIME_DIR", "r"),
                         ("IPYTHONDIR", "i"), ("JUPYTERLAB_SETTINGS_DIR", "s"), ("JUPYTERLAB_WORKSPACES_DIR", "w")):
        env[name] = str(home / folder)
    quiet = home / "s/@jupyterlab/apputils-extension"
    quiet.mkdir(parents=True)
    (quiet / "notification.jupyterlab-settings").write_text(QUIET)
    return env


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[str]:
    """Address of JupyterLab over a copy of the main demo that holds the design notebook."""
    study = tmp_path / "study"
    shutil.copytree(ROOT / "demo_data/ropeway", study)
    (study / "notebooks").mkdir(exist_ok=True)
    shutil.copy(ROOT / "notebooks/01-design.ipynb", study / "notebooks")
    port, token = _free_port(), secrets.token_hex(8)
    command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}",
               "--ServerApp.ip=127.0.0.1", f"--IdentityProvider.token={token}", f"--ServerApp.root_dir={study}",
               "--LabApp.news_url=None", "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
               "--ServerApp.port_retries=0", "--LabApp.extension_manager=readonly",
               "--LabApp.expose_app_in_browser=True"]
    with (tmp_path / "lab.log").open("w") as log:
        server = subprocess.Popen(command, env=_environment(tmp_path / "home"), stdout=log, stderr=subprocess.STDOUT,
                                  start_new_session=True)
        try:
            _wait_until_up(f"http://127.0.0.1:{port}/api/status?token={token}", tmp_path / "lab.log")
            yield f"http://127.0.0.1:{port}/lab/tree/notebooks/01-design.ipynb?reset&token={token}"
        finally:
            os.killpg(server.pid, signal.SIGTERM)
            server.wait(20)


def _wait_until_up(address: str, log: Path) -> None:
    for _ in range(240):
        try:
            with urllib.request.urlopen(address, timeout=1):
                return
        except OSError:
            time.sleep(0.25)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text()[-2000:]}")


@pytest.fixture
def page(lab: str) -> Iterator[Any]:
    """A browser page on the notebook, kernel ready; requests to anywhere else are refused and listed."""
    from playwright.sync_api import sync_playwright

    flags = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        made = browser.new_context(viewport={"width": 1280, "height": 1000}).new_page()
        outside: list[str] = []
        made.on("request", lambda r: outside.append(r.url)
                if "127.0.0.1" not in r.url and not r.url.startswith(("data:", "blob:")) else None)
        made.goto(lab)
        made.locator(".jp-NotebookPanel").wait_for(timeout=90_000)
        made.evaluate(READY)
        yield made
        assert outside == []
        browser.close()


def test_sliders_change_chances_cost_and_figure(page: Any) -> None:
    from playwright.sync_api import expect

    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_text("Run All Cells", exact=True).click()
    read_out = page.locator(".jp-OutputArea-output b", has_text="containers x")
    # the explorer is the last cell: JupyterLab renders cells as they come into view
    page.locator(".jp-OutputArea-output .widget-slider, .jp-OutputArea-output .slider").first.wait_for(
        state="attached", timeout=180_000)
    read_out.wait_for(state="attached", timeout=60_000)
    read_out.scroll_into_view_if_needed()
    expect(read_out).to_have_text(re.compile(r"^24 containers x 3 depths x 1 determinations"))
    before, picture = read_out.inner_text(), page.locator("svg[role=img] polyline").first.get_attribute("points")
    slider = page.get_by_role("slider", name=re.compile("containers")).or_(page.get_by_role("slider").first).first
    slider.focus()
    for _ in range(21):
        page.keyboard.press("ArrowLeft")
    expect(read_out).to_have_text(re.compile(r"^3 containers x 3 depths x 1 determinations"), timeout=30_000)
    after = read_out.inner_text()
    assert _cost(before) == 24 * 40 + 72 * 10 + 72 * 6
    assert _cost(after) == 3 * 40 + 9 * 10 + 9 * 6
    assert _smallest(after) > 2 * _smallest(before)
    assert page.locator("svg[role=img] polyline").first.get_attribute("points") != picture


def _cost(text: str) -> float:
    return float(re.search(r"cost ([\d.]+)", text).group(1))  # type: ignore[union-attr]


def _smallest(text: str) -> float:
    return float(re.search(r"±([\d.]+)", text).group(1))  # type: ignore[union-attr]
