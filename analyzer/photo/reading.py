"""Bytes to an upright photo in sRGB, with the camera's own record and whether the file arrived whole."""

from __future__ import annotations

import hashlib
import io
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import ExifTags, Image, ImageCms, ImageOps, UnidentifiedImageError

from analyzer.base.flags import Flag, PhotoError, raise_flag
from analyzer.base.text import visible
from analyzer.photo.wholeness import TORN_SHARE, decoder_complaints, even_share, torn_share

pillow_heif.register_heif_opener()
Image.init()  # else Pillow does not know all of FORMATS yet

# Phones' finest modes have 108; examining one takes 2 GB (DEVELOPERS.md has the growth). In the forms that only other programs write,
# with palette, transparency or 16 bits, a picture takes several times as much while it is read.
LARGEST_MEGAPIXELS = 120.0
LARGEST_OTHER_MEGAPIXELS = 64.0
CAMERA_FORMATS = ("JPEG", "MPO", "HEIF")
# A judgement: nothing of a pipe is told in fewer.
SMALLEST_SIDE_PX = 64
FORMATS = ("JPEG", "PNG", "HEIF", "TIFF", "WEBP", "BMP", "GIF", "AVIF", "PPM")


@dataclass(frozen=True, kw_only=True)
class CameraFacts:
    """What the camera wrote into the file; None where it wrote nothing. Place data is never read."""

    focal_35mm: float | None = None  # focal length for a 43.27 mm diagonal (CIPA DC-008), mm
    make: str | None = None
    model: str | None = None
    taken: str | None = None  # as written by the camera: "2026:06:17 12:13:00"


@dataclass(frozen=True, kw_only=True)
class Photo:
    """An upright picture. ``rgb`` is (height, width, 3) uint8 in sRGB and read-only; ``sha256`` is of the file's bytes."""

    role: str  # "main", "light", "backlit" or "ring"
    name: str
    sha256: str
    rgb: np.ndarray
    camera: CameraFacts
    flags: tuple[Flag, ...] = ()
    complaints: tuple[str, ...] = ()  # what the decoder says of lost data; empty for a whole file
    even_share: float = 0.0  # of the picture's rows or columns that show nothing at all

    @property
    def width_px(self) -> int:
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.rgb.shape[0])


def read_photo(source: str | Path | bytes, *, role: str = "main", name: str | None = None) -> Photo:
    """Read a photo from a path or from bytes.

    Turned upright by its EXIF orientation, converted to 8-bit sRGB (16 bit, grey, CMYK, palette and transparency
    included; of an animation or a burst the first picture counts).
    Raises PhotoError with one sentence that says what to do.
    """
    if isinstance(source, bytes):
        data, name = source, name or "photo"
    else:
        path = Path(source)
        data, name = read_bytes(path), name or path.name
    name = visible(name)  # a line break in a name would break every sentence
    if not data:
        raise PhotoError(f"{name} is empty (0 bytes); copy it from the phone again.")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of size and of odd metadata; both are handled here
        image, frames = _decode(data, name)
        camera = _camera_facts(image)
        rgb = _to_srgb(image, name)
        del image  # as large as the picture itself
    flags = [raise_flag("first_picture_of_several", f" ({frames} in the file)")] if frames > 1 else []
    if min(rgb.shape[:2]) < SMALLEST_SIDE_PX:
        raise PhotoError(
            f"{name} is only {rgb.shape[1]} x {rgb.shape[0]} pixels; send the photo itself, not its preview picture."
        )
    if rgb.min() == rgb.max():
        raise PhotoError(f"{name} shows one even colour and nothing else; take the photo again in good light.")
    rgb.setflags(write=False)
    complaints, even = decoder_complaints(data), even_share(rgb)
    if not complaints and data.startswith(b"\xff\xd8") and torn_share(rgb) > TORN_SHARE:
        complaints = ("the picture is torn along a row of blocks",)
    if complaints:
        flags.append(raise_flag("data_damaged", f" ({'; '.join(complaints)})"))
    elif even:
        flags.append(raise_flag("rows_empty", f"{100 * even:.0f} %"))
    return Photo(
        role=role,
        name=name,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        camera=camera,
        flags=tuple(flags),
        complaints=complaints,
        even_share=even,
    )


def read_bytes(path: Path) -> bytes:
    """The bytes of a photo's file. Raises PhotoError for what is none: a pipe or a device would be waited for without end."""
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            raise PhotoError(f"{path} is no file but a pipe or a device; name the photo's file.")
        return path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(f"There is no file {path}; check the name and the folder.") from None
    except IsADirectoryError:
        raise PhotoError(f"{path} is a folder; name the photo in it.") from None
    except OSError as error:
        raise PhotoError(f"{path} cannot be read ({error.strerror}); check the file's permissions.") from None


def _decode(data: bytes, name: str) -> tuple[Image.Image, int]:
    """The first picture of the file, wholly decoded, and how many there are."""
    try:
        image = Image.open(io.BytesIO(data), formats=FORMATS)
        megapixels = image.width * image.height / 1e6
        most = LARGEST_MEGAPIXELS if image.format in CAMERA_FORMATS else LARGEST_OTHER_MEGAPIXELS
        if megapixels > most:
            raise PhotoError(
                f"{name} has {megapixels:.0f} megapixels; save it at {most:.0f} or fewer "
                "(12 are plenty) and add it again."
            )
        frames = int(getattr(image, "n_frames", 1))
        # A phone's JPEG in MPO form carries a preview and depth map behind the photo: still one photo.
        if image.format in ("MPO", "JPEG"):
            frames = 1
        image.load()
    except PhotoError:
        raise
    except UnidentifiedImageError:
        raise PhotoError(f"{name} is not a picture that can be read; send a JPEG, PNG or HEIC photo.") from None
    except Image.DecompressionBombError:
        raise PhotoError(f"{name} is far too large; save it at 12 megapixels and add it again.") from None
    except MemoryError:
        raise PhotoError(f"{name} does not fit into this computer's memory; save it at 12 megapixels.") from None
    except Exception:  # decoders raise many kinds on damaged files; to a user they are all the same
        raise PhotoError(f"{name} is damaged or was not copied whole; copy it from the phone again.") from None
    return image, frames


def _camera_facts(image: Image.Image) -> CameraFacts:
    try:
        exif = image.getexif()
        details = exif.get_ifd(ExifTags.IFD.Exif)
    except Exception:  # a broken EXIF block is no reason to refuse a good picture
        return CameraFacts()

    def text(value: object) -> str | None:
        cleaned = str(value).strip("\x00 ") if value is not None else ""
        return cleaned if cleaned.isprintable() and cleaned else None

    focal = details.get(ExifTags.Base.FocalLengthIn35mmFilm)
    try:
        focal_35mm = float(focal) if focal is not None and 8 <= float(focal) <= 800 else None
    except (TypeError, ValueError, ZeroDivisionError):
        focal_35mm = None
    return CameraFacts(
        focal_35mm=focal_35mm,
        make=text(exif.get(ExifTags.Base.Make)),
        model=text(exif.get(ExifTags.Base.Model)),
        taken=text(details.get(ExifTags.Base.DateTimeOriginal) or exif.get(ExifTags.Base.DateTime)),
    )


def _to_srgb(image: Image.Image, name: str) -> np.ndarray:
    """(H, W, 3) uint8 sRGB, upright."""
    profile = image.info.get("icc_profile")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # pillow-heif turns the picture itself and resets the orientation, so this turns each file once.
            ImageOps.exif_transpose(image, in_place=True)
    except Exception:  # unreadable orientation: keep the picture as stored
        pass
    if image.mode.startswith(("I", "F")):
        samples = np.nan_to_num(np.asarray(image).astype(np.float64), posinf=0.0, neginf=0.0)
        # 16-bit files may use only 10 or 12 bits; scale by the brightest sample rather than show black.
        top = 65535.0 if samples.max() > 4095 else max(float(samples.max()), 1.0)
        grey = np.clip(samples * (255.0 / top), 0, 255).astype(np.uint8)
        return np.ascontiguousarray(np.repeat(grey[:, :, None], 3, axis=2))
    if image.mode == "P" or "transparency" in image.info:
        image = image.convert("RGBA")
    if image.mode in ("RGBA", "LA", "PA", "La", "RGBa"):
        image = image.convert("RGBA")
        paper = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(paper, image).convert("RGB")
    if profile and image.mode in ("RGB", "CMYK", "L"):
        try:
            converted = ImageCms.profileToProfile(
                image, ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), outputMode="RGB"
            )
            assert converted is not None  # None only where an image is converted in its own place
            image = converted
        except (ImageCms.PyCMSError, OSError, ValueError):
            pass  # an unusable profile: the plain conversion below is the best guess, colours are checked by the card
    try:
        return np.asarray(image if image.mode == "RGB" else image.convert("RGB"))
    except (ValueError, OSError):
        raise PhotoError(
            f"{name} uses a colour format that cannot be read; save it as JPEG and add it again."
        ) from None
