"""A page printed to PDF by a browser that is installed on the machine; nothing is fetched."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from .errors import StoreError

__all__ = ["BROWSERS", "find_browser", "print_page"]

BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
"""Commands of browsers that print without a window."""
ELSEWHERE = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "C:/Program Files/Google/Chrome/Application/chrome.exe",
    "C:/Program Files (x86)/Microsoft/Edge/Application/msedge.exe",
)
SECONDS = 120


def find_browser(commands: Sequence[str] = (*BROWSERS, *ELSEWHERE)) -> Path | None:
    """The first browser of a list that is installed; None without any."""
    found = (shutil.which(command) for command in commands)
    return next((Path(path) for path in found if path), None)


def print_page(page: Path, browser: Path | None = None) -> bytes:
    """Print a page to PDF.

    Parameters
    ----------
    page : Path
        HTML file.
    browser : Path, optional
        Default: `find_browser`.

    Returns
    -------
    bytes
        The PDF.

    Raises
    ------
    StoreError
        When there is no browser, or it does not print.
    """
    browser = browser or find_browser()
    if browser is None:
        raise StoreError(
            "printing to PDF needs a browser: none of Chromium, Chrome and Edge was found. Install one, name it with "
            "--browser, or open brief.html and print it by hand."
        )
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "page.pdf"
        command = [str(browser), *_options(folder), f"--print-to-pdf={target}", page.resolve().as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, timeout=SECONDS, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise _refused(browser, type(error).__name__) from error
        if done.returncode or not target.is_file():
            raise _refused(browser, f"exit status {done.returncode}")
        return target.read_bytes()


def _options(profile: str) -> list[str]:
    options = ["--headless", "--disable-gpu", "--no-pdf-header-footer", "--virtual-time-budget=10000"]
    options.append(f"--user-data-dir={Path(profile) / 'profile'}")
    # as root its own sandbox cannot start; the page is ours and asks for nothing
    if sys.platform == "linux" and os.geteuid() == 0:
        options.append("--no-sandbox")
    return options


def _refused(browser: Path, reason: str) -> StoreError:
    return StoreError(
        f"{browser.name} did not print the page ({reason}). Name another browser with --browser, or open brief.html "
        "and print it by hand."
    )
