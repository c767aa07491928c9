"""The report on paper: A4 or Letter, and the homeowner's page as a file of its own."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fpdf import FPDF
from fpdf.enums import MethodReturnValue, XPos, YPos
from fpdf.fonts import FontFace, TTFFont
from fpdf.prefs import ViewerPreferences
from fpdf.util import Padding
from matplotlib import font_manager

from analyzer.base.words import say
from analyzer.result.examination import Examination
from analyzer.show import report
from analyzer.show.blocks import Block, Bullets, Caution, Gallery, Heading, Paragraph, Picture, Section, Table
from analyzer.show.edition import CaseData, Edition
from analyzer.show.logo import as_logo
from analyzer.show.sections import answer, evidence, homeowner
from analyzer.show.tagging import TaggedPages

TO_FILL_IN = "House: ______________________   Examined by: __________________   Date: ____________   Claim: __________"
# How pages are set: judgements, no source.
MOST_PAGES = 8  # of a usual case; more is not read
MOST_LINES = 40  # of one table row; longer text goes on in a row of its own, for no row may be longer than a page
_INK, _SOFT, _LINE, _TINT, _WARN = (28, 32, 36), (90, 98, 106), (200, 205, 210), (240, 243, 245), (255, 246, 224)
_MADE = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)  # the same result gives the same bytes
_LEAST_SHARE, _USUAL_SHARE, _MOST_SHARE = 0.13, 0.24, 0.45  # of page one's height, for its picture
_ANNEX = 0.83  # of the usual size of type: what is looked up, not read
_LOGO_MM = (45.0, 9.0)  # at most, wide and high: the title beside it is as high
_LEAST_FILLED = 0.3  # of a last page: with less on it, the rest is set closer so that it is not needed


@dataclass(frozen=True)
class _Fit:
    """How close a report is set: of the usual size of type, and of the usual height of pictures."""

    type: float
    pictures: float


# From the most comfortable on; the first that does not need too many pages, or a last page with hardly anything on it, is taken.
_FITS = (_Fit(1.0, 1.0), _Fit(0.95, 0.9), _Fit(0.91, 0.8), _Fit(0.88, 0.7), _Fit(0.86, 0.6))
# Set closer, or where that does not help wider, so that no last page of the sheets is nearly empty.
_EVIDENCE_FITS = (
    _Fit(0.86, 1.0),
    _Fit(0.86, 0.86),
    _Fit(0.84, 0.74),
    _Fit(0.82, 0.62),
    _Fit(0.9, 1.2),
    _Fit(0.95, 1.4),
)
_HOME_FITS = (_Fit(1.1, 1.2), _Fit(1.03, 1.0), _Fit(0.97, 0.9), _Fit(0.91, 0.75), _Fit(0.87, 0.65))


class _Face(TTFFont):
    """A font that remembers what it measured last: the printer measures a line anew with each letter that joins it.

    Widths of letters are whole numbers, so adding one at a time gives the very sum.
    """

    __slots__ = ("_measured", "_units")

    def __init__(self, pages: FPDF, file: str, key: str, style: str) -> None:
        super().__init__(pages, Path(file), key, style)
        self._measured, self._units = "", 0.0

    def get_text_width(
        self, text: str, font_size_pt: float, text_shaping_params: dict[str, Any] | None
    ) -> tuple[int, float]:
        if text_shaping_params or self.is_symbol:
            return super().get_text_width(text, font_size_pt, text_shaping_params)
        self.biggest_size_pt = max(self.biggest_size_pt, font_size_pt)
        if len(text) == 1:
            return 1, self.cw[ord(text)] * font_size_pt * 0.001
        if text != self._measured:
            if text[:-1] == self._measured:
                self._units += self.cw[ord(text[-1])]
            else:
                self._units = sum(map(self.cw.__getitem__, map(ord, text)))
            self._measured = text
        return len(text), self._units * font_size_pt * 0.001


class _Pages(TaggedPages):
    heading = ""
    fit = _FITS[0]
    type_share = 1.0
    in_annex = False

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
        with self.artifact():
            self.multi_cell(0, 4, self.heading, align="L", max_line_height=4, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(2)
        self.set_text_color(*_INK)

    def footer(self) -> None:
        self.set_y(-12)
        self.set_font("body", size=8)
        self.set_text_color(*_SOFT)
        with self.artifact():
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
    def whole(self) -> float:
        """Millimetres of a page between its head and its foot."""
        return float(self.h - self.t_margin - self.b_margin)

    @property
    def room(self) -> float:
        """Millimetres left on this page."""
        return float(self.h - self.b_margin - self.get_y())

    @property
    def filled(self) -> float:
        """Of this page, the share that is printed on."""
        return 1 - self.room / self.whole

    def most(self, page_share: float) -> float:
        """The height that a picture may take."""
        return page_share * self.fit.pictures * self.whole


def pdf(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    made: dt.datetime | None = None,
    sections: Sequence[Section] | None = None,
) -> bytes:
    """The whole report as PDF, A4 (Letter with US units). The same examination and ``made`` give the same bytes.

    It is set as closely as it must be to take ``MOST_PAGES`` and no page with hardly anything on it.
    """
    edition = edition or Edition(units=units)
    parts = report.sections(examination, edition=edition) if sections is None else sections
    starts: dict[str, int] = {}
    share = _USUAL_SHARE
    tried: list[tuple[tuple[int, bool, int], _Fit, dict[str, int], float]] = []
    for fit in _FITS:
        pages, starts, share = _print_report(examination, edition, made, parts, fit, starts, share)
        pages.let_go()
        bare = pages.filled < _LEAST_FILLED
        tried.append(((max(MOST_PAGES, pages.page_no()), bare, len(tried)), fit, starts, share))
        if pages.page_no() <= MOST_PAGES and not bare:
            break
    # The first print told on which page each section stands, and what room page one leaves its picture.
    _, fit, starts, share = min(tried, key=lambda one: one[0])
    return bytes(_print_report(examination, edition, made, parts, fit, starts, share)[0].output())


def _print_report(
    examination: Examination,
    edition: Edition,
    made: dt.datetime | None,
    parts: Sequence[Section],
    fit: _Fit,
    starts: dict[str, int],
    share: float,
) -> tuple[_Pages, dict[str, int], float]:
    """The report in print, the page of each section in it, and the share of page one that its picture can have."""
    pages = _begun(examination, edition, "Examination of a removed pipe section", made, fit)
    links = {part.id: pages.add_link() for part in parts}
    found: dict[str, int] = {}
    in_annex = False
    for number, part in enumerate(parts):
        if part.annex and not in_annex:
            in_annex = pages.in_annex = True
            pages.type_share = _ANNEX
            _annex_heading(pages)
        elif number and part.new_page and pages.get_y() > 40:
            pages.add_page()
        elif number:
            pages.type(13, "B")
            _keep_with(pages, 10 * pages.type_share, part.blocks)
        pages.set_link(links[part.id], y=pages.get_y(), page=pages.page_no())
        found[part.id] = pages.page_no()
        _print_section(pages, part if number else _sized(part, share), first=not number, sub=in_annex)
        if not number:
            _contents(pages, parts, starts, links)
            left = pages.room if pages.page_no() == 1 else pages.room - pages.whole
            share = min(_MOST_SHARE, max(_LEAST_SHARE, share + (left - 3) / (pages.whole * fit.pictures)))
    return pages, found, share


def homeowner_pdf(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    made: dt.datetime | None = None,
) -> bytes:
    """The homeowner's page: the picture and plain words, on one page where they go on one."""
    edition = edition or Edition(units=units)
    part = homeowner.build(examination, edition)
    shown = replace(answer.marked(examination, edition.units, longest_px=1400, numbers=False), page_share=0.24)
    dangers = tuple(block for block in part.blocks[:-1] if isinstance(block, Caution))
    rest = tuple(block for block in part.blocks if block not in dangers)

    def set_as(fit: _Fit) -> _Pages:
        pages = _begun(examination, edition, "Your pipe, in plain words", made, fit)
        _print_all(pages, (*dangers, shown, *rest))
        return pages

    for fit in _HOME_FITS:
        pages = set_as(fit)
        if pages.page_no() == 1:
            return bytes(pages.output())
        pages.let_go()
    # Where none takes one page, two are set comfortably, with a picture that fills them.
    return bytes(set_as(replace(_HOME_FITS[0], pictures=2.0)).output())


def evidence_pdf(
    examination: Examination,
    *,
    units: str = "metric",
    edition: Edition | None = None,
    made: dt.datetime | None = None,
) -> bytes:
    """Evidence sheets: the marked photo and, for every pit, the crop that its figures rest on; the photo's hash on each page."""
    edition = edition or Edition(units=units)
    blocks = evidence.blocks(examination, edition)

    def set_as(fit: _Fit) -> _Pages:
        pages = _begun(examination, edition, "Evidence sheets", made, fit, hashed=True)
        _print_all(pages, blocks)
        return pages

    tried: list[tuple[float, _Fit]] = []
    for fit in _EVIDENCE_FITS:
        pages = set_as(fit)
        if pages.page_no() == 1 or pages.filled >= _LEAST_FILLED:
            return bytes(pages.output())
        pages.let_go()
        tried.append((pages.filled, fit))
    return bytes(set_as(max(tried, key=lambda one: one[0])[1]).output())


def _begun(
    examination: Examination,
    edition: Edition,
    title: str,
    made: dt.datetime | None,
    fit: _Fit,
    *,
    hashed: bool = False,
) -> _Pages:
    pages = _Pages(format=edition.sheet)
    pages.fit, pages.type_share = fit, fit.type
    case = edition.case
    pages.heading = " · ".join(part for part in (f"Removed pipe section: {examination.photo.name}", case.short) if part)
    if hashed:
        pages.heading += f" · SHA-256 {examination.photo.sha256}"
    pages.set_title(pages.heading)
    pages.viewer_preferences = ViewerPreferences(display_doc_title=True)
    pages.set_subject(say("show.subject"))
    pages.set_lang("en")
    pages.set_creator("cutpipe")
    pages.set_creation_date(made or _MADE)
    for style, name in (("", "DejaVu Sans"), ("B", "DejaVu Sans:bold")):
        key = f"body{style}"
        pages.fonts[key] = _Face(pages, font_manager.findfont(name), key, style)
    pages.set_margins(16, 11, 16)
    pages.set_auto_page_break(True, 15)
    pages.add_page()
    if case.logo:
        _logo(pages, case)
    pages.set_font("body", "B", 17)
    with pages.content("H1"):
        pages.multi_cell(0, 9, title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_font("body", size=9)
    pages.set_text_color(*_SOFT)
    told = " · ".join(f"{heading}: {words}" for heading, words in case.rows if words)
    with pages.content("P"):
        pages.multi_cell(0, 5, told or TO_FILL_IN, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.set_text_color(*_INK)
    pages.ln(1.2)
    return pages


def _logo(pages: _Pages, case: CaseData) -> None:
    """The firm's logo at the right of the head of page one, beside the title."""
    logo = as_logo(case.logo)
    height = min(_LOGO_MM[1], _LOGO_MM[0] * logo.height / logo.width)
    width = height * logo.width / logo.height
    with pages.content("Figure", f"Logo of {case.firm or 'the examiner'}"):
        pages.image(logo, x=pages.w - pages.r_margin - width, y=pages.get_y(), w=width, h=height)


def _sized(part: Section, share: float) -> Section:
    """The section with its picture at most so high."""
    blocks = tuple(replace(b, page_share=share) if isinstance(b, Picture) else b for b in part.blocks)
    return replace(part, blocks=blocks)


def _contents(pages: _Pages, parts: Sequence[Section], starts: dict[str, int], links: dict[str, int]) -> None:
    """The sections with their pages, each a link."""
    with pages.content("P"):
        pages.set_font("body", "B", 7.6)
        pages.write(4, "Contents: ")
        pages.set_font("body", "", 7.6)
        for number, part in enumerate(parts):
            joint = "" if number == len(parts) - 1 else "  ·  "
            text = f"{part.title} {starts.get(part.id, 0)}{joint}"
            if pages.get_x() + pages.get_string_width(text) > pages.w - pages.r_margin - 2:
                pages.ln(4)  # ``write`` alone breaks within the first word of a new text
            pages.write(4, text, links.get(part.id, ""))
    pages.ln(5)


def _annex_heading(pages: _Pages) -> None:
    if pages.room < 45:
        pages.add_page()
    else:
        pages.ln(2)
        pages.set_draw_color(*_INK)
        with pages.artifact():
            pages.line(pages.l_margin, pages.get_y(), pages.w - pages.r_margin, pages.get_y())
        pages.ln(2)
    pages.start_section("Annex")
    pages.set_font("body", "B", 14)
    with pages.content("H2"):
        pages.multi_cell(0, 8, "Annex", new_x=XPos.LMARGIN, new_y=YPos.NEXT)


def _print_section(pages: _Pages, part: Section, *, first: bool = False, sub: bool = False) -> None:
    if not first:
        pages.ln(1.2)
    pages.start_section(part.title, level=1 if sub else 0)
    pages.type(13, "B")
    with pages.content("H3" if sub else "H2"):
        pages.multi_cell(0, 7 * pages.type_share, part.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.ln(0.6)
    _print_all(pages, part.blocks)


def _print_all(pages: _Pages, blocks: Sequence[Block]) -> None:
    for place, block in enumerate(blocks):
        if isinstance(block, Paragraph) and block.strong:  # it may be a heading: it stays with what follows it
            pages.type(9.5, "B")
            height = 4.9 * pages.type_share * len(pages.lines(pages.epw, 4.9, _breakable(block.text))) + 1
            _keep_with(pages, height, blocks[place + 1 :])
        _print(pages, block)


def _keep_with(pages: _Pages, height: float, following: Sequence[Block]) -> None:
    """A new page where a heading of that height would stand at the foot of this one without what follows it."""
    if height + (_least(pages, following[0]) if following else 0.0) > pages.room:
        pages.add_page()


def _least(pages: _Pages, block: Block) -> float:
    """Millimetres of a block that have to stand together at its beginning."""
    if isinstance(block, Picture):
        return _SHRINK * min(pages.epw * block.height_px / block.width_px, pages.most(block.page_share)) + 8
    if isinstance(block, Gallery):
        return _SHRINK * max(_heights(pages, block, block.items[: _columns(block)])) + 10
    return 24.0 if isinstance(block, Table) else 13.0


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
    text = _breakable(block.text)
    kind = "P" if not isinstance(block, Heading) else "H4" if pages.in_annex else "H3"
    with pages.content(kind):
        pages.multi_cell(0, 4.8 * pages.type_share, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    pages.ln(1.2 * pages.type_share)


def _caution(pages: _Pages, block: Caution) -> None:
    pages.type(9)
    height = 4.7 * pages.type_share
    text = _breakable(block.text)
    if height * len(pages.lines(pages.epw - 4, height, text)) + 5 > pages.room:  # a tinted box is not torn
        pages.add_page()
    pages.set_fill_color(*_WARN)
    with pages.content("P"):
        pages.multi_cell(
            0, height, text, align="L", fill=True, padding=Padding(1.5, 2, 1.5, 2), new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
    pages.set_fill_color(255, 255, 255)  # a table would take the tint over
    pages.ln(1.8 * pages.type_share)


def _bullets(pages: _Pages, block: Bullets) -> None:
    pages.type(7.9 if block.small else 9.5)
    height = (3.7 if block.small else 4.8) * pages.type_share
    wide = 7.0 if len(block.items) < 10 or not block.numbered else 9.0
    with pages.group("L"):
        for number, item in enumerate(block.items, block.first):
            mark = f"{number}." if block.numbered else "•"
            if pages.room < 2 * height:
                pages.add_page()
            with pages.group("LI"):
                pages.set_x(pages.l_margin + 1)
                with pages.content("Lbl"):
                    pages.cell(wide - 1, height, mark)
                with pages.content("LBody"):
                    text = _breakable(item)
                    pages.multi_cell(pages.epw - wide, height, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
            pages.ln(0.25 if block.small else 0.5)
    pages.ln(0.8)


def _table(pages: _Pages, block: Table) -> None:
    if not block.rows:
        return
    if pages.room < 24:  # a head with no row under it
        pages.add_page()
    pages.type(8.2)
    pages.set_draw_color(*_LINE)
    with pages.tagged_table(
        col_widths=block.widths or None,
        text_align="LEFT",
        v_align="TOP",
        line_height=(3.15 if pages.in_annex else 4.1 * pages.type_share),
        padding=(0.4 if pages.in_annex else 0.6 * pages.type_share, 1.2),
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
        with pages.content("Caption"):
            pages.multi_cell(0, 4 * pages.type_share, block.caption, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        pages.set_text_color(*_INK)
    pages.ln(2)


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


_SHRINK = 0.72  # of its height, at least, a picture takes rather than go on to the next page


def _picture(pages: _Pages, block: Picture) -> None:
    room = pages.room - 10
    width = pages.epw
    height = width * block.height_px / block.width_px
    most = pages.most(block.page_share)
    if height > most:
        width, height = width * most / height, most
    if height > room:
        if height * _SHRINK < room:
            width, height = width * room / height, room
        else:
            pages.add_page()
    x = pages.l_margin + (pages.epw - width) / 2
    with pages.content("Figure", block.alternative):
        pages.image(block.jpeg, x=x, w=width, h=height)
    pages.ln(1)
    _caption(pages, block.caption, pages.l_margin, pages.epw)
    pages.ln(2)


def _caption(pages: _Pages, text: str, x: float, width: float) -> None:
    pages.type(8)
    pages.set_text_color(*_SOFT)
    pages.set_x(x)
    with pages.content("Caption"):
        pages.multi_cell(
            width, 3.8 * pages.type_share, _breakable(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT
        )
    pages.set_text_color(*_INK)


_GAP = 4.0  # between pictures side by side


def _columns(block: Gallery) -> int:
    return min(block.columns, len(block.items)) if len(block.items) > 1 else 1


def _width(pages: _Pages, block: Gallery) -> float:
    return float((pages.epw - _GAP * (block.columns - 1)) / block.columns) if _columns(block) > 1 else 0.7 * pages.epw


def _heights(pages: _Pages, block: Gallery, row: Sequence[Picture]) -> list[float]:
    width, most = _width(pages, block), pages.most(block.page_share)
    return [min(width * item.height_px / item.width_px, most) for item in row]


def _gallery(pages: _Pages, block: Gallery) -> None:
    """Rows of pictures of one width, each with its caption below or beside it; a row is never torn."""
    columns, width = _columns(block), _width(pages, block)
    for start in range(0, len(block.items), columns):
        row = block.items[start : start + columns]
        pages.type(8)
        heights = _heights(pages, block, row)
        if _row_height(pages, block, row, heights) > pages.room:
            less = [_SHRINK * height for height in heights]
            least = _row_height(pages, block, row, less)
            if least > pages.room:
                pages.add_page()
            elif not block.beside:
                left = max(heights) - (_row_height(pages, block, row, heights) - pages.room)
                heights = [min(height, left) for height in heights]
            else:
                heights = less
        top, bottom = pages.get_y(), pages.get_y()
        for place, (item, height) in enumerate(zip(row, heights, strict=True)):
            x = pages.l_margin + place * (width + _GAP)
            wide = height * item.width_px / item.height_px
            pages.set_y(top)
            with pages.content("Figure", item.alternative):
                pages.image(item.jpeg, x=x, y=top, w=wide, h=height)
            if block.beside:
                pages.set_y(top - 0.4)
                _caption(pages, item.caption, x + wide + 0.6, width - wide - 0.6)
            else:
                pages.set_y(top + height + 0.7)
                _caption(pages, item.caption, x, width)
            bottom = max(bottom, pages.get_y(), top + height)
        pages.set_y(bottom + 2)


def _row_height(pages: _Pages, block: Gallery, row: Sequence[Picture], heights: Sequence[float]) -> float:
    """Millimetres that a row takes with its captions."""
    width = _width(pages, block)
    tall = []
    for item, height in zip(row, heights, strict=True):
        room = width - height * item.width_px / item.height_px - 0.6 if block.beside else width
        words = 3.8 * pages.type_share * len(pages.lines(room, 4, _breakable(item.caption)))
        tall.append(max(height, words) if block.beside else height + words)
    return max(tall) + 3


def _breakable(text: str) -> str:
    """A word without a space (a hash, a file's name) may break after every 16 letters."""
    return " ".join(
        "\u200b".join(word[k : k + 16] for k in range(0, len(word), 16)) if len(word) > 24 else word
        for word in text.split(" ")
    )
