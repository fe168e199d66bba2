"""Check pages with axe-core in a headless browser, light and dark, at phone and laptop width.

Usage: python tools/check_accessibility.py path/to/axe.min.js page.html [page.html ...]

axe-core comes from its npm package of that name. Exit status 1 when any page has a violation.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from html import unescape
from itertools import product
from pathlib import Path
from tempfile import TemporaryDirectory

from trialkit.report.pdf import find_browser

SIZES = ("390,900", "1280,900")
SCHEMES = {"light": "1", "dark": "0"}
RUN = """
<script>{axe}</script>
<script>
axe.run(document, {{ resultTypes: ["violations", "incomplete"] }}).then(found => {{
  const short = rows => rows.map(r => [r.id, r.impact, r.nodes.map(n => n.html.slice(0, 160))]);
  const pre = document.createElement("pre");
  pre.id = "axe-result";
  pre.textContent = JSON.stringify([short(found.violations), short(found.incomplete)]);
  document.body.append(pre);
}});
</script></body>
"""


def main(arguments: list[str]) -> int:
    browser = find_browser()
    if len(arguments) < 2 or browser is None:
        print(__doc__ if browser else "no browser of the Chromium family was found")
        return 2
    axe = Path(arguments[0]).read_text(encoding="utf-8")
    failures = 0
    for page, size, (scheme, flag) in product(arguments[1:], SIZES, SCHEMES.items()):
        violations, incomplete = check(browser, axe, Path(page), size=size, flag=flag)
        told = f"{len(violations)} violations, {len(incomplete)} undecided"
        print(f"{page} {size} {scheme}: {told}")
        for name, impact, nodes in (*violations, *incomplete):
            print(f"  {name} ({impact}): {len(nodes)} places, first {nodes[0]}")
        failures += len(violations)
    return 1 if failures else 0


def check(browser: str, axe: str, page: Path, *, size: str, flag: str) -> tuple[list, list]:
    with TemporaryDirectory() as folder:
        copy = Path(folder) / "page.html"
        text = page.read_text(encoding="utf-8")
        copy.write_text(text.replace("</body>", RUN.format(axe=axe)), encoding="utf-8")
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--disable-background-networking",
            "--no-first-run",
            f"--user-data-dir={folder}/profile",
            f"--window-size={size}",
            f"--blink-settings=preferredColorScheme={flag}",
            "--virtual-time-budget=20000",
            "--dump-dom",
            copy.as_uri(),
        ]
        if os.geteuid() == 0:
            command.insert(1, "--no-sandbox")
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    found = re.search(r'<pre id="axe-result">(.*?)</pre>', done.stdout, re.DOTALL)
    if found is None:
        raise SystemExit(f"{page}: the check did not finish")
    violations, incomplete = json.loads(unescape(found.group(1)))
    return violations, incomplete


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
