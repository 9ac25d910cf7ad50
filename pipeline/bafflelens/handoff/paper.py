# SPDX-License-Identifier: GPL-3.0-or-later
"""Pages of text, tables and charts as PDF: fonts, frames, and the same bytes every time."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from functools import cache
from html import escape
from pathlib import Path
from typing import Any, Final

MM: Final = 72 / 25.4
"""A millimetre in points."""
FONT: Final = "DejaVuSans"
BOLD: Final = "DejaVuSans-Bold"
A4_MM: Final = (210.0, 297.0)
MARGIN_MM: Final = 15.0
_HEAD_MM: Final = 8.0


@cache
def use_fonts() -> None:
    """Make a font known that has every sign we write; the standard fonts lack minus and Greek."""
    import matplotlib
    from reportlab.pdfbase.pdfmetrics import registerFont
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD):
        registerFont(TTFont(name, str(folder / f"{name}.ttf")))


def paragraph(text: str, *, size: float = 8.5, bold: bool = False, after: float = 3.0) -> Any:
    """Return a paragraph of plain text; nothing in it is markup."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    use_fonts()
    style = ParagraphStyle(
        "text",
        fontName=BOLD if bold else FONT,
        fontSize=size,
        leading=1.28 * size,
        spaceAfter=after,
    )
    return Paragraph(escape(text, quote=False), style)


def heading(text: str, *, size: float = 11.0, keeps: bool = True) -> Any:
    """Return a heading that stays with all that follows, if that fits on a page.

    If `keeps` is false, what follows may begin below it and go on overleaf, such as a long table.
    """
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    use_fonts()
    style = ParagraphStyle(
        "heading",
        fontName=BOLD,
        fontSize=size,
        leading=1.3 * size,
        spaceBefore=7,
        spaceAfter=3,
        keepWithNext=int(keeps),
    )
    return Paragraph(escape(text, quote=False), style)


def table(
    rows: Sequence[Sequence[str]],
    widths_mm: Sequence[float],
    *,
    size: float = 7.5,
    strong: Sequence[int] = (),
) -> Any:
    """Return a table whose first row is repeated on every page.

    Parameters
    ----------
    rows : sequence of sequence of str
        Texts, the heads first.
    widths_mm : sequence of float
        Of the columns.
    size : float
        Of the letters, in points.
    strong : sequence of int
        Numbers of the rows that are set in bold.
    """
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table, TableStyle

    from bafflelens.report.style import MUTED, RULE

    cells = [
        [paragraph(text, size=size, bold=number == 0 or number in strong, after=0) for text in row]
        for number, row in enumerate(rows)
    ]
    found = Table(cells, colWidths=[width * MM for width in widths_mm], repeatRows=1)
    found.hAlign = "LEFT"
    found.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 0.7, HexColor(MUTED)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.3, HexColor(RULE)),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    found.spaceAfter = 4
    return found


def pages_pdf(story: Callable[[], list[Any]], title: str, foot: str) -> bytes:
    """Return a story as A4 pages with title, foot and "page n of m".

    Parameters
    ----------
    story : callable
        Makes the flowables; they are laid out twice, the first time to count pages.
    title, foot : str
        What stands at the head and at the foot of every page.
    """
    _, total = _laid_out(story(), title, foot, 0)
    content, _ = _laid_out(story(), title, foot, total)
    return content


def _laid_out(story: list[Any], title: str, foot: str, total: int) -> tuple[bytes, int]:
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    use_fonts()
    stream = io.BytesIO()
    width, height = (side * MM for side in A4_MM)
    margin, head = MARGIN_MM * MM, _HEAD_MM * MM
    document = BaseDocTemplate(
        stream, pagesize=(width, height), title=title, author="", creator="bafflelens", invariant=1
    )
    frame = Frame(
        margin,
        margin,
        width - 2 * margin,
        height - 2 * margin - head + 4,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )

    def furnish(canvas: Any, _: Any) -> None:
        canvas.setFont(FONT, 7)
        canvas.drawString(margin, height - margin, title)
        canvas.drawString(margin, margin - 12, foot)
        number = f"page {canvas.getPageNumber()} of {total}"
        canvas.drawRightString(width - margin, margin - 12, number)

    document.addPageTemplates([PageTemplate(id="page", frames=[frame], onPage=furnish)])
    document.build(story)
    return stream.getvalue(), int(document.page)
