"""`leeway settings`: what is set for a store, as the file that would say it."""

import click

from pipelines.command_options import store_option
from pipelines.store.folder import Store
from pipelines.terminal import say


@click.command()
@store_option
def settings(store: Store) -> None:
    """Print every setting with its unit and meaning, as a file to change; what is not set stands behind a #.

    The file is `settings.toml` in the store's folder, or the one that $LEEWAY_SETTINGS names. It is checked as a whole
    by every command that reads it, and by this one.

    \b
    Examples:
      leeway settings
      leeway settings > fleet.store/settings.toml
    """  # noqa: D301 (click reads the escape)
    from pipelines.settings_file import settings_of  # noqa: PLC0415 (keeps --help quick)

    set_here = settings_of(store.path)
    say(*set_here.as_text().splitlines())
    place = set_here.file or "no file of settings is there: all stand at their defaults"
    say(f"leeway: {place}; digest {set_here.digest()}", err=True)
