"""What an analysis kept to explain one vehicle: used whole or not at all."""

import polars as pl

from dashboard.reasoning import KEPT, paths
from pipelines.store.evidence import read_evidence
from pipelines.store.folder import Store


def test_a_state_that_kept_nothing_or_less_than_is_needed_gives_no_path(loaded_store):
    evidence = read_evidence(Store(loaded_store), vehicle_ids=["V1"])
    nothing = {name: pl.DataFrame() for name in KEPT}
    less = {name: pl.DataFrame({"correction": ["ltft_b1_idle"]}) for name in KEPT}
    assert paths(evidence, nothing).height == paths(evidence, less).height == 0
