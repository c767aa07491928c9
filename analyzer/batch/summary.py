"""The results of a run over many photos as tables (CSV, Parquet) and as pages to look through."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping
from importlib import resources
from itertools import islice
from pathlib import Path
from typing import Any

import jinja2

from analyzer.base.text import spreadsheet_cell
from analyzer.batch.one import COLUMNS
from analyzer.show.output import write_file

# A judgement, no source.
ROWS_A_PAGE = 200
_CHUNK = 5000


def write_csv(rows: Iterable[Mapping[str, Any]], path: Path) -> None:
    """UTF-8, a unit in each column's name, empty where not known, no cell that a spreadsheet runs as a formula."""
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for row in rows:
        table.writerow([spreadsheet_cell(row.get(column)) for column in COLUMNS])
    write_file(path, text.getvalue().encode())


def write_parquet(rows: Iterable[Mapping[str, Any]], path: Path) -> None:
    """The same columns with their types (Apache Parquet); null where not known."""
    import pyarrow
    import pyarrow.parquet

    schema = pyarrow.schema(
        [(name, pyarrow.string() if kind is str else pyarrow.float64()) for name, kind in COLUMNS.items()]
    )
    buffer = io.BytesIO()
    with pyarrow.parquet.ParquetWriter(buffer, schema) as writer:
        for chunk in _chunks(rows, _CHUNK):
            writer.write_table(
                pyarrow.Table.from_pylist([{name: row.get(name) for name in COLUMNS} for row in chunk], schema)
            )
    write_file(path, buffer.getvalue())


def write_pages(rows: Iterable[Mapping[str, Any]], folder: Path, *, photos: int) -> None:
    """``index.html`` and, from 200 photos on, ``index-2.html`` and so on: each photo's small picture, figures and link."""
    template = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
        resources.files("analyzer").joinpath("data/batch.html.jinja").read_text(encoding="utf-8")
    )
    pages = max(1, -(-photos // ROWS_A_PAGE))
    number = 0
    for number, chunk in enumerate(_chunks(rows, ROWS_A_PAGE), start=1):
        write_file(
            folder / _page(number),
            template.render(rows=chunk, number=number, pages=pages, page=_page).encode(),
        )
    if not number:
        write_file(folder / _page(1), template.render(rows=[], number=1, pages=1, page=_page).encode())
    for left in folder.glob("index-*.html"):  # of an earlier run over more photos
        if left.stem.removeprefix("index-").isdigit() and int(left.stem.removeprefix("index-")) > max(1, number):
            left.unlink()


def _page(number: int) -> str:
    return "index.html" if number == 1 else f"index-{number}.html"


def _chunks(rows: Iterable[Mapping[str, Any]], size: int) -> Iterator[list[Mapping[str, Any]]]:
    whole = iter(rows)
    while chunk := list(islice(whole, size)):
        yield chunk
