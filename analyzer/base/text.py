"""What a person or a file wrote, made fit to be shown: one home for every name, remark and answer."""

from __future__ import annotations

LONGEST = 4000  # letters of one remark that are kept; a page of a report holds some 3,000


def one_line(text: object, *, longest: int = LONGEST) -> str:
    """The text on one line without control, bidirectional or unassigned signs, at most ``longest`` letters.

    A sign that is not printable (Unicode categories "Other" and "Separator": line breaks, the marks that turn the direction
    of writing, lone surrogates) becomes a space: it could hide or turn round what stands beside it (Unicode TR 36).

    >>> one_line("a\\u202egpj.exe\\n b")
    'a gpj.exe b'
    """
    words = "".join(sign if sign.isprintable() else " " for sign in str(text)).split()
    line = " ".join(words)
    return line if len(line) <= longest else f"{line[: longest - 3]}..."
