# SPDX-License-Identifier: GPL-3.0-or-later
"""How figures look, and how a figure becomes markup that a page can hold.

Axes, lines and text are vectors; only the filled areas of maps are pixels. Text stays text, so
that it can be read aloud and searched; the page sets its typeface.
"""

from __future__ import annotations

import base64
import html
import io
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final, Literal

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.reading import shown_text

if TYPE_CHECKING:  # slow to load, and most only ask for a colour
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Dash = Literal["-"] | tuple[float, tuple[float, ...]]

INK: Final = "#1f262b"
MUTED: Final = "#5b656d"
RULE: Final = "#d3d8db"
WASH: Final = "#f1f2ee"

CANDIDATE: Final = "#0d5c70"
SECOND: Final = "#3f9aa6"  # a second curve of the same candidate
BASELINE: Final = "#6e6a64"
TARGET: Final = "#b3491f"

# Told apart by lightness and by dash, so that they survive colour blindness and a grey printer.
SERIES: Final[tuple[tuple[str, Dash], ...]] = (
    ("#23305e", "-"),
    ("#0e7c86", (0, (6, 1.5))),
    ("#7a9a1e", (0, (3, 1.2))),
    ("#d28a12", (0, (6, 1.5, 1.2, 1.5))),
    ("#a62f36", (0, (1.2, 1.0))),
)

BEHIND: Final = 0.28
"""Opacity of the baseline's lines behind a candidate's of the same colour."""

# The parts of a bar; neighbours differ in lightness, which colour blindness leaves.
TERMS: Final = (
    *(colour for colour, _ in SERIES),
    "#5d6fb8",
    "#7cc4c9",
    "#4f6612",
    "#f0c46c",
    "#d98a90",
)

# What fills a stretch of frequency that was not solved.
GAP: Final[dict[str, Any]] = {
    "facecolor": "#e8e9e5",
    "edgecolor": "#a9ada6",
    "hatch": "////",
    "linewidth": 0,
}

LEVEL_COLOURS: Final = "viridis"
DIFFERENCE_COLOURS: Final = "PuOr"

FORMATS: Final = ("png", "pdf", "svg")

_PIXELS_PER_INCH: Final = 150
_COLOURS_IN_A_MAP: Final = 64
_WIDEST_PX_PER_INCH: Final = 106

_SETTINGS: Final[dict[Any, Any]] = {
    "text.parse_math": False,  # a dollar sign in a title begins no formula
    "svg.fonttype": "none",
    "svg.hashsalt": "bafflelens",
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlepad": 6.0,
    "axes.labelsize": 8.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.linewidth": 0.7,
    "axes.grid": False,
    "axes.axisbelow": True,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "legend.fontsize": 8.0,
    "legend.frameon": False,
    "legend.handlelength": 2.6,
    "lines.linewidth": 1.7,
    "lines.solid_capstyle": "round",
    "hatch.linewidth": 0.5,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
}


@contextmanager
def drawing_style() -> Iterator[None]:
    """Apply this module's settings to the figures that are made and written inside."""
    import matplotlib as mpl

    with mpl.rc_context(_SETTINGS):
        yield


@contextmanager
def plain_words() -> Iterator[None]:
    """Let every text of the figures made inside be what it is; usable as a decorator."""
    import matplotlib as mpl

    with mpl.rc_context({"text.parse_math": False}):
        yield


def drawn(draw: Callable[[], Figure], file_format: str) -> bytes:
    """Return a figure as a file of its own.

    Parameters
    ----------
    draw : callable
        Makes the figure.
    file_format : {"png", "pdf", "svg"}
        Kind of file.

    Raises
    ------
    InputError
        If the kind is unknown.
    """
    if file_format not in FORMATS:
        rule = "one of ." + ", .".join(FORMATS)
        raise InputError(invalid("ending of the picture's name", f".{file_format}", rule))
    stream = io.BytesIO()
    with drawing_style():
        # Without the time of writing, the same figure gives the same file.
        undated = {"pdf": {"CreationDate": None}, "svg": {"Date": None}}.get(file_format, {})
        draw().savefig(
            stream,
            format=file_format,
            dpi=_PIXELS_PER_INCH,
            facecolor="white",
            metadata=undated,
        )
    return stream.getvalue()


def pale(colour: str) -> str:
    """Return a colour as it looks with the opacity of what stands behind, on white."""
    parts = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return "#" + "".join(f"{round(255 - BEHIND * (255 - part)):02x}" for part in parts)


def inch_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Add axes at a place given in inches, which leaves nothing to an automatic layout."""
    across, up = figure.get_size_inches()
    return figure.add_axes((left / across, bottom / up, width / across, height / up))


def to_svg(figure: Figure, name: str, alt: str) -> str:
    """Return a figure as SVG markup to be put into a page.

    Parameters
    ----------
    figure : matplotlib Figure
        The figure.
    name : str
        Unique in its page; every id inside starts with it, so that figures cannot share
        definitions by accident.
    alt : str
        What the figure shows, for those who cannot see it.

    Returns
    -------
    str
        One ``<svg>`` element without any address of another document.
    """
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", dpi=_PIXELS_PER_INCH, metadata={"Date": None})
    markup = buffer.getvalue()
    markup = markup[markup.index("<svg") :]
    markup = re.sub(r"<metadata>.*?</metadata>", "", markup, flags=re.DOTALL)
    markup = re.sub(r"<!--.*?-->", "", markup, flags=re.DOTALL)
    markup = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", markup, count=2)
    markup = re.sub(r"data:image/png;base64,([^\"]+)", _smaller_png, markup)
    markup = _own_ids(markup, name)
    markup = re.sub(r"(\d\.\d{2})\d+", r"\1", markup)
    markup = re.sub(r"\s*\n\s*", "\n", markup)
    head, rest = markup.split(">", 1)
    label = html.escape(alt, quote=True)
    # A narrow figure must not be blown up to the width of the page.
    widest = f"max-width: {figure.get_figwidth() * _WIDEST_PX_PER_INCH:.0f}px"
    return f'{head} role="img" aria-label="{label}" style="{widest}"><title>{label}</title>{rest}'


def svg_or_reason(draw: Callable[[], Figure], name: str, alt: str) -> str:
    """Return a figure as `to_svg` does, or a line that says why it could not be drawn.

    No picture is worth the report that it stands in, and what a library raises is its own.
    """
    try:
        return to_svg(draw(), name, alt)
    except Exception as error:
        return f"<p>{html.escape(not_drawn(alt, error))}</p>"


def not_drawn(what: str, error: Exception) -> str:
    """Return the line that stands in place of a picture."""
    reason = shown_text(str(error) or type(error).__name__)
    return f"Not drawn, {reason}: {what}"


def png_uri(data: bytes) -> str:
    """Return PNG bytes as an address that a page can hold inside itself."""
    return "data:image/png;base64," + base64.b64encode(data).decode("ascii")


def svg_uri(markup: str) -> str:
    """Return an SVG file as an address; its ids then cannot meet those of the page."""
    return "data:image/svg+xml;base64," + base64.b64encode(markup.encode()).decode("ascii")


def _own_ids(markup: str, name: str) -> str:
    """Keep the ids that something refers to, under names of this figure; drop the others."""
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', markup))

    def renamed(match: re.Match[str]) -> str:
        return f' id="{name}-{match[1]}"' if match[1] in used else ""

    markup = re.sub(r'\sid="([^"]+)"', renamed, markup)
    return re.sub(r'(url\(#|href="#)', rf"\g<1>{name}-", markup)


def _smaller_png(match: re.Match[str]) -> str:
    """Return an embedded PNG again with a palette: a map has few colours."""
    from PIL import Image

    image = Image.open(io.BytesIO(base64.b64decode(match[1]))).convert("RGBA")
    packed = io.BytesIO()
    image.quantize(_COLOURS_IN_A_MAP, method=Image.Quantize.FASTOCTREE).save(
        packed, format="PNG", optimize=True
    )
    return png_uri(packed.getvalue())
