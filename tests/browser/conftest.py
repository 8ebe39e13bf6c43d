"""A real browser for the setup sheet."""

from __future__ import annotations

import shutil
from collections.abc import Iterator

import pytest


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    installed = shutil.which("chromium") or shutil.which("chromium-browser")
    if installed is None:
        pytest.skip("Chromium is not installed")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as running:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-quic"]
        browser = running.chromium.launch(executable_path=installed, args=arguments)
        yield browser
        browser.close()


@pytest.fixture
def page(chromium, tmp_path):
    """Opens a page from a file; tells afterwards what it asked for and complained of."""
    context = chromium.new_context()
    page = context.new_page()
    page.requests, page.complaints = [], []
    page.on("request", lambda request: page.requests.append(request.url))
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))

    def show(html: str) -> None:
        file = tmp_path / "sheet.html"
        file.write_text(html, encoding="utf-8")
        page.goto(file.as_uri())

    page.show = show
    yield page
    context.close()
