"""Tagged PDF: what each line on paper is (heading, list, cell, figure), for programs that read a page aloud.

fpdf2 tags pictures alone; a page on which only these are tagged is read aloud as pictures and nothing else. This adds the
rest: a tree of structure elements (ISO 32000-1, 14.7 and 14.8) in the order of reading; heads and feet of pages are artifacts.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from fpdf import FPDF
from fpdf.structure_tree import StructElem, StructureTreeBuilder
from fpdf.syntax import PDFArray, PDFObject
from fpdf.table import Table

_COLUMN_HEAD = "<</O /Table /Scope /Column>>"


class _All(PDFArray):
    """Every element of the tree, for fpdf2 to number and to give a page; written are the document's own kids alone."""

    top: list[StructElem]

    def serialize(self, _security_handler: Any = None, _obj_id: int | None = None) -> str:
        return PDFArray(self.top).serialize(_security_handler=_security_handler, _obj_id=_obj_id)


class _Tree(StructureTreeBuilder):
    """fpdf2's flat list of elements as a tree."""

    def __init__(self) -> None:
        super().__init__()
        self._all = _All()
        self._all.top = []
        self.doc_struct_elem.k = self._all
        self.open: list[StructElem] = []  # the elements within which the next one stands

    def element(self, kind: str, page: int, *, kids: list[int] | None = None, alt: str | None = None) -> StructElem:
        parent: PDFObject = self.open[-1] if self.open else self.doc_struct_elem
        made = StructElem(struct_type=kind, parent=parent, kids=kids or [], page_number=page, alt=alt)
        self.doc_struct_elem.k.append(made)
        (self.open[-1].k if self.open else self._all.top).append(made)
        return made

    def next_mcid_for_page(self, page_number: int) -> int:
        place = self.spid_per_page_number.get(page_number)
        return 0 if place is None else len(self.struct_tree_root.parent_tree.nums[place])

    def leaf(self, kind: str, page: int, alt: str | None) -> tuple[StructElem, int, int]:
        """An element with content of its own on the page, its place among the page's, and the page's place in the tree."""
        place = self.spid_per_page_number.setdefault(page, len(self.spid_per_page_number))
        number = self.next_mcid_for_page(page)
        made = self.element(kind, page, kids=[number], alt=alt)
        self.struct_tree_root.parent_tree.nums[place].append(made)
        return made, number, place


class TaggedPages(FPDF):
    """Pages on which everything is tagged: ``content`` round what is printed, ``group`` round several of these."""

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.struct_builder = self._tree = _Tree()
        self._printing: tuple[str, str | None] | None = None

    @contextmanager
    def group(self, kind: str) -> Iterator[None]:
        """All that is printed within belongs together: a list, a row, a table."""
        self._tree.open.append(self._tree.element(f"/{kind}", self.page))
        try:
            yield
        finally:
            self._tree.open.pop()

    @contextmanager
    def content(self, kind: str, alt: str | None = None) -> Iterator[None]:
        """What is printed within is one piece of text or one figure. It may run over a page's end."""
        if self._printing is not None:  # within another: that one's tag holds
            yield
            return
        self._begin_content(kind, alt)
        try:
            yield
        finally:
            self._end_content()

    @contextmanager
    def artifact(self) -> Iterator[None]:
        """What is printed within is no part of the text: heads, feet, lines."""
        if self._printing is not None:
            yield
            return
        self._out("/Artifact BMC")
        try:
            yield
        finally:
            self._out("EMC")

    def _begin_content(self, kind: str, alt: str | None) -> None:
        made, number, place = self._tree.leaf(f"/{kind}", self.page, alt)
        if kind == "TH":
            made.a = _COLUMN_HEAD  # type: ignore[attr-defined]
        self.pages[self.page].struct_parents = place
        self._out(f"/{kind} <</MCID {number}>> BDC")
        self._printing = (kind, alt)

    def _end_content(self) -> None:
        self._out("EMC")
        self._printing = None

    def add_page(self, *args: Any, **options: Any) -> None:
        """A page that begins in the middle of a text ends its tag on the old page and goes on with it on the new one."""
        running = self._printing
        if running is not None:
            self._end_content()
        super().add_page(*args, **options)
        if running is not None:
            self._begin_content(*running)

    @contextmanager
    def tagged_table(self, *args: Any, **options: Any) -> Iterator[Table]:
        """As fpdf2's ``table``, with each row and cell tagged."""
        made = _TaggedTable(self, *args, **options)
        yield made
        with self.group("Table"):
            made.render()


class _TaggedTable(Table):
    _fpdf: TaggedPages
    _last = -1

    def _render_table_row(self, i: int, *args: Any, **options: Any) -> None:
        if i <= self._last:  # the head again on a new page
            with self._fpdf.artifact():
                self._again = True
                super()._render_table_row(i, *args, **options)
                self._again = False
            return
        self._last = i
        with self._fpdf.group("TR"):
            super()._render_table_row(i, *args, **options)

    _again = False

    def _render_table_cell(self, i: int, *args: Any, **options: Any) -> tuple[bool, float, float]:
        if options.get("cell_height_info") is None or self._again:  # only asked for its height
            return super()._render_table_cell(i, *args, **options)
        with self._fpdf.content("TH" if i < self._num_heading_rows else "TD"):
            return super()._render_table_cell(i, *args, **options)
