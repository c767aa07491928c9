"""The sealed bundle: judged by the bagit library (an independent reading of RFC 8493), damaged one way at a time, attacked by zip files."""

import hashlib
import io
import json
import shutil
import stat
import tempfile
import zipfile

import bagit
import numpy as np
import pypdf
import pytest
from cryptography.hazmat.primitives.asymmetric import ed25519
from PIL import ExifTags, Image

from analyzer import cli
from analyzer.base.flags import InputError
from analyzer.case import bundle as bundle_room
from analyzer.case.bundle import check, compare, new_key, pack, seal, unpack
from analyzer.case.store import CaseStore
from analyzer.photo.metadata import without_place
from analyzer.photo.reading import read_photo
from tests.conftest import ROOT

WHEN = "2026-11-20T10:00:00+00:00"
RING = (ROOT / "demo_images/cut-ring.jpg").read_bytes()


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A case with a photograph that is kept and not measured: sealing it is quick."""
    store = CaseStore.begin(tmp_path_factory.mktemp("kept") / "case", when=WHEN, who="R. Field", place="Alder Row 3")
    store.add_photo(RING, file_name="ring.jpg", purpose="removed", when=WHEN, who="R. Field")
    store.add("note", {"text": "as found"}, when=WHEN)
    return store


@pytest.fixture(scope="module")
def sealed(case, tmp_path_factory):
    return seal(case, tmp_path_factory.mktemp("sealed") / "bundle", when=WHEN, key=new_key())


@pytest.fixture
def bundle(sealed, tmp_path):
    return shutil.copytree(sealed, tmp_path / "bundle")


def test_any_bagit_tool_validates_it(bundle):
    bag = bagit.Bag(str(bundle))
    assert bag.validate() and bag.version_info == (1, 0) and set(bag.algorithms) == {"sha256", "sha512"}
    found = check(bundle)
    assert found.verdict == "same" and found.signature == "fits"


def test_names_and_place_stay_at_home_unless_asked_for(case, bundle, tmp_path):
    for path in bundle.rglob("*"):
        if path.is_file():
            assert b"Alder Row" not in path.read_bytes() and b"R. Field" not in path.read_bytes(), path.name
    whole = seal(case, tmp_path / "whole", when=WHEN, with_private=True, with_place=True)
    assert "Alder Row 3" in (whole / "data/log.jsonl").read_text()
    assert next((whole / "data/photographs").iterdir()).read_bytes() == RING
    assert check(whole).verdict == "same"


def test_place_data_and_serial_numbers_stay_at_home_unless_asked_for(tmp_path):
    data = _with_place("JPEG", quality=90)
    store = CaseStore.begin(tmp_path / "case", when=WHEN)
    store.add_photo(data, file_name="removed.jpg", purpose="removed", when=WHEN)
    for with_place in (False, True):
        bag = seal(store, tmp_path / f"bag-{with_place}", when=WHEN, with_place=with_place)
        (photo,) = (bag / "data/photographs").iterdir()
        place = Image.open(io.BytesIO(photo.read_bytes())).getexif().get_ifd(ExifTags.IFD.GPSInfo)
        assert bool(place) is with_place and (b"SN-1234" in photo.read_bytes()) is with_place
        assert (photo.read_bytes() == data) is with_place


def _flip(path):
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def _to_link(path):
    aside = path.parents[2] / "like"
    shutil.move(path, aside)
    path.symlink_to(aside)


DAMAGE = {
    "a photograph changed": (lambda b: _flip(next((b / "data/photographs").iterdir())), "was changed after sealing"),
    "the log changed": (lambda b: _flip(b / "data/log.jsonl"), "log.jsonl was changed"),
    "a file taken out": (lambda b: (b / "data/versions.json").unlink(), "versions.json is missing"),
    "a file put in": (lambda b: (b / "data/extra.txt").write_text("x"), "extra.txt was put into"),
    "a tag file put in": (lambda b: (b / "extra.txt").write_text("x"), "extra.txt was put into"),
    "a manifest changed": (lambda b: _flip(b / "manifest-sha256.txt"), "manifest-sha256.txt was changed"),
    "a tag manifest taken out": (
        lambda b: (b / "tagmanifest-sha256.txt").unlink(),
        "tagmanifest-sha256.txt is missing",
    ),
    "bag-info changed": (lambda b: _flip(b / "bag-info.txt"), "bag-info.txt was changed"),
    "a folder put in": (lambda b: (b / "data/new").mkdir(), "data/new was put into"),
    "the signature taken away": (lambda b: (b / "signature.json").unlink(), "signature.json is missing"),
    "a file that is a link to its like": (lambda b: _to_link(b / "data/versions.json"), "versions.json is missing"),
}


@pytest.mark.parametrize("kind", DAMAGE)
def test_each_kind_of_damage_is_named(bundle, kind):
    spoil, sentence = DAMAGE[kind]
    spoil(bundle)
    found = check(bundle)
    assert found.verdict == "damaged" and any(sentence in said for said in found.damage), found.damage


def test_one_bit_in_any_file_names_that_file(bundle):
    """A list whose line was changed is named itself, not the file that the other list has right; the signature's words count too."""
    files = [path for path in bundle.rglob("*") if path.is_file()]
    assert len(files) > 10
    for path in files:
        whole = path.read_bytes()
        _flip(path)
        found = check(bundle, measure=False)
        name = path.relative_to(bundle).as_posix()
        assert found.verdict == "damaged"
        if name == "signature.json":
            assert found.signature == "does not fit" and not found.damage
        else:
            assert f"{name} was changed after sealing." in found.damage, (name, found.damage)
        if not name.startswith("tagmanifest"):  # of a list of lists, the lists that it wrongs are told apart
            assert len(found.damage) <= 1, (name, found.damage)
        path.write_bytes(whole)
    assert check(bundle, measure=False).verdict == "same"


def test_another_key_or_other_words_are_no_signature_of_this_bundle(bundle):
    """The bag names the key that signed it, so that a signature by another key is not taken for it."""
    kept = json.loads((bundle / "signature.json").read_text())
    (bundle / "signature.json").write_text(json.dumps({**kept, "shows": "that the laboratory sealed this"}))
    assert check(bundle, measure=False).signature == "does not fit"
    other = ed25519.Ed25519PrivateKey.generate()
    mine = {
        "public_key": other.public_key().public_bytes_raw().hex(),
        "signature": other.sign((bundle / "tagmanifest-sha512.txt").read_bytes()).hex(),
    }
    (bundle / "signature.json").write_text(json.dumps({**kept, **mine}))
    assert check(bundle, measure=False).signature == "does not fit"


def test_resealed_by_hand_the_log_and_the_signature_still_tell(bundle):
    """Whoever changes the log and then makes every manifest anew is found out by the chain and by the signature."""
    log = bundle / "data/log.jsonl"
    old = log.read_bytes()
    log.write_bytes(old.replace(b"as found", b"as given"))
    for name in ("manifest-{}.txt", "tagmanifest-{}.txt"):
        for algorithm in ("sha256", "sha512"):
            path = bundle / name.format(algorithm)
            lines = [line.split("  ", 1)[1] for line in path.read_text().splitlines()]
            rows = (f"{hashlib.new(algorithm, (bundle / f).read_bytes()).hexdigest()}  {f}\n" for f in lines)
            path.write_text("".join(rows))
    assert bagit.Bag(str(bundle)).validate()  # as a bag it is whole again
    found = check(bundle)
    assert found.signature == "does not fit" and "changed after it was written" in found.log_faults[0]
    assert found.verdict == "damaged"


def test_measured_again_it_is_the_same_and_a_changed_figure_is_named(tmp_path, capsys):
    folder = str(tmp_path / "case")
    photo = str(ROOT / "demo_images/cut-ring.jpg")
    assert (
        cli.main(["case", "begin", folder, "--name", "Alder Row", "--claim-number", "A-17", "--who", "R. Field"]) == 0
    )
    assert cli.main(["case", "add", folder, photo]) == 0
    assert cli.main(["case", "say", folder, "--view", "end", "--tube", "3/4"]) == 0
    assert cli.main(["seal", folder, "--out", str(tmp_path / "b.zip"), "--zip"]) == 0
    assert cli.main(["check", str(tmp_path / "b.zip")]) == 0
    assert "Nothing was changed" in capsys.readouterr().out
    with zipfile.ZipFile(tmp_path / "b.zip") as archive:
        record = json.loads(archive.read("b/data/section-1/examination.json"))
        texts = {n: archive.read(n) for n in archive.namelist()}
    for name, data in texts.items():  # nor do names leave the house in the report
        if name.endswith(".pdf"):
            data = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages).encode()
        assert not any(word in data for word in (b"Alder Row", b"A-17", b"R. Field")), name
    assert {n.rsplit("/", 1)[1] for n in texts if n.endswith(".pdf")} == {"report.pdf", "evidence.pdf", "homeowner.pdf"}
    other = json.loads(json.dumps(record))
    other["wall"]["remaining_mm"]["value"] *= 1.01
    other["view"] = None
    found, _ = compare(record, other)
    assert {d.place for d in found if not d.within_rounding} >= {"wall.remaining_mm.value"}
    other = json.loads(json.dumps(record))
    other["wall"]["remaining_mm"]["value"] *= 1.0001
    found, _ = compare(record, other)
    assert [d.within_rounding for d in found] == [True]
    # another engine rounds the networks' steps otherwise: more is allowed, and not everything
    for factor, allowed in ((1.01, True), (1.03, False)):
        other = json.loads(json.dumps(record))
        other["wall"]["remaining_mm"]["value"] *= factor
        found, _ = compare(record, other, rounding=bundle_room.ROUNDING_OF_ENGINES)
        assert [d.within_rounding for d in found] == [allowed]


def test_a_case_travels_in_one_file(case, tmp_path):
    file = pack(case, tmp_path / "alder.zip")
    there = unpack(file, tmp_path / "there")
    assert there.entries() == case.entries() and there.faults() == () and there.state() == case.state()
    with pytest.raises(InputError, match="there already"):
        unpack(file, tmp_path / "there")


def _zip(entries):
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for info, data in entries:
            archive.writestr(info, data)
    return made.getvalue()


def _link():
    info = zipfile.ZipInfo("b/link")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return info


@pytest.mark.parametrize(
    "data",
    [
        _zip([("../out.txt", "x")]),
        _zip([("/etc/out.txt", "x")]),
        _zip([("b/..\\out.txt", "x")]),
        _zip([(_link(), "/etc/passwd")]),
        _zip([("b/bagit.txt", "x"), ("B/BAGIT.txt", "y")]),
        _zip([("b/one.txt", "x"), ("c/two.txt", "y")]),
        _zip([("b/data/one.txt", "x")]),
        b"PK\x03\x04 torn",
        b"",
    ],
    ids=["up", "absolute", "backslash", "link", "twice", "two bags", "no bag", "torn", "empty"],
)
def test_hostile_zip_files_are_refused_with_one_sentence(tmp_path, data, monkeypatch):
    (tmp_path / "in").mkdir()
    (tmp_path / "work").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "work"))  # so that what is written beside it shows
    out_of_it = any(sign in data for sign in (b"out.txt", b"b/link"))
    file = tmp_path / "in/bundle.zip"
    file.write_bytes(data)
    with pytest.raises(InputError, match="leads out of the bundle; it is not opened" if out_of_it else None) as caught:
        check(file)
    assert str(caught.value).endswith(".")
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == ["bundle.zip"]


def test_a_zip_file_that_unpacks_to_too_much_is_not_opened(tmp_path, monkeypatch):
    """Too large by its own word, larger than its word, too many files: each is refused, and nothing is left."""
    file = tmp_path / "bundle.zip"
    file.write_bytes(_zip([("b/bagit.txt", "x"), ("b/data/zeros", bytes(2_000_000))]))
    assert file.stat().st_size < 4000
    with monkeypatch.context() as small:
        small.setattr(bundle_room, "LARGEST_BUNDLE_BYTES", 1_000_000)
        with pytest.raises(InputError, match="far more than any bundle"):
            check(file)
    with monkeypatch.context() as small:
        small.setattr(bundle_room, "MOST_FILES", 1)
        with pytest.raises(InputError, match="far more than any bundle"):
            check(file)
    lying = file.read_bytes().replace((2_000_000).to_bytes(4, "little"), (10).to_bytes(4, "little"))
    file.write_bytes(lying)
    with pytest.raises(InputError, match="damaged|more than it says"):
        check(file)
    assert [p.name for p in tmp_path.iterdir()] == ["bundle.zip"]


def test_another_engine_is_named_and_small_differences_are_told(case, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(bundle_room, "versions", lambda: {"cutpipe": "0.9", "onnxruntime": "not installed"})
    bundle = seal(case, tmp_path / "b", when=WHEN)
    monkeypatch.undo()
    found = check(bundle)
    assert found.other_versions["onnxruntime"][0] == "not installed" and found.verdict == "same"
    cli.main(["check", str(bundle)])
    assert "onnxruntime: sealed with not installed, here" in capsys.readouterr().out


def test_the_word_for_people_says_what_was_left_out(case, bundle, tmp_path):
    said = (bundle / "data/README.txt").read_text(encoding="utf-8")
    assert (
        "claim number were left out" in said
        and "without place data" in said
        and "Notes and the names of files stay" in said
    )
    whole = seal(case, tmp_path / "w", when=WHEN, with_private=True, with_place=True)
    said = (whole / "data/README.txt").read_text(encoding="utf-8")
    assert "claim number are in here" in said and "as they came" in said


def _with_place(form, **how):
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif[ExifTags.Base.Make] = "Phone"
    exif[ExifTags.Base.Artist] = "R. Field"
    exif[ExifTags.IFD.Exif] = {ExifTags.Base.FocalLengthIn35mmFilm: 26, ExifTags.Base.BodySerialNumber: "SN-1234"}
    exif[ExifTags.IFD.GPSInfo] = {1: "N", 2: (51.0, 30.0, 0.0), 29: "2026:11:20"}
    rng = np.random.default_rng(1)
    made = io.BytesIO()
    Image.fromarray(rng.integers(0, 255, (90, 120, 3), np.uint8)).save(made, form, exif=exif, **how)
    return made.getvalue()


@pytest.mark.parametrize(
    "form, how", [("JPEG", {"quality": 90}), ("JPEG", {"progressive": True}), ("PNG", {}), ("WEBP", {})]
)
def test_place_and_serial_numbers_are_taken_out_and_the_picture_stays(form, how):
    data = _with_place(form, **how)
    assert b"SN-1234" in data and dict(Image.open(io.BytesIO(data)).getexif().get_ifd(ExifTags.IFD.GPSInfo))
    bare, ending = without_place(data)
    assert b"SN-1234" not in bare and b"R. Field" not in bare
    opened = Image.open(io.BytesIO(bare)).getexif()
    assert not opened.get_ifd(ExifTags.IFD.GPSInfo)
    before, after = read_photo(data), read_photo(bare)
    assert np.array_equal(before.rgb, after.rgb) and after.camera.focal_35mm == before.camera.focal_35mm == 26
    if form == "JPEG":  # the compressed picture itself, to the byte
        assert data[data.index(b"\xff\xda") :] == bare[bare.index(b"\xff\xda") :] and ending == ".jpg"
