"""One statement of uncertainty and known error rates."""

from __future__ import annotations

from functools import cache
from typing import Any

from analyzer.base import display
from analyzer.base.datafile import data_table
from analyzer.result.examination import Examination
from analyzer.show import phrases
from analyzer.show.blocks import Bullets, Section
from analyzer.show.edition import Edition


@cache
def rates() -> dict[str, Any]:
    """What is known of the program's errors, from ``data/error_rates.toml``."""
    return data_table("error_rates")


def build(examination: Examination, edition: Edition) -> Section:
    known, units = rates(), edition.units
    says = known["says"]
    f1 = known["pits_f1"]
    items = [
        says["statement"].format(**known["intervals_hold_percent"]),
        says["pits"]
        .format(
            measured=known["measured"],
            smallest=display.plain(known["pits_from_mm"], "length_mm", units),
            f1=f1,
            share=round(
                100 * f1 / (2 - f1)
            ),  # of all found or there: F1 = 2 t / (2 t + wrong), share = t / (t + wrong)
            bias=known["count_bias_percent"],
            density=known["density_error_percent"],
            faint=round(100 * known["faint_recall"]),
            clear=round(100 * known["clear_recall"]),
        )
        .replace("-", "−"),
        says["scale"].format(
            **known["scale_error_percent"],
            opening=known["opening_area_error_percent"],
            ring=display.sentence(f"{known['ring_minimum_error_mm']} mm", units),
        ),
        says["limit"],
    ]
    items[2:2] = [phrases.agreement_in_words(agreed) for agreed in examination.agreements]
    return Section(
        id="uncertainty", annex=True, title="How sure the figures are", blocks=(Bullets(items=tuple(items)),)
    )
