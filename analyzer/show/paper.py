"""The report on paper: A4 or Letter, and the homeowner's page as a file of its own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, XPos, YPos
from fpdf.fonts import FontFace, TTFFont
from matplotlib import font_manager

from analyzer.base.words import say
from analyzer.result.examination import Examination
from analyzer.show import report
from analyzer.show.blocks import Block, Bullets, Caution, Gallery, Paragraph, Picture, Section, Table
from analyzer.show.edition import Edition
from analyzer.show.sections import answer, homeowner

TO_FILL_IN = "House: ______________________   Examined by: __________________   Date: ____________   Claim: __________"
MOST_LINES = 40  # of one table row; longer text goes on in a row of its own, for no row may be longer than a page
_INK, _SOFT, _LINE, _TINT, _WARN = (28, 32, 36), (90, 98, 106), (200, 205, 210), (240, 243, 245), (255, 246, 224)
_MADE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)  # the same result gives the same bytes
_LEAST_SHARE, _MOST_SHARE = 0.2, 0.45  # of page one's height, for its picture


class _Pages(FPDF):
    heading = ""
    type_share = 1.0  # the annex is set smaller

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
        self.multi_cell(0, 4, self.heading, align="L", max_line_height=4, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(2)
        self.set_text_color(*_INK)

    def footer(self) -> None:
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, "A photo never proves a cause or a safe pressure.", align="L")
        self.cell(0, 5, f"{self.page_no()} / {{nb}}", align="R")
        self.set_text_color(*_INK)

    def type(self, size: float, style: str = "") -> None:
        self.set_font("body", style, size * self.type_share)

    def lines(self, width: float, height: float, text: str) -> list[str]:
        """The text as it would be broken into lines of that width."""
        found = self.multi_cell(width, height, text, align="L", dry_run=True, output=MethodReturnValue.LINES)
        assert isinstance(found, list)
        return found

    def let_go(self) -> None:
        """Close the fonts' files of a print that is not written."""
        for font in self.fonts.values():
            if isinstance(font, TTFFont):
                font.close()

    @property
    def room(self) -> float:
        """Millimetres left on this page."""
        return float(self.h - self.b_margin - self.get_y())


def pdf(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    made: dt.datetime | None = None,
    sections: Sequence[Section] | None = None,
) -> bytes:
    """The whole report as PDF, A4 (Letter with US units). The same examination and ``made`` give the same bytes."""
    edition = edition or Edition(units=units)
    parts = report.sections(examination, edition=edition) if sections is None else sections
    starts: dict[str, int] = {}
    share = _LEAST_SHARE
    # The first print tells on which page each section stands, and how much room page one leaves its picture.
    for last in (False, True):
        pages = _begun(examination, edition, "Examination of a removed pipe section", made)
        links = {part.id: pages.add_link() for part in parts}
        in_annex = False
        for number, part in enumerate(parts):
            if part.annex and not in_annex:
                in_annex = True
                pages.type_share = 0.86
                _annex_heading(pages)
            elif number and (part.new_page or pages.room < 45) and pages.get_y() > 40:
                pages.add_page()
            pages.set_link(links[part.id], y=pages.get_y(), page=pages.page_no())
            starts[part.id] = pages.page_no()
            _print_section(pages, part if number else _sized(part, share), first=not number, sub=in_annex)
            if not number:
                _contents(pages, parts, starts, links)
                if pages.page_no() == 1:
                    share = min(
                        _MOST_SHARE, share + max(0.0, pages.room - 8) / (pages.h - pages.t_margin - pages.b_margin)
                    )
        if not last:
            pages.let_go()
    return bytes(pages.output())


def homeowner_pdf(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    made: dt.datetime | None = None,
) -> bytes:
    """The homeowner's page: the picture and plain words, on one page or two."""
    edition = edition or Edition(units=units)
    pages = _begun(examination, edition, "Your pipe, in plain words", made)
    part = homeowner.build(examination, edition)
    shown = replace(answer.marked(examination, edition.units, longest_px=1400, numbers=False), page_share=0.24)
    dangers = tuple(block for block in part.blocks[:-1] if isinstance(block, Caution))
    rest = tuple(block for block in part.blocks if block not in dangers)
    for block in (*dangers, shown, *rest):
        _print(pages, block)
    return bytes(pages.output())


def _begun(examination: Examination, edition: Edition, title: str, made: dt.datetime | None) -> _Pages:
    pages = _Pages(format=edition.sheet)
    case = edition.case
    pages.heading = " · ".join(part for part in (f"Removed pipe section: {examination.photo.name}", case.short) if part)
    pages.set_title(pages.heading)
    pages.set_subject(say("show.subject"))
    pages.set_lang("en")
    pages.set_creator("cutpipe")
    pages.set_creation_date(made or _MADE)
    for style, name in (("", "DejaVu Sans"), ("B", "DejaVu Sans:bold")):
        pages.add_font("body", style, font_manager.findfont(name))
    pages.set_margins(16, 12, 16)
    pages.set_auto_page_break(True, 16)
    pages.add_page()
    pages.set_font("body", "B", 17)
    pages.multi_cell(0, 9, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_font("body", size=9)
    pages.set_text_color(*_SOFT)
    told = " · ".join(f"{heading}: {words}" for heading, words in case.rows if words)
    pages.multi_cell(0, 5.5, told or TO_FILL_IN, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_text_color(*_INK)
    pages.ln(1.5)
    return pages


def _sized(part: Section, share: float) -> Section:
    """The section with its picture at most so high."""
    blocks = tuple(replace(b, page_share=share) if isinstance(b, Picture) else b for b in part.blocks)
    return replace(part, blocks=blocks)


def _contents(pages: _Pages, parts: Sequence[Section], starts: dict[str, int], links: dict[str, int]) -> None:
    """The sections with their pages, each a link."""
    pages.type(8, "B")
    pages.write(4.4, "Contents: ")
    pages.type(8)
    for number, part in enumerate(parts):
        joint = "" if number == len(parts) - 1 else "  ·  "
        text = f"{part.title} {starts.get(part.id, 0)}{joint}"
        pages.write(4.4, text, links.get(part.id, ""))
    pages.ln(6)


def _annex_heading(pages: _Pages) -> None:
    if pages.room < 60:
        pages.add_page()
    else:
        pages.ln(2)
        pages.set_draw_color(*_INK)
        pages.line(pages.l_margin, pages.get_y(), pages.w - pages.r_margin, pages.get_y())
        pages.ln(2)
    pages.start_section("Annex")
    pages.set_font("body", "B", 14)
    pages.multi_cell(0, 8, "Annex", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _print_section(pages: _Pages, part: Section, *, first: bool = False, sub: bool = False) -> None:
    pages.start_section(part.title, level=1 if sub else 0)
    if not first:
        pages.ln(1.5)
    pages.type(13, "B")
    pages.multi_cell(0, 7.5 * pages.type_share, part.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.ln(0.8)
    for block in part.blocks:
        _print(pages, block)


def _print(pages: _Pages, block: Block) -> None:
    if isinstance(block, Paragraph):
        _paragraph(pages, block)
    elif isinstance(block, Caution):
        _caution(pages, block)
    elif isinstance(block, Bullets):
        _bullets(pages, block)
    elif isinstance(block, Table):
        _table(pages, block)
    elif isinstance(block, Gallery):
        _gallery(pages, block)
    else:
        _picture(pages, block)


def _paragraph(pages: _Pages, block: Paragraph) -> None:
    pages.type(9.5, "B" if block.strong else "")
    if block.strong and pages.room < 28:  # a heading stays with what follows it
        pages.add_page()
    text = _breakable(block.text)
    pages.multi_cell(0, 4.9 * pages.type_share, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.ln(1.4)


def _caution(pages: _Pages, block: Caution) -> None:
    pages.type(9)
    lines = pages.lines(pages.epw - 4, 5, _breakable(block.text))
    if 5 * len(lines) + 6 > pages.room:  # a tinted box is not torn
        pages.add_page()
    pages.set_fill_color(*_WARN)
    text = _breakable(block.text)
    pages.multi_cell(0, 4.8, text, align="L", fill=True, padding=2, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_fill_color(255, 255, 255)  # a table would take the tint over
    pages.ln(2)


def _bullets(pages: _Pages, block: Bullets) -> None:
    pages.type(7.9 if block.small else 9.5)
    height = (3.75 if block.small else 4.9) * pages.type_share
    for number, item in enumerate(block.items, 1):
        mark = f"{number}." if block.numbered else "•"
        if pages.room < 2 * height:
            pages.add_page()
        pages.set_x(pages.l_margin + 1)
        pages.cell(6, height, mark)
        text = _breakable(item)
        pages.multi_cell(pages.epw - 7, height, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.ln(0.3 if block.small else 0.6)
    pages.ln(1)


def _table(pages: _Pages, block: Table) -> None:
    if not block.rows:
        return
    if pages.room < 24:  # a head with no row under it
        pages.add_page()
    pages.type(8.2)
    pages.set_draw_color(*_LINE)
    with pages.table(
        col_widths=block.widths or None,
        text_align="LEFT",
        v_align="TOP",
        line_height=(4.2 if pages.type_share == 1 else 3.3),
        padding=(0.7 if pages.type_share == 1 else 0.45, 1.2),
        headings_style=FontFace(emphasis="BOLD", fill_color=_TINT, color=_INK),
        borders_layout="HORIZONTAL_LINES",
    ) as table:
        table.row(block.head)
        for row in block.rows:
            for part in _in_rows(pages, row, block):
                table.row(part)
    if block.caption:
        pages.type(8)
        pages.set_text_color(*_SOFT)
        pages.multi_cell(0, 4.2, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_text_color(*_INK)
    pages.ln(2.5)


def _in_rows(pages: _Pages, row: Sequence[str], block: Table) -> list[tuple[str, ...]]:
    """The row, as several where a cell holds more than a page takes."""
    widths = block.widths or (1.0,) * len(block.head)
    columns = []
    for cell, width in zip(row, widths, strict=True):
        wide = pages.epw * width / sum(widths) - 3
        lines = pages.lines(wide, 4, _breakable(cell))
        if len(lines) <= MOST_LINES:
            columns.append([_breakable(cell)])
        else:
            columns.append([" ".join(lines[k : k + MOST_LINES]) for k in range(0, len(lines), MOST_LINES)])
    most = max(len(parts) for parts in columns)
    return [tuple(parts[k] if k < len(parts) else "" for parts in columns) for k in range(most)]


def _picture(pages: _Pages, block: Picture) -> None:
    room = pages.room - 12
    width = pages.epw
    height = width * block.height_px / block.width_px
    most = block.page_share * (pages.h - pages.t_margin - pages.b_margin)
    if height > most:
        width, height = width * most / height, most
    if height > room:
        if height * 0.7 < room and room > 60:
            width, height = width * room / height, room
        else:
            pages.add_page()
    x = pages.l_margin + (pages.epw - width) / 2
    pages.image(block.jpeg, x=x, w=width, h=height, alt_text=block.alternative)
    pages.ln(1.2)
    _caption(pages, block.caption, pages.l_margin, pages.epw)
    pages.ln(2.5)


def _caption(pages: _Pages, text: str, x: float, width: float) -> None:
    pages.type(8)
    pages.set_text_color(*_SOFT)
    pages.set_x(x)
    pages.multi_cell(width, 4 * pages.type_share, _breakable(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_text_color(*_INK)


def _gallery(pages: _Pages, block: Gallery) -> None:
    """Rows of pictures of one width, each over its caption; a row is never torn."""
    gap = 4.0
    columns = min(block.columns, len(block.items)) if len(block.items) > 1 else 1
    width = (pages.epw - gap * (block.columns - 1)) / block.columns if columns > 1 else 0.7 * pages.epw
    for start in range(0, len(block.items), columns):
        row = block.items[start : start + columns]
        heights = [width * item.height_px / item.width_px for item in row]
        most = block.page_share * (pages.h - pages.t_margin - pages.b_margin)
        pages.type(8)
        lines = [len(pages.lines(width, 4, _breakable(item.caption))) for item in row]
        shown = [min(height, most) for height in heights]
        tall = max(shown)
        if tall + 4 * max(lines) + 3 > pages.room:
            pages.add_page()
        top, bottom = pages.get_y(), pages.get_y()
        for place, (item, height) in enumerate(zip(row, shown, strict=True)):
            x = pages.l_margin + place * (width + gap)
            wide = height * item.width_px / item.height_px
            pages.image(item.jpeg, x=x, y=top, w=wide, h=height, alt_text=item.alternative)
            pages.set_y(top + height + 0.8)
            _caption(pages, item.caption, x, width)
            bottom = max(bottom, pages.get_y())
        pages.set_y(bottom + 2.5)


def _breakable(text: str) -> str:
    """A word without a space (a hash, a file's name) may break after every 16 letters."""
    return " ".join(
        "\u200b".join(word[k : k + 16] for k in range(0, len(word), 16)) if len(word) > 24 else word
        for word in text.split(" ")
    )
