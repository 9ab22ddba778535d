"""The one way to a terminal: what is said there may hold text from data, and none of it steers the terminal."""

import click

from pipelines.visible import visible


def say(*lines: str, err: bool = False) -> None:
    """Print each as one line, with whatever would steer the terminal made visible.

    Args:
        lines: Without ends of lines: one in a line came from data, and is shown as such.
        err: To standard error.
    """
    for line in lines:
        click.echo(visible(line), err=err)  # noqa: TID251 - this is the one place
