from fnmatch import fnmatchcase

import polars as pl

from pipelines.catalogue.corrections import built_in_corrections
from pipelines.causes.knowledge import causes
from pipelines.causes.setting_back import moved_by, relearning, set_back

from .conftest import V6

ALL = built_in_corrections()


def test_every_cause_sets_back_corrections_that_exist():
    for cause in causes().values():
        for pattern in cause.set_back:
            filled = pattern.replace("{bank}", "1")
            assert any(fnmatchcase(code, filled) for code in ALL["code"]), (cause.id, pattern)
        assert cause.set_back or "none" in cause.reset


def test_the_bank_at_hand_is_set_back_and_no_other():
    leak = causes()["exhaust_leak_upstream"]
    assert set(set_back(leak, 2, ALL)["bank"]) == {2}
    assert set(set_back(leak, None, ALL)["bank"]) == {1, 2}


def test_what_a_cause_moves_most_comes_first_and_its_place_counts():
    moved = moved_by(causes()["injector_restricted"], bank=2, cylinder=5, layout=V6, codes=ALL["code"].to_list())
    assert moved[0] == "inj_bal_c5"
    assert "ltft_b1_idle" not in moved


def test_relearning_says_where_and_for_how_long_the_longest_last():
    words = [each.words() for each in relearning(set_back(causes()["throttle_deposits"], None, ALL))]
    assert words[0].startswith("idle, air conditioning on: about 3 hours (Learned idle air")
    assert words[-1] == "steady low load: about 9 hours (Throttle flow area correction)"
    idle = relearning(ALL.filter(pl.col("code") == "ltft_b1_idle"))
    assert [each.words() for each in idle] == [
        "closed loop, warm, in this region (idle): about 6 hours (Long-term fuel trim, bank 1, idle)"
    ]
    assert (
        relearning(ALL.filter(pl.col("code") == "ltft_b1_idle").with_columns(learn_when=pl.lit(None, pl.String))) == []
    )
