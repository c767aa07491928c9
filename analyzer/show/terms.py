"""Words of the trade that are met in a text, each with its plain meaning (``data/terms.toml``)."""

from __future__ import annotations

import re
from functools import cache

from analyzer.base.datafile import data_table


@cache
def _terms() -> tuple[tuple[str, str, re.Pattern[str]], ...]:
    rows = []
    for row in data_table("terms")["term"]:
        forms = sorted((row["word"], *row.get("also", ())), key=len, reverse=True)
        any_form = "|".join(re.escape(form) for form in forms)
        rows.append((row["word"], row["means"], re.compile(rf"(?<!\w)(?:{any_form})(?!\w)", re.IGNORECASE)))
    return tuple(rows)


def terms_in(text: str) -> tuple[tuple[str, str], ...]:
    """(word, meaning) of each term that the text holds, in the order in which it is met there first."""
    met = [(found.start(), word, means) for word, means, form in _terms() if (found := form.search(text))]
    return tuple((word, means) for _, word, means in sorted(met))
