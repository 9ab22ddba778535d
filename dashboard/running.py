"""How the service runs, as its record, its store and its settings say now; alone in asking them for screens."""

from datetime import datetime

import polars as pl

from dashboard.signed_in import place
from pipelines.settings_file import ServiceSettings, settings_now
from pipelines.store.acts import acts
from pipelines.store.folder import Store
from pipelines.upkeep.condition import Condition, condition


def stands(now: datetime) -> Condition:
    """How the store stands, all of it, whatever the reader sees of the fleet."""
    return condition(Store(place()), now=now)


def what_is_set() -> ServiceSettings:
    """What is set for the store."""
    return settings_now(place())


def log() -> pl.DataFrame:
    """Who did what, oldest first."""
    return acts(Store(place()))
