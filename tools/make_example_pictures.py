"""Take the pictures of the example reports for the README, with a headless browser.

Run after ``make_example_reports.py``:

    python tools/make_example_pictures.py
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image

from trialkit.report.pdf import find_browser

REPORTS = Path(__file__).resolve().parents[1] / "reports"
# Name of the picture: page, width and height of the window, light (1) or dark (0), width in file.
SHOTS = {
    "warm-up": ("warm-up", (1280, 860), "1", 800),
    "warm-up-phone-dark": ("warm-up", (390, 860), "0", 390),
    "socks": ("socks", (1280, 860), "1", 800),
    "music": ("music", (1280, 860), "1", 800),
    "screen": ("screen", (1280, 860), "1", 800),
    "squad": ("squad", (1280, 1080), "1", 800),
}


def main() -> int:
    browser = find_browser()
    if browser is None:
        print("no browser of the Chromium family was found")
        return 2
    out = REPORTS / "pictures"
    out.mkdir(exist_ok=True)
    for name, (page, size, scheme, width) in SHOTS.items():
        path = out / f"{name}.png"
        shoot(browser, page, size, scheme, path)
        with Image.open(path) as raw:
            height = round(raw.height * width / raw.width)
            small = raw.convert("RGB").resize((width, height), Image.Resampling.LANCZOS)
        small.quantize(96, dither=Image.Dither.NONE).save(path, optimize=True)
        print(f"{path}: {path.stat().st_size // 1000} kB")
    return 0


def shoot(browser: str, page: str, size: tuple[int, int], scheme: str, path: Path) -> None:
    with TemporaryDirectory() as profile:
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--hide-scrollbars",
            "--disable-background-networking",
            "--no-first-run",
            f"--user-data-dir={profile}",
            f"--window-size={size[0]},{size[1]}",
            f"--blink-settings=preferredColorScheme={scheme}",
            f"--screenshot={path}",
            (REPORTS / f"{page}.html").as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")
        subprocess.run(command, capture_output=True, timeout=120, check=True)


if __name__ == "__main__":
    sys.exit(main())
