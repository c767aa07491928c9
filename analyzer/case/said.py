"""What a check of a sealed bundle found, in sentences: the same on the pages and in the terminal."""

from __future__ import annotations

from analyzer.case.bundle import BundleCheck

MOST_DIFFERENCES = 50
_VERDICTS = {
    "same": "Nothing was changed since the sealing",
    "within rounding": "Nothing was changed since the sealing; figures differ by rounding only",
    "different": "Measured again, figures differ",
    "damaged": "The bundle is not as it was sealed",
}


def in_sentences(found: BundleCheck) -> tuple[str, list[str]]:
    """The verdict and the sentences; the last one sums up."""
    said = [*found.damage, *found.log_faults, *found.not_measured]
    if found.signature != "none":
        said.append(f"Signature {found.signature}, key {found.public_key}.")
    said += [
        f"{name}: sealed with {sealed}, here {here}" for name, (sealed, here) in (found.other_versions or {}).items()
    ]
    for difference in found.differences[:MOST_DIFFERENCES]:
        how = "within rounding" if difference.within_rounding else "DIFFERENT"
        said.append(f"{how}: {difference.place}: sealed {difference.sealed!r}, now {difference.now!r}")
    if len(found.differences) > MOST_DIFFERENCES:
        said.append(f"and {len(found.differences) - MOST_DIFFERENCES} more.")
    again = f"; {found.figures} figures and words measured again" if found.figures else ""
    return found.verdict, [*said, f"{_VERDICTS[found.verdict]}{again}. A photo never proves a cause."]
