"""What a person wrote into a TOML file, as plain data: one reader, so that every such file is refused in the same clear words."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from analyzer.base.flags import InputError

# A judgement, no source.
LARGEST_BYTES = 5_000_000  # a file filled in by hand has some kilobytes


def read_text(path: str | Path, *, what: str) -> str:
    """The text of a file; ``what`` names it in the sentence ("facts"). Raises InputError."""
    try:
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise InputError(f"There is no file {path}; check the name and the folder of the {what} file.") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder; name the {what} file in it.") from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = getattr(error, "strerror", None) or error
        raise InputError(
            f"The {what} file {path} cannot be opened ({reason}); check its name and permissions."
        ) from None
    return decoded(data, what=what)


def decoded(data: bytes, *, what: str) -> str:
    """UTF-8 text, with or without the mark that some editors put first. Raises InputError."""
    if len(data) > LARGEST_BYTES:
        raise InputError(
            f"The {what} file is far too large ({len(data) / 1e6:.0f} MB) to be written by hand; choose the right file."
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(
            f"The {what} file is not text in UTF-8; open it in a text editor and save it again as UTF-8."
        ) from None


def parse_table(text: str, *, what: str) -> dict[str, Any]:
    """The table that a TOML text holds. Raises InputError, one sentence with the line."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        # The library's own word for a name stated twice does not say so.
        reason = (
            "a name is stated twice" + str(error)[len("Cannot overwrite a value") :]
            if "Cannot overwrite" in str(error)
            else error
        )
        raise InputError(
            f"The {what} file cannot be read: {reason}; correct that line, one name = value a line."
        ) from None
    except RecursionError:
        raise InputError(
            f"The {what} file has too many brackets within brackets; write one name = value a line."
        ) from None
    except ValueError:  # Python reads no whole number of more than 4300 digits
        raise InputError(f"The {what} file holds a number or date that cannot be read; check its values.") from None


def read_table(path: str | Path, *, what: str) -> dict[str, Any]:
    """The table in a TOML file. Raises InputError, one sentence that names the file by ``what``."""
    return parse_table(read_text(path, what=what), what=what)
