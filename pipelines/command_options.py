"""What the commands share: the option `--store`, and times as people write them."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import click

from pipelines.days import DATE, END_OF_DAY
from pipelines.store.folder import Store

DEFAULT_STORE = "leeway.duckdb"
Command = Callable[..., Any]


class Time(click.ParamType[datetime]):
    """A time of ISO 8601; a date alone is the end of that day, as in drops; a time without an offset is UTC."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """The time in UTC."""
        if isinstance(value, datetime):
            return value
        try:
            time = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"'{value}' is not a time of ISO 8601, such as 2031-02-14 or 2031-02-14T08:30:00Z.", param, ctx)
        if DATE.fullmatch(value):
            time = datetime.combine(time, END_OF_DAY)
        return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def store_option(command: Command) -> Command:
    """`--store`, given as the argument `store`, and `--debug`, which the front door looks for."""
    debug = click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of an error.")
    option = click.option(
        "--store", envvar="LEEWAY_STORE", default=DEFAULT_STORE, show_default=True, metavar="PATH",
        callback=lambda ctx, param, value: Store(value),  # noqa: ARG005 (click calls it with all three)
        help="Folder of the store; $LEEWAY_STORE where it is not given.",
    )  # fmt: skip
    return option(debug(command))
