"""The report as pages: what must be read is there, in both forms, the same bytes each time. pypdf reads the PDF."""

import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pypdf
import pytest

from analyzer.result.examination import conclude
from analyzer.show import blocks, drawing, paper, phrases, report, webpage
from analyzer.show.edition import CaseData, Edition
from tests.conftest import ROOT


@pytest.fixture(scope="module")
def printed(demo_examination):
    return paper.pdf(demo_examination)


@pytest.fixture(scope="module")
def pages(printed):
    return pypdf.PdfReader(io.BytesIO(printed))


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
    for name, value, _ in phrases.headline_figures(demo_examination):
        assert name in words and value in words


@pytest.fixture(scope="module")
def in_inches(demo_examination):
    return pypdf.PdfReader(io.BytesIO(paper.pdf(demo_examination, edition=CASE)))


CASE = Edition(units="us", case=CaseData(id="ab" * 16, name="Alder Row \u202etab", claim="A-17"))


def _filled(page):
    """Of the page's height, the share down to the last line above its foot."""
    heights = []

    def visit(text, matrix, text_matrix, font, size):
        if text.strip():
            heights.append(text_matrix[5] * matrix[3] + matrix[5])

    page.extract_text(visitor_text=visit)
    foot = min(round(h) for h in heights)
    lowest = min(h for h in heights if h > foot + 5)
    return 1 - lowest / float(page.mediabox.height)


def test_no_more_pages_than_are_read_and_none_nearly_empty(pages, in_inches, demo_examination):
    for reader in (pages, in_inches):
        assert len(reader.pages) <= paper.MOST_PAGES == 8
        assert all(_filled(page) > 0.3 for page in reader.pages)
    for units in ("metric", "us"):
        assert len(pypdf.PdfReader(io.BytesIO(paper.homeowner_pdf(demo_examination, units=units))).pages) == 1


def test_contents_name_the_page_that_each_section_stands_on(in_inches, demo_examination):
    first = re.sub(r"\s+", " ", in_inches.pages[0].extract_text())
    starts = {item.title: in_inches.get_destination_page_number(item) + 1 for item in _flat(in_inches.outline)}
    for part in report.sections(demo_examination, edition=CASE):
        assert f"{part.title} {starts[part.title]}" in first
        assert part.title in in_inches.pages[starts[part.title] - 1].extract_text()


def _flat(outline):
    for item in outline:
        yield from _flat(item) if isinstance(item, list) else [item]


def test_every_page_tells_its_case_and_no_sign_turns_the_line(in_inches):
    for page in in_inches.pages:
        text = page.extract_text()
        assert "Alder Row tab" in text and "claim A-17" in text and "case abababababab" in text
        assert "\u202e" not in text


def _elements(element):
    yield element
    kids = element.get("/K", [])
    for kid in kids if isinstance(kids, list) else [kids]:
        kid = kid.get_object()
        if isinstance(kid, dict):
            yield from _elements(kid)


def test_everything_on_paper_is_tagged(pages):
    """ISO 32000-1, 14.6 to 14.8: all that is shown lies in marked content, an artifact or an element of the tree; figures have an
    alternative text; lists and tables are made of their parts; each piece of content finds its element by its number."""
    root = pages.trailer["/Root"]
    assert str(root["/MarkInfo"]["/Marked"]).lower() == "true"
    tree = root["/StructTreeRoot"]
    whole = list(_elements(tree["/K"][0].get_object()))
    kinds = [element["/S"] for element in whole]
    assert kinds[0] == "/Document" and kinds.count("/H1") == 1 and kinds.count("/H2") > 5 and kinds.count("/P") > 10
    for element in whole:
        inside = {kid.get_object()["/S"] for kid in element.get("/K", []) if not isinstance(kid, int)}
        allowed = {"/L": {"/LI"}, "/LI": {"/Lbl", "/LBody"}, "/Table": {"/TR"}, "/TR": {"/TH", "/TD"}}
        assert inside <= allowed.get(
            element["/S"], {"/H1", "/H2", "/H3", "/H4", "/P", "/L", "/Table", "/Figure", "/Caption"}
        )
        if element["/S"] == "/Figure":
            assert len(element["/Alt"]) > 20
        if element["/S"] == "/TH":
            assert element["/A"]["/Scope"] == "/Column"
    nums = tree["/ParentTree"]["/Nums"]
    parents = {nums[k]: nums[k + 1].get_object() for k in range(0, len(nums), 2)}
    for page in pages.pages:
        content = pypdf.generic.ContentStream(page["/Contents"], pages)
        depth, seen = [], []
        for operands, operator in content.operations:
            if operator in (b"BMC", b"BDC"):
                depth.append(operands[0])
                if operator == b"BDC":
                    number = operands[1]["/MCID"]
                    seen.append(number)
                    assert parents[page["/StructParents"]][number].get_object()["/S"] == operands[0]
            elif operator == b"EMC":
                depth.pop()
            elif operator in (b"Tj", b"TJ", b"'", b"Do"):
                assert len(depth) == 1, operands
        assert not depth and seen == list(range(len(seen)))


def test_evidence_sheets_show_every_pit_with_what_its_figures_rest_on(demo_examination):
    reader = pypdf.PdfReader(io.BytesIO(paper.evidence_pdf(demo_examination, edition=CASE)))
    texts = [re.sub(r"\s+", " ", page.extract_text().replace("\u200b", "")) for page in reader.pages]
    whole, pits = " ".join(texts), demo_examination.standing_pits.pits
    for pit in pits:
        assert re.search(rf"Pit {pit.id}: [^;]*; opening [^;]*; depth [^;]*; judged by the program", whole), pit.id
    # Two pits may look alike to the byte in no photo: a crop of each, and the marked photo.
    assert sum(len(page.images) for page in reader.pages) >= len(pits) + 1
    for text in texts:
        assert demo_examination.photo.sha256 in text.replace(" ", "") and "Alder Row" in text
    assert "Known errors" in whole and "never proves a cause" in whole


def test_fonts_are_embedded(pages):
    for page in pages.pages:
        for font in page["/Resources"]["/Font"].values():
            inner = font["/DescendantFonts"][0]["/FontDescriptor"]
            assert "/FontFile2" in inner and "/ToUnicode" in font


def test_pdf_has_title_language_outline_and_no_path(pages, printed):
    assert pages.metadata.title and pages.outline
    assert pages.trailer["/Root"].get("/Lang") == "en"
    assert str(pages.trailer["/Root"]["/ViewerPreferences"]["/DisplayDocTitle"]).lower() == "true"
    assert not re.search(rb"/(home|root|work|tmp)/", printed)


def test_page_one_names_the_photo_and_shows_it(pages, demo_examination):
    first = pages.pages[0]
    text = re.sub(r"\s+", " ", first.extract_text())
    assert demo_examination.photo.name in text and "2026-01-10" in text  # the camera's own date
    assert demo_examination.judgement.summary[:40] in text and "never shows that a pipe is safe under pressure" in text
    assert len(first.images) == 1


def test_a_column_that_knows_nothing_is_said_once(demo_examination):
    table = report.section(demo_examination, "pits").blocks[0]
    assert "Through?" not in table.head and "goes through the wall is not known" in table.caption
    assert "Depth, a range" in table.head and "nothing measured it" in table.caption
    pit = replace(demo_examination.pits.pits[0], through=True)
    pits = replace(demo_examination.pits, pits=(pit, *demo_examination.pits.pits[1:]))
    holed = replace(demo_examination, look=replace(demo_examination.look, pits=pits))
    assert "Through?" in report.section(holed, "pits").blocks[0].head


def test_inches_throughout(demo_examination):
    """With US units no length is left in millimetres but the scale, which a reviewer checks on the picture."""
    parts = {part.title: part for part in report.sections(demo_examination, units="us")}
    for title in ("What was found", "Measures", "Pits", "The wall"):
        assert not re.search(
            r"\d mm\b(?! a pixel)", str([b for b in parts[title].blocks if not isinstance(b, blocks.Picture)])
        ), title


def test_the_record_says_what_the_scale_rests_on(demo_examination):
    words = phrases.scale_in_words(demo_examination)
    assert "ruler" in words and "mm a pixel" in words and "95 %" in words
    surface = replace(demo_examination.surface, mm_per_px=None)
    without = replace(demo_examination, look=replace(demo_examination.look, surface=surface))
    assert "nothing is given in millimetres" in phrases.scale_in_words(without)


@pytest.mark.usefixtures("set_as_it_comes")
def test_letters_that_the_font_lacks_are_boxes(demo_examination, caplog):
    photo = replace(demo_examination.photo, name="pipe \U0001fae0 管.jpg")
    odd = replace(demo_examination, look=replace(demo_examination.look, photos=(photo,)))
    text = pypdf.PdfReader(io.BytesIO(paper.pdf(odd))).pages[0].extract_text()
    assert "pipe □ □.jpg" in text and not caplog.records


def test_depth_map_is_darker_where_deeper_and_grey_where_nothing_is_seen():
    from analyzer.relief.lights import Heights
    from analyzer.show import charts

    mm = np.zeros((40, 100), np.float32)
    mm[10:30, 20:40] = -0.5
    mm[:, 80:] = np.nan
    picture = charts.depth_map(Heights(mm=mm, step_mm=0.5, axial_mm=0.0, around_mm=-10.0)).astype(float)
    light = picture.mean(axis=2)
    pit = light == np.median(light[light < 120])  # one flat dark patch
    assert pit.sum() > 2000
    grey = np.all(picture == (0xD5, 0xD9, 0xDC), axis=2)
    shares = grey.sum() / pit.sum()
    assert shares == pytest.approx(20 * 40 / (20 * 20), rel=0.15)


def test_ring_is_told_as_a_ring():
    """Of a cut end nothing is said of pits or marks: none were looked for."""
    from analyzer import Settings, examine

    ring = examine(ROOT / "demo_images/cut-ring.jpg", settings=Settings(view="end", tube="1"))
    parts = {
        part.title: str([b for b in part.blocks if not isinstance(b, blocks.Picture)]) for part in report.sections(ring)
    }
    captions = " ".join(
        b.caption for part in report.sections(ring) for b in part.blocks if isinstance(b, blocks.Picture)
    )
    assert (
        "Pits" not in parts["What was found"]
        and "Pits estimated" not in parts["Measures"]
        and "contact mark" not in captions
    )
    assert "Smallest wall" in parts["Measures"] and "thinnest" in captions
    assert [name for name, _, _ in phrases.headline_figures(ring)] == [
        "Smallest wall round the ring",
        "Mean wall round the ring",
    ]


def test_what_all_steps_share_is_said_once():
    from types import SimpleNamespace as Row

    shared, other = Row(why="It changes the ranking.", source="rules"), Row(why="Else it is lost.", source="practice")
    assert phrases.said_of_all([shared, other, shared]) == ("It changes the ranking.", "rules")
    assert phrases.said_of_all([shared, other]) == ("", "")


def test_same_bytes(demo_examination, printed):
    assert paper.pdf(demo_examination) == printed


def test_letter_and_inches(in_inches):
    page = in_inches.pages[0]
    assert (float(page.mediabox.width), float(page.mediabox.height)) == pytest.approx((612, 792), abs=1)
    assert " in" in page.extract_text()


class _Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.links, self.images, self.open, self.text, self.ids = [], [], [], [], []
        self.headings, self.landmarks = [], []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.links += [attrs[k] for k in ("src", "href") if k in attrs]
        self.ids += [attrs["id"]] if "id" in attrs else []
        if tag == "img":
            self.images.append(attrs)
        if tag in ("h1", "h2", "h3", "h4"):
            self.headings.append(int(tag[1]))
        if tag in ("main", "header", "nav", "section", "footer", "aside"):
            self.landmarks.append((tag, attrs.get("aria-label") or attrs.get("aria-labelledby", "")))
        if tag not in ("meta", "img", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_html_stands_alone(demo_examination):
    reader = _Reader()
    reader.feed(webpage.html(demo_examination))
    assert not reader.open
    assert all(link.startswith(("data:", "#")) for link in reader.links)
    named = [link[1:] for link in reader.links if link.startswith("#")]
    assert named and set(named) <= set(reader.ids) and len(set(reader.ids)) == len(reader.ids)
    assert reader.images and all(image["alt"] for image in reader.images)
    assert "never proves a cause" in " ".join(reader.text)


def test_html_has_one_of_each_landmark_and_no_heading_skips_a_level(demo_examination):
    """WAI-ARIA Authoring Practices: one main landmark, each further one with a name of its own; WCAG 2.2, technique G141."""
    reader = _Reader()
    reader.feed(webpage.html(demo_examination, edition=CASE))
    assert len(set(reader.landmarks)) == len(reader.landmarks)
    assert [tag for tag, _ in reader.landmarks].count("main") == 1
    assert all(name for tag, name in reader.landmarks if tag in ("nav", "section"))
    assert reader.headings[0] == 1 and reader.headings.count(1) == 1 and 3 in reader.headings
    assert all(after - before <= 1 for before, after in zip(reader.headings, reader.headings[1:], strict=False))
    said = " ".join(reader.text)
    assert "Alder Row tab" in said and CASE.case.id in said and "\u202e" not in said


def test_a_file_name_is_text_not_markup(demo_examination):
    photo = replace(demo_examination.photo, name="<b>x</b>.jpg")
    look = replace(demo_examination.look, photos=(photo, *demo_examination.photos[1:]))
    assert "<b>x</b>" not in webpage.html(replace(demo_examination, look=look))


def test_summary_for_the_terminal(demo_examination):
    said = phrases.spoken_summary(demo_examination)
    assert "Pits estimated" in said and "95 %" in said


def test_many_corrections_of_one_kind_take_one_row(demo_examination):
    """Two hundred pits that one person added for one reason are one row; every entry stands in the file."""
    from analyzer.result.corrections import make_correction

    said = {"who": "R. Field", "why": "seen with a loupe", "when": "2026-11-20T10:00:00"}
    drawn = [
        make_correction({"kind": "add_pit", "points_px": [[700 + 3 * k, 1300]], "diameter_px": 6, **said})
        for k in range(200)
    ]
    other = make_correction({"kind": "remove_pit", "pit": demo_examination.pits.pits[0].id, **said})
    many = conclude(demo_examination.look, corrections=[*drawn, other])
    rows = report.section(many, "corrections").blocks[1].rows
    assert [row[0] for row in rows] == ["pit added, 200 times", f"not a pit, number {other.pit}"]
    assert len(pypdf.PdfReader(io.BytesIO(paper.pdf(many))).pages) <= paper.MOST_PAGES


@pytest.mark.parametrize("number", [4, 16, 20])
def test_no_last_evidence_sheet_is_nearly_empty(number, demo_examination):
    """Whatever number of pits stands: crops and words are set closer or wider until the last sheet carries something."""
    from analyzer.result.corrections import make_correction

    gone = [make_correction({"kind": "remove_pit", "pit": p.id}) for p in demo_examination.pits.pits[number:]]
    few = conclude(demo_examination.look, corrections=gone)
    assert len(few.standing_pits.pits) == number
    for units in ("metric", "us"):
        reader = pypdf.PdfReader(io.BytesIO(paper.evidence_pdf(few, units=units)))
        assert _filled(reader.pages[-1]) > 0.28, (units, len(reader.pages))


@pytest.mark.parametrize("shape", [(1200, 90), (600, 300), (300, 900)])
def test_no_word_under_a_picture_is_cut_off(shape):
    """A narrow picture gets white beside it, and keeps its place at the left: scale bar, legend and hash stand whole."""
    rgb = np.full((*shape, 3), 90, np.uint8)
    legend = (("contact mark (hatched)", (80, 160, 220)), ("metal looked at (dashed)", (240, 240, 240)))
    foot = drawing.Foot(name="bore-left-half.jpg", sha256="ab" * 32, legend=legend, mm_per_px=0.05, units="metric")
    made = drawing.with_foot(rgb, foot)
    assert (made[: shape[0], : shape[1]] == rgb).all() and (made[: shape[0], shape[1] :] == 255).all()
    strip = made[shape[0] :]
    ink = (strip < 200).any(axis=2).any(axis=0).nonzero()[0]
    assert ink.min() > 3 and ink.max() < made.shape[1] - 4
