"""Which entries whoever may see some depots sees: about their vehicles, batches and depots, all findings and views."""

import polars as pl

from pipelines.store.folder import Store
from pipelines.store.schema import columns_of


def entries_seen(entries: pl.DataFrame, store: Store) -> pl.DataFrame:
    """Those of all entries that whoever reads the store may see."""
    if store.depots is None or entries.is_empty():
        return entries
    with store.reading() as connection:
        own = [row[0] for row in connection.execute("SELECT vehicle_id FROM vehicles ORDER BY 1").fetchall()]
        batches = []
        if "batch_id" in columns_of(connection, "held_reading", "published"):
            query = "SELECT DISTINCT batch_id FROM published.held_reading ORDER BY 1"
            batches = [row[0] for row in connection.execute(query).fetchall()]
    subject = pl.col("subject")
    listed = pl.col("detail").str.json_path_match("$.vehicles").str.split("\n")
    return entries.filter(
        pl.col("vehicle_id").is_in(own)
        | pl.col("kind").is_in(["finding", "view"])  # a view is an address, which shows to each what they may see
        | ((pl.col("kind") == "list") & listed.list.eval(pl.element().is_in(own)).list.all())
        | ((pl.col("kind") == "note") & subject.is_in([*store.depots, "fleet"]))
        | ((pl.col("kind") == "held") & subject.is_in(batches))
    )
