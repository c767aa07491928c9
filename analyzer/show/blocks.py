"""What a report is made of: blocks that every writer (PDF, HTML, the pages) can show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from analyzer.show import drawing


@dataclass(frozen=True, kw_only=True)
class Paragraph:
    text: str
    strong: bool = False


@dataclass(frozen=True, kw_only=True)
class Heading(Paragraph):
    """A heading within a section."""

    strong: bool = True


@dataclass(frozen=True, kw_only=True)
class Bullets:
    items: tuple[str, ...]
    numbered: bool = False
    small: bool = False  # a long list, in smaller type
    first: int = 1  # number of the first item


@dataclass(frozen=True, kw_only=True)
class Table:
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...] = ()  # relative
    caption: str = ""


@dataclass(frozen=True, kw_only=True)
class Picture:
    jpeg: bytes
    width_px: int
    height_px: int
    caption: str
    alternative: str  # what a person who cannot see it needs to know
    page_share: float = 0.8  # of the page's height, at most


@dataclass(frozen=True, kw_only=True)
class Caution:
    text: str


@dataclass(frozen=True, kw_only=True)
class Gallery:
    """Small pictures side by side, each with its own caption."""

    items: tuple[Picture, ...]
    columns: int = 3
    page_share: float = 0.4  # of the page's height, at most, for each
    beside: bool = False  # on paper the caption stands at the picture's right, not below it


Block = Paragraph | Bullets | Table | Picture | Gallery | Caution


@dataclass(frozen=True, kw_only=True)
class Section:
    id: str  # as in ``report.SECTIONS``; an address within a page
    title: str
    blocks: tuple[Block, ...]
    new_page: bool = False
    annex: bool = False  # long lists and technical words: after the rest, in smaller type


def picture(rgb: Any, caption: str, alternative: str, *, page_share: float = 0.8) -> Picture:
    return Picture(
        jpeg=drawing.jpeg(rgb),
        width_px=rgb.shape[1],
        height_px=rgb.shape[0],
        caption=caption,
        alternative=alternative,
        page_share=page_share,
    )
