"""What a photo's file tells beside its picture: taking out place, serial numbers and names without touching the picture.

Kept are orientation, camera make and model, focal length and the time of taking, since scale and record rest on them. In a JPEG
the compressed picture itself is carried over byte for byte (ITU-T T.81, annex B, for the markers).
"""

from __future__ import annotations

import io
import struct
import warnings
import zlib

from PIL import ExifTags, Image

from analyzer.photo.reading import FORMATS, read_photo

_MAIN = (ExifTags.Base.Orientation, ExifTags.Base.Make, ExifTags.Base.Model)
_DETAIL = (
    ExifTags.Base.FocalLength,
    ExifTags.Base.FocalLengthIn35mmFilm,
    ExifTags.Base.DateTimeOriginal,
    ExifTags.Base.ExposureTime,
    ExifTags.Base.FNumber,
    ExifTags.Base.DigitalZoomRatio,
)
_PNG = b"\x89PNG\r\n\x1a\n"


def without_place(data: bytes, name: str = "photo") -> tuple[bytes, str]:
    """The photo without place data, device serial numbers, names and previews, and the ending of its new name.

    JPEG and PNG keep their picture data byte for byte; other forms are written anew as PNG with the same pixels.
    Raises PhotoError where it is no photo.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow warns of odd metadata; what is broken is left out
        with Image.open(io.BytesIO(data), formats=FORMATS) as image:
            form = image.format
            exif = _kept_exif(image)
    if form in ("JPEG", "MPO"):
        return _jpeg(data, exif), ".jpg"
    if form == "PNG":
        return _png(data, exif), ".png"
    upright = Image.fromarray(read_photo(data, name=name).rgb)
    exif.pop(ExifTags.Base.Orientation, None)  # the pixels are upright now
    out = io.BytesIO()
    upright.save(out, "PNG", exif=exif.tobytes())
    return out.getvalue(), ".png"


def _kept_exif(image: Image.Image) -> Image.Exif:
    kept = Image.Exif()
    try:
        old = image.getexif()
        detail = old.get_ifd(ExifTags.IFD.Exif)
    except Exception:  # a broken block tells nothing that could be kept
        return kept
    for tag in _MAIN:
        if tag in old:
            kept[tag] = old[tag]
    chosen = {tag: detail[tag] for tag in _DETAIL if tag in detail}
    if chosen:
        kept[ExifTags.IFD.Exif] = chosen
    return kept


def _jpeg(data: bytes, exif: Image.Exif) -> bytes:
    out = [data[:2]]
    block = exif.tobytes() if len(exif) else b""
    if block:
        block = block if block.startswith(b"Exif\x00\x00") else b"Exif\x00\x00" + block
        out.append(b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block)
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            return b"".join(out) + data[at:]  # not a marker: damaged, but the picture is carried over
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker == 0xD9:  # end of this picture; previews and further pictures behind it are left out
            return b"".join(out) + b"\xff\xd9"
        length = struct.unpack(">H", data[at + 2 : at + 4])[0]
        segment = data[at : at + 2 + length]
        keeps = marker not in (*range(0xE0, 0xF0), 0xFE) or (
            # JFIF's density, the colour profile, the colour transform: they change how the picture looks
            marker == 0xE0 or (marker == 0xE2 and segment[4:15] == b"ICC_PROFILE") or marker == 0xEE
        )
        if keeps:
            out.append(segment)
        at += 2 + length
        if marker == 0xDA:  # compressed data up to the next marker that is neither stuffing nor restart
            start = at
            while True:
                at = data.find(b"\xff", at)
                if at < 0 or at + 1 >= len(data):
                    return b"".join(out) + data[start:]
                if data[at + 1] == 0 or 0xD0 <= data[at + 1] <= 0xD7:
                    at += 2
                    continue
                break
            out.append(data[start:at])
    return b"".join(out) + data[at:]


def _png(data: bytes, exif: Image.Exif) -> bytes:
    out, at = [_PNG], len(_PNG)
    block = exif.tobytes().removeprefix(b"Exif\x00\x00") if len(exif) else b""
    while at + 12 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        kind, whole = data[at + 4 : at + 8], data[at : at + 12 + length]
        if kind not in (b"eXIf", b"tEXt", b"zTXt", b"iTXt", b"tIME"):
            out.append(whole)
        if kind == b"IHDR" and block:
            body = b"eXIf" + block
            out.append(struct.pack(">I", len(block)) + body + struct.pack(">I", zlib.crc32(body)))
        at += 12 + length
        if kind == b"IEND":
            break
    return b"".join(out)
