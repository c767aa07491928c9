"""Repair against replacement, on the owner's leak record and the owner's own prices.

Source: Shamir and Howard 1979.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import brentq

from analyzer.base.flags import InputError
from analyzer.base.text import shown
from analyzer.base.tomlfile import read_table
from analyzer.base.words import say
from analyzer.causes.verdict import Judgement
from analyzer.house.leak_history import LeakHistory, leak_words, read_history
from analyzer.house.leak_law import LEVEL, Array, PowerLaw, Region, yearly_factor
from analyzer.house.leak_record import LeakRecord, read_record

# ---------------------------------------------------------------- cost


@dataclass(frozen=True, kw_only=True)
class Prices:
    """The owner's own prices, in one currency of today; a price not known is None and its option is left out."""

    repair_per_leak: float
    damage_per_leak: float = 0.0  # drying, walls, floors, excess of the insurance
    replace_all: float | None = None
    replace_part: float | None = None
    part_share_of_leaks: float | None = None  # share of the leaks to come that replacing the part would end, 0 to 1
    moving_out: float = 0.0  # once, with replacing all
    discount_rate: float = 0.03  # a year, without inflation
    horizon_years: float = 20  # a whole number; a kept case holds every price as a float
    leaks_after_replacement_per_year: float = 0.0  # in all new pipe; 0 is an assumption, and said

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if value is None:
                continue
            if abs(value) > 1e12 or not math.isfinite(value):  # more than any house costs, in any currency
                raise InputError(f"{field.name} cannot be that large: enter it again as a plain number.")
            if field.name != "discount_rate" and value < 0:
                raise InputError(f"{field.name} must not be below 0: enter the price as a positive number.")
        if not -0.05 <= self.discount_rate <= 0.5:
            raise InputError("The discount rate must be from -0.05 to 0.5 a year: 3 % is 0.03.")
        if not (1 <= self.horizon_years <= 50 and float(self.horizon_years).is_integer()):
            raise InputError("The horizon must be a whole number of years from 1 to 50.")
        if self.part_share_of_leaks is not None and self.part_share_of_leaks > 1:
            raise InputError("The share of leaks that replacing a part would end must be from 0 to 1: 60 % is 0.6.")
        if (self.replace_part is None) != (self.part_share_of_leaks is None):
            raise InputError("Replacing a part needs both its price and the share of the leaks that it would end.")
        if self.cost_of_leak <= 0:
            raise InputError("A leak must cost something: enter the price of a repair.")

    @property
    def years(self) -> int:
        """The horizon as a count of years."""
        return int(self.horizon_years)

    @property
    def cost_of_leak(self) -> float:
        return self.repair_per_leak + self.damage_per_leak


def read_prices(path: str | Path) -> Prices:
    """Prices from a TOML file with one ``name = value`` a line. Raises InputError, one sentence."""
    rows = read_table(path, what="prices")
    names = [field.name for field in fields(Prices)]
    for name, value in rows.items():
        if name not in names:
            raise InputError(f"The prices file holds {shown(name)}, which is not a price; it takes {', '.join(names)}.")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise InputError(
                f"In the prices file {name} is {shown(value)}; write it as a plain number without a currency sign."
            )
    if "repair_per_leak" not in rows:
        raise InputError("The prices file needs repair_per_leak: what the repair of one leak costs.")
    return Prices(**rows)


@dataclass(frozen=True, kw_only=True)
class Option:
    """One way to go on: present value over the horizon with its interval, and the running total year by year."""

    id: str  # "repair", "part" or "all"
    name: str
    present_value: float
    low: float
    high: float
    by_year: tuple[float, ...]  # at the end of year 0 (what is paid at once), 1, 2, ...
    low_by_year: tuple[float, ...]
    high_by_year: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class CostComparison:
    prices: Prices
    options: tuple[Option, ...]  # repair first
    break_even_year: dict[str, float | None]  # by option: when repairing has cost as much; None: not within the horizon
    break_even_price: dict[str, float]  # by option: the price at which it and repairing cost the same
    years_to_threshold: float | None  # from now; 0: past it; None: not within 200 years, or no price
    cheaper: str | None  # the option whose whole interval is below that of repairing, or "repair"; None: not decided
    says: str
    enough: str  # what would be enough to decide; empty where it is decided


def replacement_threshold_per_year(cost_of_leak: float, cost_of_replacement: float, discount_rate: float) -> float:
    """Leaks a year from which replacing is cheaper: ln(1+R) Cr / Cb (Shamir and Howard 1979, closed form derived).

    Worked value: 1500 a leak, 9000 to replace, 5 % give 0.29274.
    """
    return math.log1p(discount_rate) * cost_of_replacement / cost_of_leak


def years_to_threshold(rate_at: Callable[[float], float], threshold: float, *, within: float = 200.0) -> float | None:
    """Years from now until a leak rate reaches the threshold; 0 where it has, None where it does not within ``within``.

    Worked value: 0.1 a year growing by e^(0.1 t) reaches 0.29274 after 10.741 years (Shamir and Howard's optimum).
    """
    if rate_at(0.0) >= threshold:
        return 0.0
    if rate_at(within) < threshold:
        return None
    return float(brentq(lambda t: rate_at(t) - threshold, 0.0, within, xtol=1e-10))


def compare_costs(history: LeakHistory, prices: Prices, level: float = LEVEL) -> CostComparison | None:
    """Present value of repairing as it leaks against replacing all or part now, over the horizon.

    A leak costs the same each time. The interval is that of the leaks to come. None where the record is too thin for a
    forecast: the history says so, and what would be enough. InputError where no price of replacing is given.
    """
    law = history.law
    if law is None:
        return None
    if prices.replace_all is None and prices.replace_part is None:
        raise InputError("A comparison needs a price for replacing all or a part of the pipe.")
    region = Region.of(law, level)
    best, low, high = _discounted(law, region, prices)
    cost = prices.cost_of_leak
    annuity = np.concatenate([[0.0], np.cumsum(_steady_factor(prices))])
    options = [_option("repair", say("costs.repair"), 0.0, cost * best, cost * low, cost * high)]
    if prices.replace_part is not None:
        left = 1.0 - (prices.part_share_of_leaks or 0.0)  # told wherever the part's price is: Prices asks for both
        options.append(
            _option("part", say("costs.part"), prices.replace_part, *(left * cost * x for x in (best, low, high)))
        )
    if prices.replace_all is not None:
        after = prices.leaks_after_replacement_per_year * cost * annuity
        once = prices.replace_all + prices.moving_out
        options.append(_option("all", say("costs.all"), once, after, after, after))
    repair = options[0]
    saved = {"part": prices.part_share_of_leaks or 0.0, "all": 1.0}
    even_year, even_price, decided = {}, {}, {}
    for option in options[1:]:
        even_year[option.id] = _crossing(np.array(repair.by_year), np.array(option.by_year))
        running = option.present_value - option.by_year[0]
        even_price[option.id] = repair.present_value - running
        decided[option.id] = _verdict(option, prices, (low[-1], high[-1]), saved[option.id])
    wait = None
    if prices.replace_all is not None and prices.discount_rate > 0:
        threshold = replacement_threshold_per_year(cost, prices.replace_all + prices.moving_out, prices.discount_rate)
        wait = years_to_threshold(lambda t: law.intensity(law.record.end + t), threshold)
    cheaper = _cheapest(options, decided)
    if history.fits_model is False:
        cheaper = None
    says, enough = _cost_words(history, law, prices, options, decided, cheaper, level)
    return CostComparison(
        prices=prices,
        options=tuple(options),
        break_even_year=even_year,
        break_even_price=even_price,
        years_to_threshold=wait,
        cheaper=cheaper,
        says=says,
        enough=enough,
    )


def _discounted(law: PowerLaw, region: Region, prices: Prices) -> tuple[Array, Array, Array]:
    """Discounted expected leaks up to each coming year (year 0 first): best, low, high."""
    years, rate = prices.years, prices.discount_rate
    best = law.number * np.cumsum(yearly_factor(law.record, law.beta, years, rate), axis=1)[0]
    low, high = region.interval(np.cumsum(yearly_factor(law.record, region.beta, years, rate), axis=1))
    zero = np.zeros(1)
    return np.concatenate([zero, best]), np.concatenate([zero, low]), np.concatenate([zero, high])


def _steady_factor(prices: Prices) -> Array:
    """Discounted years: the present value of one a year, spread over each coming year."""
    edges = np.arange(prices.years + 1.0)
    force = math.log1p(prices.discount_rate)
    if force == 0:
        return np.ones(prices.years)
    present = np.exp(-force * edges)
    return (present[:-1] - present[1:]) / force


def _option(id: str, name: str, once: float, best: Array, low: Array, high: Array) -> Option:
    return Option(
        id=id,
        name=name,
        present_value=float(once + best[-1]),
        low=float(once + low[-1]),
        high=float(once + high[-1]),
        by_year=tuple(map(float, once + best)),
        low_by_year=tuple(map(float, once + low)),
        high_by_year=tuple(map(float, once + high)),
    )


def _crossing(repair: Array, option: Array) -> float | None:
    """The year, interpolated, in which the running cost of repairing overtakes the option's."""
    behind = option - repair
    for year in range(1, len(behind)):
        if behind[year] <= 0:
            before, after = behind[year - 1], behind[year]
            return float(year - 1 + (before / (before - after) if before > after else 0.0))
    return None


def _verdict(option: Option, prices: Prices, leaks: tuple[float, float], share: float) -> str | None:
    """ "option" or "repair" where the whole interval of leaks to come says the same, else None.

    Both ways of going on meet the same leaks, so the difference is judged, not the two intervals.
    """
    after = option.by_year[-1] - option.by_year[0] if option.id == "all" else 0.0
    differences = [option.by_year[0] + after - share * prices.cost_of_leak * n for n in leaks]
    if max(differences) < 0:
        return "option"
    if min(differences) > 0:
        return "repair"
    return None


def _cheapest(options: list[Option], decided: Mapping[str, str | None]) -> str | None:
    better = [o for o in options[1:] if decided[o.id] == "option"]
    if better:
        return min(better, key=lambda o: o.present_value).id
    if all(verdict == "repair" for verdict in decided.values()):
        return "repair"
    return None


def _cost_words(
    history: LeakHistory,
    law: PowerLaw,
    prices: Prices,
    options: list[Option],
    decided: Mapping[str, str | None],
    cheaper: str | None,
    level: float,
) -> tuple[str, str]:
    figures = "; ".join(
        say(
            "costs.figure",
            name=o.name.lower(),
            middle=f"{o.present_value:,.0f}",
            low=f"{o.low:,.0f}",
            high=f"{o.high:,.0f}",
        )
        for o in options
    )
    enough = ""
    if cheaper == "repair":
        verdict = say("costs.repair_cheaper")
    elif cheaper is not None:
        verdict = say("costs.option_cheaper", name=next(o.name for o in options if o.id == cheaper).lower())
    elif history.fits_model is False:
        verdict, enough = say("costs.off_model"), say("costs.tell_what_changed")
    else:
        verdict, enough = say("costs.undecided"), _enough(law, prices, options, decided, level)
    says = say(
        "costs.lead",
        years=prices.years,
        rate=f"{100 * prices.discount_rate:.1f} %",
        figures=figures,
        verdict=verdict,
        honest=leak_words().honest,
    )
    return says, enough


def _enough(
    law: PowerLaw, prices: Prices, options: list[Option], decided: Mapping[str, str | None], level: float
) -> str:
    """How long a record of the same pattern would decide the first option that is open."""
    option = next(o for o in options[1:] if decided[o.id] is None)
    share = (prices.part_share_of_leaks or 0.0) if option.id == "part" else 1.0
    for number in range(law.number + 1, 20 * law.number + 1):
        region = Region.of(law, level, information=number / law.number)
        _, low, high = _discounted(law, region, prices)
        if _verdict(option, prices, (low[-1], high[-1]), share) is not None:
            return say("costs.enough_leaks", number=number, name=option.name.lower(), known=law.number)
    return say("costs.never_enough", name=option.name.lower())


# ---------------------------------------------------------------- all together


@dataclass(frozen=True, kw_only=True)
class RepairOrReplace:
    """Leak record, cost and the other evidence, for a page and for the two pictures.

    ``observed`` is the picture of leaks so far: ages and the running number. The forecast and the options hold the arrays
    of what is to come.
    """

    history: LeakHistory
    observed: tuple[tuple[float, int], ...]
    costs: CostComparison | None
    persisting: tuple[str, ...]  # causes that go on after one repair, with the reason
    evidence: tuple[str, ...]  # age and wall, in sentences
    recommendation: str
    enough: str
    thin_costs: str = ""  # of a record too thin for ``costs``: the span of repairing beside the price of replacing


def repair_or_replace(
    quantities: Mapping[str, Any], judgement: Judgement, prices: Prices | None = None, *, years_ahead: int = 10
) -> RepairOrReplace | None:
    """The leak record of the facts against the owner's prices; None where no leak dates or counts are told."""
    record = read_record(quantities)
    if record is None:
        return None
    history = read_history(record, prices.years if prices else years_ahead)
    costs = compare_costs(history, prices) if prices is not None else None
    persisting = tuple(
        say("costs.persists", cause=f.name, why=leak_words().persists[f.cause])
        for f in judgement.findings
        if f.standing in ("fits well", "fits") and f.cause in leak_words().persists
    )
    thin = _thin_cost(history, prices) if history.thin and prices is not None else ""
    if history.thin:
        recommendation, enough = say("costs.thin", says=history.says + thin), history.enough
    elif costs is not None and history.worthless_ahead and costs.cheaper is None:  # no sum may rest on limits that wide
        recommendation, enough = f"{history.says} {say('costs.undecided')} {leak_words().honest}", costs.enough
    elif costs is None:
        recommendation = f"{history.says} {leak_words().honest}"
        enough = say("costs.ask_prices")
    else:
        recommendation, enough = f"{history.says} {costs.says}", costs.enough
    return RepairOrReplace(
        history=history,
        observed=_observed(record),
        costs=costs,
        persisting=persisting,
        evidence=_evidence(quantities, len(persisting)),
        recommendation=recommendation,
        enough=enough,
        thin_costs=thin.strip(),
    )


def _thin_cost(history: LeakHistory, prices: Prices) -> str:
    """The span of repairing over the horizon at the whole record's rate, beside the price of replacing; a range only."""
    options = [(prices.replace_all, "all"), (prices.replace_part, "part of it")]
    price, what = next(((p, w) for p, w in options if p is not None), (None, ""))
    if price is None:
        return ""
    years = prices.years
    low, high = (rate * years for rate in history.rate_per_year[1:])
    text = say(
        "leaks.thin_cost",
        low=f"{low:.2g}",
        high=f"{high:.2g}",
        years=years,
        cost_low=f"{low * prices.cost_of_leak:,.0f}",
        cost_high=f"{high * prices.cost_of_leak:,.0f}",
        replace=f"{price + (prices.moving_out if what == 'all' else 0.0):,.0f}",
        what=what,
    )
    crowded = any(test.name == "first leak, exact" and test.p_value <= 0.05 for test in history.tests)
    return text + (say("leaks.thin_cost_crowded") if crowded else "")


def _observed(record: LeakRecord) -> tuple[tuple[float, int], ...]:
    points = [(record.start, 0)]
    if record.times is not None:
        points += [(t, i) for i, t in enumerate(record.times, 1)]
        points.append((record.end, record.number))
    else:
        running = 0
        for _, high, k in record.counts or ():
            running += k
            points.append((high, running))
    return tuple(points)


def _evidence(quantities: Mapping[str, Any], persisting: int) -> tuple[str, ...]:
    said = []
    if quantities.get("age_years") is not None:
        said.append(say("costs.age", age=f"{quantities['age_years']:g}"))
    share = quantities.get("remaining_wall_share")
    if share is not None:
        said.append(say("costs.wall", share=f"{100 * share:.0f} %"))
    if persisting > 1:
        said.append(say("costs.go_on", number=persisting))
    return tuple(said)
