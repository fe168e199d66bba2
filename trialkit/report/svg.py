"""From a matplotlib figure to an inline picture that follows the page's colours, or to a file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from html import escape
from io import BytesIO, StringIO
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure

from trialkit.report.figures import style

VARIABLES: Final = {
    style.INK: "--ink",
    style.MUTED: "--muted",
    style.RULE: "--rule",
    style.PAPER: "--card",
    style.ZONE: "--zone",
    style.GOOD: "--good",
    style.BAD: "--bad",
    **{colour: f"--c{i}" for i, colour in enumerate(style.COLOURS)},
}
_COLOUR = re.compile("|".join(re.escape(c) for c in VARIABLES))
_ID = re.compile(r' id="([^"]+)"')
_USED = re.compile(r'(?:url\(#|href="#)([^")]+)')
_TAG = re.compile(r"<[^>]+>")
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_FONT = re.compile(r"(font: (?:[\w.]+ )*?[\d.]+px |font-family: )[^;\"]+")


@dataclass(frozen=True, eq=False)
class Picture:
    """A finished figure with its file name, its title and the finding it shows."""

    name: str
    title: str
    finding: str
    figure: Figure


def new_figure(height: float) -> Figure:
    """An empty figure of the house's width; ``height`` in inches."""
    return Figure(figsize=(style.WIDTH, height), layout="constrained")


def inline(picture: Picture) -> str:
    """The picture as an ``<svg>`` element for a page: own ids, page colours, spoken finding."""
    raw = _raw_svg(picture.figure)
    body = raw[raw.index("<svg") :]
    box = re.search(r'viewBox="([^"]+)"', body)
    if box is None:
        raise ValueError("the drawing has no view box")
    inner = body[body.index(">") + 1 : body.rindex("</svg>")]
    inner = re.sub(r"<metadata>.*?</metadata>", "", inner, flags=re.DOTALL)
    inner = re.sub(r"<style.*?</style>", "", inner, flags=re.DOTALL)
    inner = re.sub(r"<!--.*?-->", "", inner, flags=re.DOTALL)
    inner = _own_ids(inner.replace("xlink:href", "href"), picture.name)
    inner = _TAG.sub(_shortened, inner)
    inner = _COLOUR.sub(lambda m: f"var({VARIABLES[m.group()]})", inner)
    inner = _FONT.sub(r"\1var(--sans)", inner)
    inner = re.sub(r"\s*\n\s*", "\n", inner).strip()
    name = picture.name
    return (
        f'<svg class="fig" role="img" viewBox="{box.group(1)}" '
        f'aria-labelledby="{name}-title {name}-desc">\n'
        f'<title id="{name}-title">{escape(picture.title)}</title>\n'
        f'<desc id="{name}-desc">{escape(picture.finding)}</desc>\n{inner}\n</svg>'
    )


def write_picture(picture: Picture, path: Path) -> Path:
    """Write the picture to a file; the ending (.svg, .png, .pdf) says the format.

    Bytes are the same on every run: no date and no program name goes into the file.
    """
    path.write_bytes(picture_bytes(picture, path.suffix.lstrip(".").lower()))
    return path


def picture_bytes(picture: Picture, file_format: str) -> bytes:
    """The picture as the bytes of an ``svg``, ``png`` or ``pdf`` file on a white ground."""
    empty = {
        "svg": {"Date": None, "Creator": None, "Title": picture.title},
        "png": {"Software": None, "Title": picture.title, "Description": picture.finding},
        "pdf": {"CreationDate": None, "Creator": None, "Producer": None, "Title": picture.title},
    }
    buffer = BytesIO()
    with style.house_style():
        picture.figure.savefig(
            buffer,
            format=file_format,
            dpi=200,
            facecolor="white",
            metadata=empty[file_format],
        )
    return buffer.getvalue()


def _raw_svg(figure: Figure) -> str:
    buffer = StringIO()
    with style.house_style():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    return buffer.getvalue()


def _shortened(tag: re.Match[str]) -> str:
    # A hundredth of a point is finer than any screen, and coarse enough to be the same everywhere:
    # processors and libraries differ in the last digits of a fit.
    # The nudge decides figures that lie, but for last digits, half-way between two hundredths.
    return _LONG_NUMBER.sub(lambda m: f"{round(float(m.group()) + 1e-6, 2) + 0.0:g}", tag.group())


def _own_ids(svg: str, prefix: str) -> str:
    # Ids must be unique over the whole page; those nobody refers to are dropped.
    used = set(_USED.findall(svg))
    own = {name: f"{prefix}-{i}" for i, name in enumerate(dict.fromkeys(_ID.findall(svg)))}

    def renamed(match: re.Match[str]) -> str:
        return f' id="{own[match.group(1)]}"' if match.group(1) in used else ""

    svg = _ID.sub(renamed, svg)
    svg = re.sub(r"url\(#([^)]+)\)", lambda m: f"url(#{own[m.group(1)]})", svg)
    return re.sub(r'href="#([^"]+)"', lambda m: f'href="#{own[m.group(1)]}"', svg)
