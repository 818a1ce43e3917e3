"""A real browser for tests: Chromium as the system has it, driven without a window; tests skip where there is none."""

import shutil
from contextlib import contextmanager

import pytest

# no sandbox: a build machine runs as root. The rest keeps the browser from asking the network for anything of its own
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage", "--hide-scrollbars",
)  # fmt: skip
SIZES = {"screen": (1920, 1080), "tablet": (820, 1180), "phone": (390, 844)}


def chromium_path():
    """Where Chromium is; the test is skipped where it is not."""
    names = ("chromium", "chromium-browser", "google-chrome")
    path = next((found for name in names if (found := shutil.which(name))), None)
    return path or pytest.skip("no Chromium on this machine: nothing is tried in a real browser")


@contextmanager
def browsing():
    """A browser with an empty profile of its own."""
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: no real browser is tried")
    path = chromium_path()
    with driver.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


def open_page(browser, url, size="screen"):
    """A page of its own at a size; what goes wrong in it is kept in `page.wrong`."""
    width, height = SIZES[size]
    page = browser.new_context(viewport={"width": width, "height": height}, has_touch=size != "screen").new_page()
    page.wrong = []
    page.on("pageerror", lambda error: page.wrong.append(str(error)))
    page.on("dialog", lambda dialog: (page.wrong.append(f"dialog: {dialog.message}"), dialog.dismiss()))
    page.on("console", lambda said: page.wrong.append(said.text) if "Content Security" in said.text else None)
    page.goto(url)
    return page
