import polars as pl

from pipelines.catalogue.tables import drop_tables
from pipelines.causes.hypotheses import EngineLayout, engine_layout, hypotheses


def places(found, cause, variant):
    return {(h.bank, h.cylinder) for h in found if (h.cause.id, h.variant.name) == (cause, variant)}


def family(**row):
    return pl.DataFrame([{"engine_family": "rowan", **row}], schema=drop_tables()["families"].schema)


def test_the_layout_comes_from_the_family_and_else_from_the_corrections(catalogue):
    told = engine_layout(family(cylinders=4, banks=2, bank_of_cylinder="1:1 2:2 3:1 4:2"), "rowan", catalogue)
    assert told.bank_of_cylinder == {1: 1, 2: 2, 3: 1, 4: 2}
    counted = engine_layout(family(cylinders=4, banks=1), "rowan", catalogue)
    assert counted.bank_of_cylinder == {1: 1, 2: 1, 3: 1, 4: 1}
    inferred = engine_layout(family(), "unheard", catalogue)
    assert inferred.on_bank(2) == [4, 5, 6]
    trims = catalogue.filter(pl.col("code").str.starts_with("ltft"))
    assert engine_layout(family(), "unheard", trims).banks == [1, 2]


def test_a_cause_stands_at_every_place_that_the_engine_has(catalogue):
    codes = tuple(catalogue["code"])
    four = EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 1})
    assert places(hypotheses(codes, four), "injector_restricted", "restricted") == {(1, n) for n in (1, 2, 3, 4)}
    assert places(hypotheses(codes, four), "o2_heater_weak", "weak") == {(1, None)}
    six = EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 2, 5: 2, 6: 2})
    assert places(hypotheses(codes, six), "o2_heater_weak", "weak") == {(1, None), (2, None)}
    assert places(hypotheses(codes, six), "thermostat_open", "open") == {(None, None)}


def test_a_cause_that_may_be_the_whole_engine_names_no_bank_on_a_single_bank(catalogue):
    codes = tuple(catalogue["code"])
    four = hypotheses(codes, EngineLayout(bank_of_cylinder={1: 1, 2: 1}))
    six = hypotheses(codes, EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 2, 5: 2, 6: 2}))
    assert {h.bank for h in four if h.cause.id == "cam_drive_stretched"} == {None}
    assert {h.bank for h in six if h.cause.id == "cam_drive_stretched"} == {None, 1, 2}


def test_an_engine_shows_a_cause_in_the_ways_its_equipment_allows(catalogue):
    def ways(fitted):
        layout = engine_layout(
            family(cylinders=4, banks=1, fitted=fitted), "rowan", catalogue.filter(code="iac_neutral")
        )
        found = hypotheses(("iac_neutral",), layout)
        return {h.variant.name for h in found if h.cause.id == "unmetered_air"}

    assert "plenum" in ways("air_mass_sensor ac")
    assert "plenum_speed_density" not in ways("air_mass_sensor ac")
    assert "plenum_speed_density" in ways("ac")
    assert "plenum" not in ways("ac")
    assert {"plenum", "plenum_speed_density"} <= ways(None)


def test_sensors_of_two_banks_cannot_be_swapped_on_one(catalogue):
    trims = catalogue.filter(pl.col("code").str.starts_with("ltft_b1"))
    one = hypotheses(tuple(trims["code"]), engine_layout(family(cylinders=4, banks=1), "rowan", trims))
    two = hypotheses(tuple(trims["code"]), engine_layout(family(cylinders=6, banks=2), "rowan", trims))
    assert "o2_sensors_swapped" not in {h.cause.id for h in one}
    assert "o2_sensors_swapped" in {h.cause.id for h in two}


def test_the_ways_of_a_cause_at_all_its_places_are_all_of_it(catalogue):
    found = hypotheses(tuple(catalogue["code"]), EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 2, 4: 2}))
    total: dict[str, float] = {}
    for hypothesis in found:
        total[hypothesis.cause.id] = total.get(hypothesis.cause.id, 0.0) + hypothesis.prior
    assert all(abs(prior - 1) < 1e-9 for prior in total.values())


def test_a_code_of_another_cylinder_is_not_expected(catalogue):
    six = EngineLayout(bank_of_cylinder={1: 1, 2: 1, 3: 1, 4: 2, 5: 2, 6: 2})
    third = next(
        h for h in hypotheses(tuple(catalogue["code"]), six) if h.cause.id == "injector_restricted" and h.cylinder == 3
    )
    codes = {entry.code for entry in third.codes}
    assert {"P0303", "P0269", "P0171"} <= codes
    assert not {"P0304", "P0272", "P0174"} & codes
