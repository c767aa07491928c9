"""The report on paper: A4 or Letter."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import zip_longest
from textwrap import wrap

from fpdf import FPDF
from fpdf.enums import XPos, YPos
from fpdf.fonts import FontFace, TTFFont
from matplotlib import font_manager

from analyzer.result.examination import Examination
from analyzer.show import report
from analyzer.show.blocks import Block, Bullets, Caution, Paragraph, Table

TO_FILL_IN = "House: ______________________   Examined by: __________________   Date: ____________   Claim: __________"
MOST_LETTERS_IN_A_CELL = 280  # even in a narrow column they fit on a page
_INK, _SOFT, _LINE, _TINT, _WARN = (28, 32, 36), (90, 98, 106), (200, 205, 210), (240, 243, 245), (255, 246, 224)


class _Pages(FPDF):
    heading = ""

    def normalize_text(self, text: str) -> str:
        """Letters that the font lacks (an emoji in a file's name) are printed as an empty box."""
        font = self.fonts.get("body")
        known = font.cmap if isinstance(font, TTFFont) else None
        if known is not None:
            text = "".join(sign if ord(sign) in known or sign in "\n\u200b" else "\u25a1" for sign in text)
        return super().normalize_text(text)

    def header(self) -> None:
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, self.heading, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(2)
        self.set_text_color(*_INK)

    def footer(self) -> None:
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, "A photo never proves a cause or a safe pressure.", align="L")
        self.cell(0, 5, f"{self.page_no()} / {{nb}}", align="R")
        self.set_text_color(*_INK)


def pdf(examination: Examination, *, units: str = "metric", made: dt.datetime | None = None) -> bytes:
    """The report as PDF, A4 (Letter with US units). The same examination and ``made`` give the same bytes."""
    pages = _Pages(format="a4" if units == "metric" else "letter")
    pages.heading = f"Removed pipe section: {examination.photo.name}"
    pages.set_title(pages.heading)
    pages.set_lang("en")
    pages.set_creator("cutpipe")
    pages.set_creation_date(made or dt.datetime(2000, 1, 1, tzinfo=dt.UTC))
    for style, name in (("", "DejaVu Sans"), ("B", "DejaVu Sans:bold")):
        pages.add_font("body", style, font_manager.findfont(name))
    pages.set_margins(16, 12, 16)
    pages.set_auto_page_break(True, 16)
    pages.add_page()
    pages.set_font("body", "B", 17)
    pages.multi_cell(0, 9, "Examination of a removed pipe section", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_font("body", size=9)
    pages.set_text_color(*_SOFT)
    pages.multi_cell(0, 7, TO_FILL_IN, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_text_color(*_INK)
    pages.ln(1)
    for number, section in enumerate(report.sections(examination, units=units)):
        if section.new_page and pages.get_y() > 40:
            pages.add_page()
        if pages.get_y() > pages.h - 50:
            pages.add_page()
        pages.start_section(section.title)
        pages.ln(2 if number else 0)
        pages.set_font("body", "B", 13)
        pages.multi_cell(0, 7.5, section.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.ln(0.8)
        for block in section.blocks:
            _print(pages, block)
    return bytes(pages.output())


def _print(pages: _Pages, block: Block) -> None:
    if isinstance(block, Paragraph):
        pages.set_font("body", "B" if block.strong else "", 9.5)
        if pages.get_y() > pages.h - (60 if block.strong else 30):  # a heading stays with what follows it
            pages.add_page()
        pages.multi_cell(0, 4.9, block.text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.ln(1.4)
    elif isinstance(block, Caution):
        pages.set_font("body", size=9)
        pages.set_fill_color(*_WARN)
        pages.multi_cell(0, 5, block.text, align="L", fill=True, padding=2, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_fill_color(255, 255, 255)  # a table would take the tint over
        pages.ln(2)
    elif isinstance(block, Bullets):
        pages.set_font("body", size=9.5)
        for number, item in enumerate(block.items, 1):
            mark = f"{number}." if block.numbered else "•"
            pages.set_x(pages.l_margin + 1)
            pages.cell(6, 4.9, mark)
            pages.multi_cell(pages.epw - 7, 4.9, item, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            pages.ln(0.6)
        pages.ln(1)
    elif isinstance(block, Table):
        pages.set_font("body", size=8.2)
        pages.set_draw_color(*_LINE)
        with pages.table(
            col_widths=block.widths or None,
            text_align="LEFT",
            v_align="TOP",
            line_height=4.2,
            padding=(0.8, 1.2),
            headings_style=FontFace(emphasis="BOLD", fill_color=_TINT, color=_INK),
            borders_layout="HORIZONTAL_LINES",
        ) as table:
            table.row(block.head)
            for row in block.rows:
                for part in _rows_that_fit(row):
                    table.row(tuple(_breakable(cell) for cell in part))
        if block.caption:
            pages.set_font("body", size=8)
            pages.set_text_color(*_SOFT)
            pages.multi_cell(0, 4.2, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            pages.set_text_color(*_INK)
        pages.ln(2.5)
    else:
        room = pages.h - pages.b_margin - pages.get_y() - 14
        width = pages.epw
        height = width * block.height_px / block.width_px
        most = block.page_share * (pages.h - pages.t_margin - pages.b_margin)
        if height > most:
            width, height = width * most / height, most
        if height > room:
            if height * 0.6 < room and room > 70:
                width, height = width * room / height, room
            else:
                pages.add_page()
        pages.image(
            block.jpeg, x=pages.l_margin + (pages.epw - width) / 2, w=width, h=height, alt_text=block.alternative
        )
        pages.ln(1.5)
        pages.set_font("body", size=8.5)
        pages.set_text_color(*_SOFT)
        pages.multi_cell(0, 4.4, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_text_color(*_INK)
        pages.ln(3)


def _rows_that_fit(row: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """A row, and further rows for what of a long cell does not fit beside the rest: no row may be higher than a page."""
    parts = [
        wrap(cell, MOST_LETTERS_IN_A_CELL) or [""] if len(cell) > MOST_LETTERS_IN_A_CELL else [cell] for cell in row
    ]
    yield from zip_longest(*parts, fillvalue="")


def _breakable(cell: str) -> str:
    """A word without a space (a hash, a file's name) may break after every 16 letters."""
    return " ".join(
        "\u200b".join(word[k : k + 16] for k in range(0, len(word), 16)) if len(word) > 24 else word
        for word in cell.split(" ")
    )
