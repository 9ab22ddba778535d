"""`leeway explain`: what a word means, from the data that the product ships; and example files of each format."""

from pathlib import Path

import click

from pipelines.terminal import say


@click.command()
@click.argument("word", nargs=-1)
@click.option(
    "--example", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
    help="Write example files there: a drop in each format, a spreadsheet that is none, and a mapping for it.",
)  # fmt: skip
@click.option("--debug", is_flag=True, expose_value=False, help="Show the traceback of an error.")
def explain(*, word: tuple[str, ...], example: Path | None) -> None:
    """Say what a table, column, unit, state or figure means; without a word, what can be asked.

    \b
    Examples:
      leeway explain
      leeway explain drop
      leeway explain snapshots
      leeway explain limit_at_p50
      leeway explain ltft_b1
      leeway explain --example examples
    """  # noqa: D301 (click reads the escape)
    if example is not None:
        from pipelines.examples import write_examples  # noqa: PLC0415 (keeps --help quick)

        written = write_examples(example)
        say(*(f"{path}: {about}" for path, about in written))
        say(f"Try: leeway load {example / 'drop'} {example / 'vans.csv'} --yes --store {example / 'store'}")
        return
    from pipelines.explain import explained, overview  # noqa: PLC0415 (keeps --help quick)

    say(*(explained(" ".join(word)) if word else overview()))
