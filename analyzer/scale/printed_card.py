"""The scale card to print: four markers in a known layout, a scale of 100 mm to check the print, torch marks round the edge.

It is made to be cut out and laid flat beside the piece. The same card printed on A4 or on Letter is the same size.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime

import cv2
from fpdf import FPDF

from analyzer.base.flags import InputError
from analyzer.scale.find_card import CARD_CENTRES_MM, MARKER_SIDE_MM

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1 size A
# The project's own design.
CARD_MM = (124.0, 76.0)  # width, height
CHECK_LENGTH_MM = 100.0
TORCH_STEP_DEG = 30
TORCH_MARKS_DEG = tuple(range(0, 360, TORCH_STEP_DEG))  # on the card's edge, counter-clockwise from the right
# The same bytes each time: the card's own date, not the day of printing.
CARD_DATE = datetime(2026, 1, 1, tzinfo=UTC)

STEPS = (
    'Print this page at 100 % ("actual size"), not "fit to page".',
    "Lay a ruler on the printed scale: from 0 to 100 it must be 100 mm (3 15/16 in) within half a millimetre. "
    "If it is not, print again: every size in the report would be wrong by as much.",
    "Cut along the thin line. Glue the card on stiff cardboard if you like, and keep it flat and clean.",
    "Lay the piece of pipe on the table and the card beside it, close to it, flat on the same table. "
    "Nothing may lie on the four black squares.",
    "Photograph from straight above as far as you can, near enough that piece and card fill the picture, without flash.",
    "For depths, take more photos without moving phone, card or piece: hold a torch low, from the side of one of the marks on "
    "the card's edge, and note the mark (0 is the right-hand edge, counting counter-clockwise).",
)


def card_pdf(paper: str = "a4") -> bytes:
    """The card as a PDF of one page; ``paper`` is "a4" or "letter". The same bytes each time.

    Raises InputError for another paper.
    """
    if paper not in PAPERS_MM:
        raise InputError(f"There is no paper called {paper!r} here; choose a4 or letter.")
    width, height = PAPERS_MM[paper]
    pdf = FPDF(unit="mm", format=(width, height))
    pdf.set_creation_date(CARD_DATE)
    pdf.set_title("cutpipe scale card")
    pdf.set_author("cutpipe")
    pdf.set_lang("en")
    pdf.set_auto_page_break(False)
    pdf.set_margin(0)
    pdf.add_page()
    middle_x, middle_y = width / 2, 32 + CARD_MM[1] / 2
    pdf.set_font("helvetica", "B", 15)
    pdf.set_xy(middle_x - CARD_MM[0] / 2, 13)
    pdf.cell(CARD_MM[0], 8, "cutpipe scale card")
    _card(pdf, middle_x, middle_y)
    pdf.set_xy(middle_x - CARD_MM[0] / 2, middle_y + CARD_MM[1] / 2 + 12)
    for number, step in enumerate(STEPS, start=1):
        pdf.set_x(middle_x - CARD_MM[0] / 2)
        pdf.set_font("helvetica", "B", 11)
        pdf.cell(8, 6, f"{number}.")
        pdf.set_font("helvetica", "", 11)
        pdf.multi_cell(CARD_MM[0] - 8, 6, step, align="L", new_x="LMARGIN", new_y="NEXT")
        pdf.ln(1.5)
    return bytes(pdf.output())


def _card(pdf: FPDF, x: float, y: float) -> None:
    """The card with its middle at x, y of the page (mm from the top left)."""
    width, height = CARD_MM
    pdf.set_draw_color(120)
    pdf.set_line_width(0.1)
    pdf.rect(x - width / 2, y - height / 2, width, height)
    for marker_id, (at_x, at_y) in CARD_CENTRES_MM.items():
        _marker(pdf, marker_id, x + at_x - MARKER_SIDE_MM / 2, y - at_y - MARKER_SIDE_MM / 2)
    _scale(pdf, x - CHECK_LENGTH_MM / 2, y + 2.0)
    pdf.set_text_color(0)
    pdf.set_font("helvetica", "B", 8)
    pdf.set_xy(x - 26, y - 24)
    pdf.cell(52, 4, "cutpipe scale card", align="C")
    pdf.set_font("helvetica", "", 6.5)
    pdf.set_xy(x - 26, y - 20)
    pdf.multi_cell(52, 3, "squares 20.0 mm\nlay it beside the piece, flat on the same table", align="C")
    pdf.set_xy(x - 26, y + 17)
    pdf.multi_cell(52, 3, "check the print: the scale above\nis 100 mm from 0 to 100", align="C")
    _torch_marks(pdf, x, y)


def _marker(pdf: FPDF, marker_id: int, left: float, top: float) -> None:
    """One square marker as vectors: a black square, its white cells in runs so that no hairline parts them."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    cells = dictionary.markerSize + 2
    bits = cv2.aruco.generateImageMarker(dictionary, marker_id, cells)
    cell = MARKER_SIDE_MM / cells
    pdf.set_fill_color(0)
    pdf.rect(left, top, MARKER_SIDE_MM, MARKER_SIDE_MM, style="F")
    pdf.set_fill_color(255)
    for row in range(cells):
        column = 0
        while column < cells:
            run = 0
            while column + run < cells and bits[row, column + run]:
                run += 1
            if run:
                pdf.rect(left + column * cell, top + row * cell, run * cell, cell, style="F")
            column += max(run, 1)


def _scale(pdf: FPDF, left: float, base: float) -> None:
    """The check length: a line of 100 mm with millimetre marks and numbers."""
    pdf.set_draw_color(0)
    pdf.set_text_color(0)
    pdf.set_line_width(0.15)
    pdf.line(left, base, left + CHECK_LENGTH_MM, base)
    pdf.set_font("helvetica", "", 6)
    for millimetre in range(int(CHECK_LENGTH_MM) + 1):
        length = 4.0 if millimetre % 10 == 0 else 3.0 if millimetre % 5 == 0 else 2.0
        pdf.line(left + millimetre, base, left + millimetre, base - length)
        if millimetre % 10 == 0:
            pdf.set_xy(left + millimetre - 5, base + 0.4)
            pdf.cell(10, 2.6, f"{millimetre}" if millimetre < 100 else "100", align="C")


def _torch_marks(pdf: FPDF, x: float, y: float) -> None:
    """A short line and a number on the edge in every direction of 30 degrees, counter-clockwise from the right."""
    half_width, half_height = CARD_MM[0] / 2, CARD_MM[1] / 2
    pdf.set_draw_color(0)
    pdf.set_line_width(0.3)
    pdf.set_font("helvetica", "B", 6)
    for angle in TORCH_MARKS_DEG:
        right, up = torch_direction(angle)
        reach = min(
            half_width / abs(right) if abs(right) > 1e-9 else math.inf,
            half_height / abs(up) if abs(up) > 1e-9 else math.inf,
        )
        edge_x, edge_y = x + reach * right, y - reach * up
        inner_x, inner_y = edge_x - 2.2 * right, edge_y + 2.2 * up
        pdf.line(inner_x, inner_y, edge_x, edge_y)
        pdf.set_xy(inner_x - 3.2 * right - 4, inner_y + 2.0 * up - 1.3)
        pdf.cell(8, 2.6, str(angle), align="C")


def torch_direction(azimuth_deg: float) -> tuple[float, float]:
    """(right, up) on the card for a torch mark: counter-clockwise from the card's right edge, as seen from above."""
    angle = math.radians(azimuth_deg)
    return math.cos(angle), math.sin(angle)
