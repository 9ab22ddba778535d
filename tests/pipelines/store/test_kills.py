"""Commands that look after a store, killed at random moments; tests/benchmarks/store_kills.py does it to every one."""

import sys
from pathlib import Path

from pipelines.intake.load import load
from pipelines.store.backup import back_up
from pipelines.store.folder import Store

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from store_kills import Trial, attack


def test_load_withdraw_backup_and_restore_leave_nothing_by_halves_when_killed(tmp_path, drop):
    rows = "".join(f"v1,2031-01-{day:02d}T08:00:00Z,{day}\n" for day in range(1, 29))
    base = drop(
        "base", vehicles="vehicle_id,engine_family\nv1,alder\n", snapshots=f"vehicle_id,read_at,odometer_km\n{rows}"
    )
    drops = [
        drop(f"more{n}", snapshots=f"vehicle_id,read_at,odometer_km\nv1,2031-01-0{n}T08:00:00Z,7\n") for n in (1, 2)
    ]
    store = Store(tmp_path / "store")
    load(store, [base])
    back_up(store, tmp_path / "backup")
    trial = Trial(store=store, backup=tmp_path / "backup", base=frozenset({"base"}), drops=drops)
    attack(trial, ["load", "withdraw", "backup", "load", "restore"], kills=5, seed=4)
    assert sum(trial.outcomes.values()) > 5
