"""What a leak record says by itself, in words: rate, trend, leaks to come, and what would be enough."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from pydantic import Field

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.base.flags import InputError
from analyzer.base.words import say
from analyzer.house.leak_law import (
    CRAMER_VON_MISES_5_PERCENT,
    Forecast,
    PowerLaw,
    TrendTest,
    cramer_von_mises,
    fit,
    forecast,
    laplace_test,
    late_clustering_test,
    mil_hdbk_test,
    steady_rate,
)
from analyzer.house.leak_record import LeakRecord


@dataclass(frozen=True, kw_only=True)
class LeakHistory:
    """What the record says by itself."""

    record: LeakRecord
    rate_per_year: tuple[float, float, float]  # value, low, high, as if steady
    law: PowerLaw | None  # None where the record is too thin for a trend
    beta_interval: tuple[float, float] | None
    tests: tuple[TrendTest, ...]
    fits_model: bool | None  # None where it cannot be tested
    forecast: Forecast | None
    thin: bool
    says: str
    enough: str  # what would be enough; empty where the record is not thin

    @property
    def worthless_ahead(self) -> bool:
        """The limits of what is to come are so far apart that no number, plot or cost may rest on them."""
        ahead = self.forecast
        return ahead is not None and ahead.high[-1] > leak_words().useless_ratio * ahead.low[-1]


class LeakWords(DataRecord):
    schema_version: int = Field(alias="schema")
    fewest_for_trend: int
    wide_up_to: int
    useless_ratio: float
    honest: str
    persists: dict[str, str]


@cache
def leak_words() -> LeakWords:
    return LeakWords.model_validate(data_table("leaks"))


def read_history(record: LeakRecord, years_ahead: int = 10) -> LeakHistory:
    """Rate, trend and leaks to come, as far as the record allows; ``years_ahead`` from 1 to 50."""
    if not 1 <= years_ahead <= 50:
        raise InputError("The outlook must be from 1 to 50 years: enter a number of years in that range.")
    n, fewest = record.number, leak_words().fewest_for_trend
    rate = steady_rate(n, record.years)
    notes = "".join(f" {note}" for note in record.notes)
    crowding = late_clustering_test(record)
    crowded = crowding is not None and crowding.p_value <= 0.05
    if n < fewest or (record.ends_on_leak and n < fewest + 1):
        need = fewest + (1 if record.ends_on_leak else 0) - n
        more = say("leaks.more", need=need, leaks="leak" if need == 1 else "leaks")
        return LeakHistory(
            record=record,
            rate_per_year=rate,
            law=None,
            beta_interval=None,
            tests=(crowding,) if crowding is not None else (),
            fits_model=None,
            forecast=None,
            thin=True,
            says=_thin_words(record, rate, crowding if crowded else None) + notes,
            enough=say("leaks.more_or_end", more=more) if record.ends_on_leak else f"{more}.",
        )
    law = fit(record)
    tests = tuple(t for t in (laplace_test(record), mil_hdbk_test(record)) if t is not None)
    if law.at_bound:
        return LeakHistory(
            record=record,
            rate_per_year=rate,
            law=None,
            beta_interval=None,
            tests=tests,
            fits_model=None,
            forecast=None,
            thin=True,
            says=say("leaks.too_near", head=_head(record)) + notes,
            enough=say("leaks.dates_or_years"),
        )
    distance = cramer_von_mises(law)
    fits = None if distance is None else distance < CRAMER_VON_MISES_5_PERCENT
    ahead = forecast(law, years_ahead)
    low, high = law.beta_interval()
    if crowded and crowding is not None and all(test.p_value > 0.05 for test in tests):
        trend = say("leaks.crowded", p=f"{crowding.p_value:.2g}")  # never "steady" against the dates
    else:
        trend = _trend_words(tests)
    worthless = ahead.high[-1] > leak_words().useless_ratio * ahead.low[-1]
    says = say(
        "leaks.worthless" if worthless else "leaks.trend",
        leaks=_leaks(n),
        head=_head(record),
        trend=trend,
        ahead=years_ahead,
        expected=_short(ahead.expected[-1]),
        low=_short(ahead.low[-1]),
        high=_short(ahead.high[-1]),
    )
    if not worthless and n <= leak_words().wide_up_to:
        says += say("leaks.wide", n=n)
    if fits is False:
        says += say("leaks.off_model")
    return LeakHistory(
        record=record,
        rate_per_year=rate,
        law=law,
        beta_interval=(low, high),
        tests=tests,
        fits_model=fits,
        forecast=ahead,
        thin=False,
        says=says + notes,
        enough="",
    )


def _thin_words(record: LeakRecord, rate: tuple[float, float, float], crowding: TrendTest | None) -> str:
    """Too few for a trend: the rate over the observed record, or, where the dates crowd at its end, that."""
    head = _head(record)
    if crowding is None:
        return say("leaks.thin", head=head, low=f"{rate[1]:.2g}", high=f"{rate[2]:.2g}")
    return f"{head}. {say('leaks.crowded', p=f'{crowding.p_value:.2g}')} {say('leaks.thin_crowded')}"


def _trend_words(tests: tuple[TrendTest, ...]) -> str:
    """One sentence where the tests agree, else each by its name."""
    names = " and ".join(t.name for t in tests)
    said = {t.says for t in tests}
    if len(said) == 1:
        words = said.pop()
        return say("leaks.agree", said=f"{words[0].upper()}{words[1:]}", names=names)
    return say("leaks.differ", said="; ".join(f"{t.name}: {t.says}" for t in tests))


def _short(number: float) -> str:
    """Two significant digits, no exponent."""
    return f"{float(f'{number:.2g}'):,.10g}"


def _head(record: LeakRecord) -> str:
    return say("leaks.head", leaks=_leaks(record.number), years=f"{record.years:.1f}")


def _leaks(n: int) -> str:
    return say("leaks.none") if n == 0 else say("leaks.one") if n == 1 else say("leaks.several", n=n)
