"""Any phone photo is read upright in sRGB; the rest is refused in one sentence. Pillow and pillow-heif write the files."""

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from analyzer.base.flags import PhotoError
from analyzer.door.sharpness import quality_flags
from analyzer.photo.reading import LARGEST_OTHER_MEGAPIXELS, read_photo

RNG = np.random.default_rng(5)
RGB = np.clip(np.kron(RNG.integers(30, 220, (12, 16, 3)), np.ones((10, 10, 1))), 0, 255).astype(np.uint8)


def saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def close(found: np.ndarray, expected: np.ndarray, within: float = 6) -> bool:
    return found.shape == expected.shape and float(np.abs(found.astype(float) - expected).mean()) < within


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_once_only(orientation):
    """ISO/IEC 23008-12: a HEIC's own transformations say how it is shown; its EXIF orientation is for information."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    assert close(read_photo(saved(Image.fromarray(RGB), "HEIF", exif=exif, quality=95)).rgb, RGB)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_every_orientation_ends_upright(orientation, kind):
    """EXIF 2.32 (CIPA DC-008), tag 0x0112: eight orientations."""
    turn = {
        1: None,
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }[orientation]
    upright = Image.fromarray(RGB)
    stored = upright if turn is None else upright.transpose(turn)
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = read_photo(saved(stored, kind, exif=exif, **({"quality": 95} if kind == "JPEG" else {})))
    assert close(photo.rgb, RGB)
    assert (photo.width_px, photo.height_px) == (160, 120)
    assert not photo.rgb.flags.writeable


def test_camera_facts_and_no_place():
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Phone", "Model C"
    exif.get_ifd(0x8769)[0xA405] = 26
    exif.get_ifd(0x8825)[2] = (52.0, 30.0, 0.0)
    photo = read_photo(saved(Image.fromarray(RGB), "JPEG", exif=exif))
    assert (photo.camera.focal_35mm, photo.camera.make) == (26.0, "Phone")
    assert "52" not in repr(photo.camera).replace("26.0", "")


@pytest.mark.parametrize("mode", ["L", "LA", "RGBA", "CMYK", "P", "1", "I;16"])
def test_every_mode_reads(mode):
    source = Image.fromarray(RGB)
    if mode == "I;16":
        image = Image.fromarray(np.asarray(source.convert("L")).astype(np.uint16) * 257)
    else:
        image = source.convert(mode)
    kind = "TIFF" if mode == "CMYK" else "PNG"
    photo = read_photo(saved(image, kind))
    expected = np.repeat(np.asarray(source.convert("L"))[:, :, None], 3, 2) if mode in ("L", "LA", "I;16") else RGB
    within = {"1": 130, "P": 30}.get(mode, 8)  # a one-bit picture keeps only light and dark
    assert close(photo.rgb, expected, within)


def test_sixteen_bit_colour_png():
    """PNG (W3C, 3rd edition), colour type 2 with bit depth 16, written here byte by byte."""
    import zlib

    height, width = RGB.shape[:2]
    rows = b"".join(b"\0" + (RGB[y].astype(">u2") * 257).astype(">u2").tobytes() for y in range(height))

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)
    photo = read_photo(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    )
    assert close(photo.rgb, RGB, 2)


def test_transparent_lies_on_white():
    clear = np.zeros((100, 100, 4), np.uint8)
    clear[20:60, 20:60] = (10, 120, 60, 255)
    rgb = read_photo(saved(Image.fromarray(clear), "PNG")).rgb
    assert tuple(rgb[0, 0]) == (255, 255, 255) and tuple(rgb[40, 40]) == (10, 120, 60)


def test_profile_is_applied():
    """A file in another colour space shows the same colours: littlecms converts there, the reader back."""
    lab_grey = Image.fromarray(RGB)
    srgb = ImageCms.createProfile("sRGB")
    photo = read_photo(saved(lab_grey, "PNG", icc_profile=ImageCms.ImageCmsProfile(srgb).tobytes()))
    assert close(photo.rgb, RGB, 2)


def test_animation_gives_its_first_picture_and_says_so():
    frames = [Image.fromarray(RGB), Image.fromarray(255 - RGB)]
    photo = read_photo(saved(frames[0], "WEBP", save_all=True, append_images=frames[1:], lossless=True))
    assert close(photo.rgb, RGB, 2)
    assert [flag.id for flag in photo.flags] == ["first_picture_of_several"]


def test_wrong_suffix_does_not_matter(tmp_path):
    path = tmp_path / "photo.jpg"
    path.write_bytes(saved(Image.fromarray(RGB), "PNG"))
    assert close(read_photo(path).rgb, RGB, 1)


JPEG = saved(Image.fromarray(np.kron(RGB, np.ones((8, 8, 1), np.uint8))), "JPEG")
BAD = {
    "empty": (b"", "is empty"),
    "text": (b"not a picture at all", "is not a picture"),
    "truncated": (JPEG[: len(JPEG) // 2], "damaged"),
    "head only": (JPEG[:300], "(damaged|not a picture)"),
    "tiny": (saved(Image.fromarray(RGB[:40, :40]), "PNG"), "only 40 x 40"),
    "black": (saved(Image.new("RGB", (300, 200)), "PNG"), "one even colour"),
    "white": (saved(Image.new("RGB", (300, 200), "white"), "PNG"), "one even colour"),
    "svg": (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "is not a picture"),
    "pdf": (b"%PDF-1.7\n", "is not a picture"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_get_one_sentence(name):
    data, words = BAD[name]
    with pytest.raises(PhotoError, match=words) as caught:
        read_photo(data, name="photo.jpg")
    assert str(caught.value).count(". ") == 0 and str(caught.value).endswith(".")


def test_too_many_megapixels():
    side = int((LARGEST_OTHER_MEGAPIXELS * 1e6) ** 0.5) + 200
    with pytest.raises(PhotoError, match="megapixels; save it at 64"):
        read_photo(saved(Image.new("1", (side, side)), "PNG"))


def test_the_finest_mode_of_phones_is_read_and_no_finer_one():
    """A small file whose frame header (ITU-R T.81, B.2.2: length, precision, lines, samples) says more than it holds."""
    data = bytearray(saved(Image.new("RGB", (64, 64), "red"), "JPEG"))
    frame = data.index(b"\xff\xc0")
    for megapixels in (121, 108):
        side = round((megapixels * 1e6) ** 0.5)
        data[frame + 5 : frame + 9] = side.to_bytes(2, "big") * 2
        if megapixels > 120:
            with pytest.raises(PhotoError, match="has 121 megapixels; save it at 120"):
                read_photo(bytes(data))
        else:
            photo = read_photo(bytes(data))
            assert photo.width_px == photo.height_px == side and photo.complaints


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(PhotoError, match="no file"):
        read_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoError, match="folder"):
        read_photo(tmp_path)


def edge_picture(sigma: float) -> np.ndarray:
    """A slanted bright edge blurred by a known Gaussian: the truth is sigma (as in ISO 12233's slanted-edge method)."""
    from scipy.special import erf

    rows, columns = np.mgrid[0:300, 0:400]
    level = 60 + 120 * 0.5 * (1 + erf((columns - 200 - 0.2 * rows) / (np.sqrt(2 * 1.04) * max(sigma, 1e-6))))
    return np.repeat(level[:, :, None], 3, 2).clip(0, 255).astype(np.uint8)


@pytest.mark.parametrize("sigma, flagged", [(1.0, False), (2.0, False), (5.0, True), (8.0, True)])
def test_blur_is_seen_at_a_known_edge(sigma, flagged):
    photo = read_photo(saved(Image.fromarray(edge_picture(sigma)), "PNG"))
    assert ("blurred" in [flag.id for flag in quality_flags(photo)]) is flagged


def test_glare_dark_and_small_are_said():
    glaring = RGB.copy()
    glaring[:40] = 255
    dark = (RGB * 0.01).astype(np.uint8)
    dark[0, 0] = 90
    for rgb, flag in ((glaring, "glare"), (dark, "too_dark")):
        photo = read_photo(saved(Image.fromarray(rgb), "PNG"))
        assert flag in [f.id for f in quality_flags(photo)]
    photo = read_photo(saved(Image.fromarray(RGB), "PNG"))
    assert "small_picture" in [f.id for f in quality_flags(photo)]
    assert "too_few_pixels" in [f.id for f in quality_flags(photo, mm_per_px=0.2)]
