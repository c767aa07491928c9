"""One form of the records that data files hold. Apart from ``datafile``, so that the command line answers before pydantic is loaded."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class DataRecord(BaseModel):
    """A record of a data file: every field is known by name, a misspelt one is refused, and nothing changes it later."""

    model_config = ConfigDict(extra="forbid", frozen=True)
