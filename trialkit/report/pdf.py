"""Printing a page to PDF by a browser of the Chromium family found here."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

from trialkit.errors import Problem, RequestError

BROWSER_VARIABLE: Final = "TRIALKIT_BROWSER"
_NAMES: Final = (
    "chromium",
    "chromium-browser",
    "google-chrome-stable",
    "google-chrome",
    "chrome",
    "microsoft-edge",
    "msedge",
    "brave-browser",
)
_MAC: Final = (
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
)
_WINDOWS: Final = (
    r"Google\Chrome\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
)
_SECONDS: Final = 60


def write_pdf(html_path: Path, pdf_path: Path) -> Path:
    """Print a page of ours to PDF, with page numbers and the figures as vectors.

    Raises
    ------
    RequestError
        When no such browser is here, or the printing fails.
    """
    browser = find_browser()
    if browser is None:
        raise RequestError(
            Problem(
                where="--pdf",
                found="no browser of the Chromium family",
                wrong="nothing here can print the page.",
                fix=f"open {html_path} in any browser and print it, or name a browser's program "
                f"in {BROWSER_VARIABLE}.",
            )
        )
    _by_browser(browser, html_path, pdf_path)
    return pdf_path


def find_browser() -> str | None:
    """The program of a Chromium-family browser; ``TRIALKIT_BROWSER`` names one outright."""
    named = os.environ.get(BROWSER_VARIABLE)
    if named is not None:
        return shutil.which(named)
    found = next((path for name in _NAMES if (path := shutil.which(name))), None)
    return found or next((str(p) for p in _installed() if p.is_file()), None)


def _installed() -> list[Path]:
    if sys.platform == "darwin":
        return [Path(p) for p in _MAC]
    if sys.platform == "win32":
        roots = [os.environ.get(v, "") for v in ("PROGRAMFILES", "PROGRAMFILES(X86)")]
        return [Path(root) / rest for root in roots if root for rest in _WINDOWS]
    return []


def _by_browser(browser: str, html_path: Path, pdf_path: Path) -> None:
    with TemporaryDirectory() as profile:
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
            f"--print-to-pdf={pdf_path.resolve()}",
            html_path.resolve().as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            # The sandbox of these browsers refuses to start for the superuser.
            command.insert(1, "--no-sandbox")
        pdf_path.unlink(missing_ok=True)
        try:
            subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False)
        except (OSError, subprocess.TimeoutExpired) as fault:
            raise _failed(browser, str(fault)) from fault
    if not pdf_path.is_file() or not pdf_path.read_bytes().startswith(b"%PDF"):
        raise _failed(browser, "no PDF came out")


def _failed(browser: str, found: str) -> RequestError:
    return RequestError(
        Problem(
            where="--pdf",
            found=found,
            wrong=f"{browser} did not print the page.",
            fix="open the page in any browser and print it from there.",
        )
    )
