"""A real Chromium, found the way the set-up script finds one; without it the tests fail."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--force-color-profile=srgb",
    "--font-render-hinting=none",
    "--hide-scrollbars",
]


def chromium_path() -> str:
    """Path of the browser; raises when there is none, so that no test passes unseen."""
    for name in (os.environ.get("PERFKIT_CHROMIUM", ""), *NAMES):
        found = shutil.which(name) if name else None
        if found:
            return found
    raise FileNotFoundError(
        "no Chromium found; install one or set PERFKIT_CHROMIUM to its path (see .setup/test)"
    )


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run a browser for as long as the block lasts."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium_path(), args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
