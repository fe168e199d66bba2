"""Printing: a browser that is not here, or does not print, gives one clear message."""

from __future__ import annotations

import stat
import sys

import pytest

from trialkit.errors import RequestError
from trialkit.report import pdf


def program(path, body):
    path.write_text(f"#!{sys.executable}\n{body}", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


@pytest.fixture
def page(tmp_path):
    path = tmp_path / "page.html"
    path.write_text("<p>page</p>", encoding="utf-8")
    return path


def test_the_named_browser_prints_our_page(tmp_path, page, monkeypatch):
    body = (
        "import sys\n"
        "to = next(a for a in sys.argv if a.startswith('--print-to-pdf=')).split('=', 1)[1]\n"
        "open(to, 'wb').write(b'%PDF-' + sys.argv[-1].encode())\n"
    )
    browser = program(tmp_path / "browser", body)
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, str(browser))
    written = pdf.write_pdf(page, tmp_path / "page.pdf")
    assert written.read_bytes() == b"%PDF-" + page.resolve().as_uri().encode()


def test_a_browser_that_prints_nothing_is_said_aloud(tmp_path, page, monkeypatch):
    old = tmp_path / "page.pdf"
    old.write_bytes(b"%PDF-old")
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, str(program(tmp_path / "browser", "pass\n")))
    with pytest.raises(RequestError, match="did not print"):
        pdf.write_pdf(page, old)


def test_without_a_browser_the_way_out_is_named(tmp_path, page, monkeypatch):
    monkeypatch.setenv(pdf.BROWSER_VARIABLE, str(tmp_path / "absent"))
    with pytest.raises(RequestError, match="in any browser and print it"):
        pdf.write_pdf(page, tmp_path / "page.pdf")
