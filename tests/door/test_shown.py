"""The door: damaged files, soft and tiny pictures, pictures without pipe, metal that fills the frame; none passes in silence."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage import data

from analyzer import Settings, examine
from analyzer.base.flags import CutpipeError
from analyzer.door import shown as door
from analyzer.door import specimen as network
from analyzer.door.colours import FITTING, metal_colours
from analyzer.door.outline_check import share_on_edges
from analyzer.door.sharpness import BLUR_TO_DIAMETER, measure_sharpness, noise_levels, why_not_countable
from analyzer.door.shown import DOUBTS, what_is_shown
from analyzer.door.specimen import Answer, Specimen
from analyzer.photo.reading import read_photo
from analyzer.photo.wholeness import TORN_SHARE, decoder_complaints, even_share, torn_share
from analyzer.scale.calibration import Marker, find_scale
from tests.conftest import ROOT

DEMO = ROOT / "demo_images/bore-contact-mark.jpg"


def encoded(rgb: np.ndarray, **how) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=95, **how)
    return buffer.getvalue()


def scan_of(jpeg: bytes) -> int:
    """Where the entropy-coded data begin: behind the SOS segment (ITU-T T.81, B.2.3)."""
    at = 2
    while True:
        length = int.from_bytes(jpeg[at + 2 : at + 4], "big")
        kind, at = jpeg[at + 1], at + 2 + length
        if kind == 0xDA:
            return at


def damaged() -> dict[str, bytes]:
    whole = encoded(np.asarray(Image.open(DEMO).convert("RGB").resize((1000, 750))), restart_marker_rows=4)
    start = scan_of(whole)
    middle = start + (len(whole) - start) // 2
    marks = [at for at in range(start, len(whole) - 1) if whole[at] == 0xFF and 0xD0 <= whole[at + 1] <= 0xD7]
    a, b, c = marks[3:6]
    return {
        "broken off, end mark set": whole[:middle] + b"\xff\xd9",
        "zeros inside": whole[:middle] + bytes(4096) + whole[middle + 4096 :],
        "piece dropped": whole[:middle] + whole[middle + 4096 :],
        "piece twice": whole[:middle] + whole[middle - 4096 :],
        "restart interval dropped": whole[:a] + whole[b:],
        "restart intervals exchanged": whole[:a] + whole[b:c] + whole[a:b] + whole[c:],
    }


@pytest.mark.parametrize("way", sorted(damaged()))
def test_a_damaged_copy_is_told(way):
    """What counts as damage is what libjpeg (the reference decoder of ITU-T T.81) warns of."""
    copy = damaged()[way]
    photo = read_photo(copy)
    assert decoder_complaints(copy)
    assert photo.complaints and "data_damaged" in [flag.id for flag in photo.flags]
    shown = what_is_shown(photo, find_scale(photo, Marker(kind="none")), view="flat")
    assert not shown.countable and not shown.sure


def test_a_whole_file_is_not_accused():
    assert decoder_complaints(DEMO.read_bytes()) == () and read_photo(DEMO).even_share == 0
    assert decoder_complaints(encoded(data.coffee(), progressive=True)) == ()


def test_a_tear_that_no_decoder_notices_is_told():
    """A whole file of a torn picture, as a messenger saves it: from a row of blocks on all is moved and brighter."""
    rgb = np.asarray(Image.open(DEMO).convert("RGB").resize((1000, 752))).copy()
    assert torn_share(rgb) < TORN_SHARE / 2
    rgb[400:] = np.clip(np.roll(rgb[400:], 64, axis=1).astype(int) + 30, 0, 255).astype(np.uint8)
    photo = read_photo(encoded(rgb))
    assert photo.complaints and not what_is_shown(photo, find_scale(photo, Marker(kind="none")), view="flat").countable


def test_missing_rows_are_told_after_saving_anew():
    rgb = np.array(data.coffee())
    rgb[300:] = 128
    assert even_share(rgb) == pytest.approx(100 / 400)
    assert even_share(np.ascontiguousarray(rgb.transpose(1, 0, 2))) == pytest.approx(100 / 400)
    assert read_photo(encoded(rgb)).even_share > 0.2


@pytest.mark.parametrize("levels", [2.0, 8.0, 20.0])
def test_noise_is_measured(levels):
    """Immerkaer 1996: the mask's response gives the noise that was put in."""
    rng = np.random.default_rng(1)
    assert noise_levels(128 + rng.normal(0, levels, (400, 400))) == pytest.approx(levels, rel=0.05)


def test_a_pit_of_the_smallest_seen_size_keeps_half_its_contrast():
    """The middle of a disc of diameter d blurred by sigma keeps 1 - exp(-d^2 / 8 sigma^2) of its contrast (2-D Gaussian integral)."""
    assert 1 - np.exp(-(BLUR_TO_DIAMETER**2) / 8) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("spoil", ["blur 3", "blur 12", "blur 40", "noise 30", "tiny"])
def test_what_cannot_be_seen_is_not_counted(spoil):
    rgb = np.asarray(Image.open(DEMO).convert("RGB"))[::2, ::2].copy()
    kind, _, amount = spoil.partition(" ")
    if kind == "blur":
        rgb = cv2.GaussianBlur(rgb, (0, 0), float(amount))
    elif kind == "noise":
        noisy = rgb + np.random.default_rng(1).normal(0, float(amount), rgb.shape)
        rgb = noisy.clip(0, 255).astype(np.uint8)
    else:
        rgb = cv2.resize(rgb, (160, 120), interpolation=cv2.INTER_AREA)
    photo = read_photo(encoded(rgb))
    result = examine(photo, settings=Settings(view="flat", marker=Marker(kind="none")))
    assert result.pits.count is None and not result.pits.pits
    assert "not_countable" in [flag.id for flag in result.flags]
    assert "pit_count" not in result.quantities
    assert not {f.standing for f in result.judgement.findings} & {"possible", "fits", "fits well"}


@pytest.mark.parametrize(
    "name", ["astronaut", "brick", "coffee", "coins", "grass", "gravel", "page", "rocket", "immunohistochemistry"]
)
def test_pictures_without_pipe_never_give_a_normal_report(name):
    """scikit-image's openly licensed sample pictures: people, walls, food, coins, lawn, print."""
    rgb = getattr(data, name)()
    rgb = np.repeat(rgb[..., None], 3, 2) if rgb.ndim == 2 else np.ascontiguousarray(rgb[..., :3])
    photo = read_photo(encoded(rgb))
    try:
        result = examine(photo, settings=Settings(marker=Marker(kind="none")))
    except CutpipeError:
        return
    assert not result.shown.sure
    assert {"piece_not_told_apart", "outline_doubtful", "colours_not_metal"} & {
        f.id for f in result.flags if f.severity == "serious"
    }
    assert not {f.standing for f in result.judgement.findings} & {"possible", "fits", "fits well"}


def test_a_close_up_of_which_nothing_is_told_is_examined_whole(tmp_path):
    """Brushed metal with pits, drawn: no table in it, so all of it is examined, and the doubt is said."""
    rng = np.random.default_rng(4)
    grain = cv2.GaussianBlur(rng.normal(0, 1, (700, 900)), (0, 0), sigmaX=25, sigmaY=0.8)
    rgb = np.repeat((130 + 60 * grain / grain.std() * 0.3)[..., None], 3, 2)
    for x, y in rng.uniform(80, 620, (12, 2)):
        cv2.circle(rgb, (int(x), int(y)), 9, (35, 30, 25), -1, cv2.LINE_AA)
    photo = read_photo(encoded(rgb.clip(0, 255).astype(np.uint8)))
    told = examine(photo, settings=Settings(view="flat", marker=Marker(kind="none")))
    untold = examine(photo, settings=Settings(marker=Marker(kind="none")))
    assert untold.surface.metal.mean() == 1.0 and "piece_not_told_apart" in [f.id for f in untold.flags]
    assert len(untold.pits.pits) == len(told.pits.pits) > 5


@pytest.mark.parametrize(
    "rgb, looks, material",
    [((128, 128, 130), "grey", "galvanised_steel"), ((150, 120, 60), "yellow", "brass"), ((150, 90, 65), None, None)],
)
def test_colours_ask_for_the_metal(rgb, looks, material):
    picture = np.full((20, 20, 3), rgb, np.uint8)
    found = metal_colours(picture, np.ones((20, 20), bool))
    assert found.looks == looks
    assert looks is None or material in FITTING[looks] and "copper" not in FITTING[looks]


SIDE = network.SIDE


def drawn(pipe: np.ndarray, monkeypatch, **answers: tuple[str, float]) -> Specimen:
    """The network's look as drawn: shares of a piece over the whole of a square photo, and its answers."""
    shares = np.zeros((6, SIDE, SIDE), np.float32)
    shares[network.METAL] = pipe
    shares[network.TABLE] = 1 - pipe
    found = Specimen(
        shares=shares, origin=(1.5, 1.5), step=4.0, view_shares=np.array([0.9, 0.05, 0.05, 0.0]), source="learned", version="drawn",
        far=shares, answers={q: Answer(name=n, share=s, shares={n: s}) for q, (n, s) in answers.items()},
    )  # fmt: skip
    monkeypatch.setattr(door, "find_specimen", lambda rgb, taken=(): found)
    return found


def bar_on_table(bar_rgb=(150, 90, 65), table_rgb=(225, 225, 220)) -> tuple[np.ndarray, np.ndarray]:
    """A photo of 1024 x 1024 with a speckled bar across a plain table, and the bar's place in the network's square."""
    rng = np.random.default_rng(2)
    rgb = np.empty((1024, 1024, 3), np.int16)
    rgb[:] = table_rgb
    rgb[360:660, 120:900] = bar_rgb
    for x, y in rng.uniform((150, 390), (870, 630), (25, 2)):
        cv2.circle(rgb, (int(x), int(y)), 6, tuple(int(v * 0.35) for v in bar_rgb), -1)
    pipe = np.zeros((SIDE, SIDE), np.float32)
    pipe[90:165, 30:225] = 1
    return (rgb + rng.normal(0, 1.0, rgb.shape)).clip(0, 255).astype(np.uint8), pipe


def doubts(rgb: np.ndarray, **how) -> list[str]:
    photo = read_photo(encoded(rgb))
    calibration = find_scale(photo, Marker(kind="none"))
    return [flag.id for flag in what_is_shown(photo, calibration, **how).flags if flag.id in DOUBTS]


def test_each_doubt_is_told_by_its_own_name(monkeypatch):
    """One cause at a time; the others stay silent."""
    rgb, pipe = bar_on_table()
    drawn(pipe, monkeypatch)
    assert doubts(rgb) == []
    drawn(np.full_like(pipe, 0.5) * pipe + 0.3 * (1 - pipe), monkeypatch)  # of no mind about anything
    assert doubts(rgb) == ["piece_not_told_apart"]
    assert doubts(rgb, view="inside") == ["outline_doubtful"]
    drawn(pipe, monkeypatch)
    plum, _ = bar_on_table(bar_rgb=(170, 20, 150))
    assert doubts(plum) == ["colours_not_metal"]


def test_parts_beside_the_examined_one_are_told(monkeypatch):
    """Tape parts a bar 2 to 1: half as much metal again lies beside the part that is examined. A speck is no part."""
    rgb, pipe = bar_on_table()
    rgb[:, 600:640] = (228, 226, 220)
    parted = pipe.copy()
    parted[:, 150:160] = 0
    drawn(parted, monkeypatch)
    photo = read_photo(encoded(rgb))
    told = what_is_shown(photo, find_scale(photo, Marker(kind="none"))).flags
    (flag,) = (flag for flag in told if flag.id == "further_parts")
    assert flag.severity == "serious" and "54 %" in flag.message  # 65 of 120 columns
    speck = np.where(np.arange(SIDE) > 195, 0, pipe).astype(np.float32)
    speck[90:95, 215:220] = 1
    drawn(speck, monkeypatch)
    told = what_is_shown(photo, find_scale(photo, Marker(kind="none"))).flags
    assert "further_parts" not in [flag.id for flag in told]


def test_an_outline_across_which_the_metal_goes_on_is_doubted(monkeypatch):
    """A bar of which the network sees all, or the left half, or with much of the table; truth as drawn."""
    rgb, pipe = bar_on_table()
    whole = np.zeros((1024, 1024), bool)
    whole[360:660, 120:900] = True
    half = whole.copy()
    half[:, 520:] = False
    large = cv2.dilate(whole.astype(np.uint8), np.ones((121, 121))) > 0
    assert share_on_edges(rgb, whole) == 1.0
    # Its cut side lies on no edge: 300 of 1400 pixels, less some 40 at each corner, where the bar's own edges are near.
    assert share_on_edges(rgb, half) == pytest.approx(1 - (300 - 2 * 40) / 1400, abs=0.03)
    assert share_on_edges(rgb, large) < 0.1
    assert share_on_edges(rgb, np.ones((1024, 1024), bool)) is None  # all of it on the picture's border
    drawn(pipe, monkeypatch)
    assert doubts(rgb) == []
    halved = pipe.copy()
    halved[:, 130:] = 0
    drawn(halved, monkeypatch)
    assert doubts(rgb) == ["outline_doubtful"] == doubts(rgb, view="inside")


def test_the_networks_word_on_the_framing_is_held_against_its_outline(monkeypatch):
    rgb, pipe = bar_on_table()
    for framing, expected in (
        (("apart", 0.99), []),
        (("fills", 0.99), ["outline_doubtful"]),
        (("none", 0.99), ["piece_not_told_apart"]),
        (("none", 0.5), []),
    ):
        drawn(pipe, monkeypatch, framing=framing)
        assert doubts(rgb) == expected, framing


@pytest.mark.parametrize(
    "rgb, said, looks",
    [
        ((150, 90, 65), ("copper", 0.99), None),
        ((150, 90, 65), ("steel_rusty", 0.95), "rust"),
        ((150, 90, 65), ("steel_black", 0.95), "black"),
        ((150, 90, 65), ("steel_rusty", 0.6), None),  # not sure enough to ask
        ((128, 128, 130), ("copper", 0.99), "grey"),  # the colours ask all the same
        ((150, 90, 65), None, None),
    ],
)
def test_colours_and_the_networks_look_both_ask_for_the_metal(monkeypatch, rgb, said, looks):
    picture, pipe = bar_on_table(bar_rgb=rgb)
    drawn(pipe, monkeypatch, **({"metal": said} if said else {}))
    photo = read_photo(encoded(picture))
    shown = what_is_shown(photo, find_scale(photo, Marker(kind="none")))
    assert shown.looks == looks
    assert looks is None or "copper" not in FITTING[looks]


def test_marks_within_the_metal_are_no_ruler(monkeypatch):
    """A row of scratches on the piece read as a ruler: without a word of the person there is no scale; beside it there is one."""
    rgb, pipe = bar_on_table()
    drawn(pipe, monkeypatch)
    photo = read_photo(encoded(rgb))
    plain = find_scale(photo, Marker(kind="none"))
    on_metal = np.array([[200.0, 450], [800, 450], [800, 600], [200, 600]])
    assert what_is_shown(photo, replace(plain, marker_outlines_px=(on_metal,))).marker_in_metal
    assert not what_is_shown(photo, replace(plain, marker_outlines_px=(on_metal + [0, 300],))).marker_in_metal


def test_a_ruler_read_off_the_metal_gives_no_scale(monkeypatch):
    """From the drawn looks to the end: with "auto" the scale is dropped and said; named by a person it stays, with a serious flag."""
    from analyzer.result import examination

    rgb, pipe = bar_on_table()
    drawn(pipe, monkeypatch)
    photo = read_photo(encoded(rgb))
    plain = find_scale(photo, Marker(kind="none"))
    on_metal = (np.array([[200.0, 450], [800, 450], [800, 600], [200, 600]]),)
    ruler = replace(plain, method="ruler", marker_outlines_px=on_metal, flags=())
    monkeypatch.setattr(examination, "find_scale", lambda photo, marker: plain if marker.kind == "none" else ruler)
    seen = examination.look(photo, settings=Settings(view="flat"))
    assert seen.calibration.method == "none" and "marker_not_used" in [flag.id for flag in seen.flags]
    told = examination.look(photo, settings=Settings(view="flat", marker=Marker(kind="ruler")))
    assert told.calibration.method == "ruler" and "marker_in_metal" in [flag.id for flag in told.flags]


def test_a_coin_that_nobody_named_is_asked_about_and_never_used(monkeypatch):
    """A disc drawn on the table where the network sees a marker: asked about. A dark round stain on the metal: not."""
    from analyzer.result import examination

    rgb, pipe = bar_on_table()
    cv2.circle(rgb, (520, 200), 90, (205, 190, 140), -1, cv2.LINE_AA)
    cv2.circle(rgb, (520, 200), 82, (170, 150, 95), 3, cv2.LINE_AA)
    cv2.circle(rgb, (300, 510), 70, (60, 40, 30), -1, cv2.LINE_AA)
    found = drawn(pipe, monkeypatch)
    photo = read_photo(encoded(rgb))
    assert examination.look(photo, settings=Settings(view="flat")).shown.round_px is None
    marker = np.zeros((SIDE, SIDE), np.float32)
    cv2.circle(marker, (130, 50), 23, 0.95, -1)
    far = found.far.copy()
    far[network.MARKER], far[network.TABLE] = marker, far[network.TABLE] * (1 - marker)
    monkeypatch.setattr(door, "find_specimen", lambda rgb, taken=(): replace(found, far=far))
    seen = examination.look(photo, settings=Settings(view="flat"))
    assert seen.shown.round_px == pytest.approx((520, 200, 90), abs=3)
    assert "coin_asked" in [flag.id for flag in seen.flags]
    assert seen.calibration.method == "none" and seen.surface.mm_per_px is None
    unasked = examination.look(photo, settings=Settings(view="flat", marker=Marker(kind="none")))
    assert unasked.shown.round_px is None  # told that there is none


def test_sharpness_is_taken_at_the_marker():
    """A sharp marker beside smooth metal: sharp; the metal alone has no edge, which is not sharp."""
    rgb = np.full((400, 600, 3), 120, np.uint8)
    rgb[100:200, 50:150] = np.kron(np.indices((10, 10)).sum(0) % 2 * 200 + 20, np.ones((10, 10)))[..., None]
    photo = read_photo(encoded(rgb))
    metal = np.zeros((400, 600), bool)
    metal[100:300, 300:500] = True
    square = np.array([[50, 100], [150, 100], [150, 200], [50, 200]], float)
    beside = measure_sharpness(photo, metal, [square], 0.07)
    assert beside.measured_at == "marker" and beside.blur_px < 1.5 and not why_not_countable(beside, photo)
    small = read_photo(encoded(np.asarray(Image.open(DEMO).convert("RGB").resize((1300, 975)))))
    assert what_is_shown(small, find_scale(small, Marker(kind="ruler"))).sharpness.measured_at == "marker"
    blank = read_photo(
        encoded(
            np.full((400, 600, 3), 120, np.uint8) + (np.indices((400, 600)).sum(0) // 90)[..., None].astype(np.uint8)
        )
    )
    assert "no edge" in why_not_countable(measure_sharpness(blank, metal, [], None), blank)
