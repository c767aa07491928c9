"""Two kinds of facts: evidence of damage, read on the piece itself, and circumstance. See ``data/evidence.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from pydantic import Field, model_validator

from analyzer.base.datafile import data_table
from analyzer.base.datarecord import DataRecord
from analyzer.causes.rules import Condition, Item
from analyzer.house.facts import Value, quantities


class _Book(DataRecord):
    schema_version: int = Field(alias="schema")
    damage: frozenset[str]
    bland: Mapping[str, frozenset[str]]
    asked_after: Mapping[str, str]

    @model_validator(mode="after")
    def _known(self) -> _Book:
        for name in (*self.damage, *self.bland, *self.asked_after, *self.asked_after.values()):
            if name not in quantities():
                raise ValueError(f"no quantity '{name}' in data/quantities.toml")
        for name, words in self.bland.items():
            if unknown := words - set(quantities()[name].choices):
                raise ValueError(f"{name} knows no {sorted(unknown)}")
        return self


@cache
def _book() -> _Book:
    return _Book.model_validate(data_table("evidence"))


def is_damage(quantity_id: str) -> bool:
    """Whether the quantity is read on the failed piece itself."""
    return quantity_id in _book().damage


def may_be_asked(quantity_id: str, values: Mapping[str, Value]) -> bool:
    """Whether the question makes sense yet."""
    before = _book().asked_after.get(quantity_id)
    return before is None or before in values


def shows_damage(item: Item, values: Mapping[str, Value]) -> bool:
    """Whether an item that holds rests on damage that tells one cause from another: not on a mere hole or stain."""
    return any(_tells(condition, values) for condition in item.when)


def _tells(condition: Condition, values: Mapping[str, Value]) -> bool:
    if not is_damage(condition.quantity):
        return False
    known = values.get(condition.quantity)
    words = known if isinstance(known, tuple) else (known,)
    if isinstance(condition.value, tuple):
        words = tuple(word for word in words if word in condition.value)
    bland = _book().bland.get(condition.quantity, frozenset())
    return any(word not in bland for word in words)
