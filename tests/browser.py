"""A real browser without a window, for tests that look at pages: Chromium and its driver as Debian packages them.

Where they are not installed the tests skip, unless PHRASEWRIGHT_BROWSER=required says that they must run. A picture of
a page: `python tests/browser.py page.html picture.png ["#part=2&lane=all&from=0&to=16000"]`.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

REQUIRED = os.environ.get("PHRASEWRIGHT_BROWSER") == "required"
PATIENCE_S = 40.0


@contextmanager
def opened_browser(*, width: int = 1440, height: int = 1000) -> Iterator[Any]:
    """A browser of its own, closed at the end."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if chromium is None or driver is None:
        why = "no chromium and chromedriver here; install Debian's packages chromium and chromium-driver"
        if REQUIRED:
            pytest.fail(why)
        pytest.skip(why)
    from selenium.webdriver import Chrome
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = chromium
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"):
        options.add_argument(argument)
    options.add_argument(f"--window-size={width},{height}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    browser = Chrome(options=options, service=Service(driver))
    try:
        yield browser
    finally:
        browser.quit()


def open_page(browser: Any, page: Path, *, place: str = "") -> float:
    """Open a page from its file address and wait until it is drawn; seconds that took. `place` is what follows #."""
    browser.get("about:blank")
    begin = time.perf_counter()
    browser.get(page.resolve().as_uri() + place)
    until(lambda: browser.execute_script("return document.documentElement.dataset.ready") == "true")
    return time.perf_counter() - begin


def processor_s(browser: Any) -> float:
    """Seconds of processor that the page's own thread has used since it was asked for; call `count_processor` first."""
    rows = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return float(next(row["value"] for row in rows if row["name"] == "TaskDuration"))


def count_processor(browser: Any) -> None:
    """Let the browser count its thread's processor time."""
    browser.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})


def until(true: Any) -> None:
    """Wait for something to become true; the machine may be busy."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        if time.monotonic() > end:
            raise AssertionError("the page did not get there in time")
        time.sleep(0.05)


def complaints(browser: Any) -> list[str]:
    """Errors and warnings on the console since the last look."""
    return [row["message"] for row in browser.get_log("browser") if row["level"] in ("SEVERE", "WARNING")]


def requests(browser: Any) -> list[str]:
    """Addresses asked for since the last look, without those that carry their own data."""
    rows = [json.loads(row["message"])["message"] for row in browser.get_log("performance")]
    asked = [row["params"]["request"]["url"] for row in rows if row["method"] == "Network.requestWillBeSent"]
    return [url for url in asked if not url.startswith(("data:", "blob:", "about:"))]


if __name__ == "__main__":
    with opened_browser(width=1360, height=1100) as picture_taker:
        open_page(picture_taker, Path(sys.argv[1]), place=sys.argv[3] if len(sys.argv) > 3 else "")
        time.sleep(1.0)  # letters and lines are laid out after the first drawing
        picture_taker.save_screenshot(sys.argv[2])
