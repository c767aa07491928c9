"""The report as pages: what must be read is there, in both forms, the same bytes each time. pypdf reads the PDF."""

import io
import re
from html.parser import HTMLParser

import pypdf
import pytest

from analyzer import report


@pytest.fixture(scope="module")
def pages(demo_examination):
    return pypdf.PdfReader(io.BytesIO(report.pdf(demo_examination)))


@pytest.fixture(scope="module")
def words(pages):
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages.pages).replace("\u200b", ""))


def test_what_must_be_read_is_read(words, demo_examination):
    for sentence in (
        "A photograph never proves a cause",
        "What was found",
        "For the homeowner, in plain words",
        "Measures",
        "The wall",
        "Why it failed",
        "What to do",
        "What not to do",
        "licensed",
    ):
        assert sentence in words
    assert demo_examination.photo.sha256 in words.replace(" ", "")
    for name, value, _ in report.headline_figures(demo_examination):
        assert name in words and value in words


def test_pdf_is_tagged_with_language_outline_and_no_path(pages, demo_examination):
    assert pages.metadata.title and pages.outline
    assert pages.trailer["/Root"].get("/Lang") == "en"
    assert not re.search(rb"/(home|root|work|tmp)/", report.pdf(demo_examination))


def test_what_all_steps_share_is_said_once():
    from types import SimpleNamespace as Row

    shared, other = Row(why="It changes the ranking.", source="rules"), Row(why="Else it is lost.", source="practice")
    assert report.said_of_all([shared, other, shared]) == ("It changes the ranking.", "rules")
    assert report.said_of_all([shared, other]) == ("", "")


def test_same_bytes(demo_examination):
    assert report.pdf(demo_examination) == report.pdf(demo_examination)


def test_letter_and_inches(demo_examination):
    page = pypdf.PdfReader(io.BytesIO(report.pdf(demo_examination, units="us"))).pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((612, 792), abs=1)
    assert " in" in page.extract_text()


class _Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.links, self.images, self.open, self.text = [], [], [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.links += [attrs[k] for k in ("src", "href") if k in attrs]
        if tag == "img":
            self.images.append(attrs)
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_html_stands_alone(demo_examination):
    reader = _Reader()
    reader.feed(report.html(demo_examination))
    assert not reader.open
    assert all(link.startswith("data:") for link in reader.links)
    assert reader.images and all(image["alt"] for image in reader.images)
    assert "never proves a cause" in " ".join(reader.text)


def test_a_file_name_is_text_not_markup(demo_examination):
    from dataclasses import replace

    photo = replace(demo_examination.photo, name="<b>x</b>.jpg")
    look = replace(demo_examination.look, photos=(photo, *demo_examination.photos[1:]))
    assert "<b>x</b>" not in report.html(replace(demo_examination, look=look))


def test_summary_for_the_terminal(demo_examination):
    said = report.spoken_summary(demo_examination)
    assert "Pits counted" in said and "95 %" in said
