"""Random drops of few keys and values, so that loads replace, repeat and complete each other."""

from pathlib import Path

from hypothesis import strategies as st

CELL = st.sampled_from(["", "1", "2"])
KEY = st.tuples(st.sampled_from(["v0", "v1"]), st.sampled_from(["2031-01-01", "2031-01-02"]))


@st.composite
def one_drop(draw):
    """A few rows of a few tables, of few keys and values, so that loads replace, repeat and complete each other."""
    files = {}
    snapshots = draw(st.lists(st.tuples(KEY, CELL, CELL), max_size=4))
    if snapshots:
        files["snapshots"] = "vehicle_id,read_at,odometer_km,ltft_b1_idle\n" + "".join(
            f"{v},{day}T08:00:00Z,{a},{b}\n" for (v, day), a, b in snapshots
        )
    readings = draw(st.lists(st.tuples(KEY, st.sampled_from(["ltft_b1_idle", "ltft_b1_low"]), CELL), max_size=5))
    if readings:
        files["readings"] = "vehicle_id,read_at,correction,value\n" + "".join(
            f"{v},{day}T08:00:00Z,{code},{value}\n" for (v, day), code, value in readings
        )
    work = draw(st.lists(st.tuples(KEY, st.sampled_from(["", "egr_valve"]), CELL), max_size=3))
    if work:
        files["work"] = "vehicle_id,done_at,kind,component,cost\n" + "".join(
            f"{v},{day}T09:00:00Z,repair,{part},{cost}\n" for (v, day), part, cost in work
        )
    faults = draw(st.lists(st.tuples(KEY, CELL), max_size=2))
    if faults:
        files["faults"] = "vehicle_id,read_at,code,confirmed,ff_engine_load\n" + "".join(
            f"{v},{day}T08:00:00Z,P0171,yes,{value}\n" for (v, day), value in faults
        )
    if not files or draw(st.booleans()):
        files["vehicles"] = f"vehicle_id,engine_family,depot\nv1,rowan,{draw(st.sampled_from(['south', 'east']))}\n"
    return files


def write(folder: Path, files: dict[str, str], number: int = 0) -> Path:
    """A drop whose files are unlike those of other drops: they end with so many empty lines."""
    folder.mkdir(parents=True)
    for table, text in files.items():
        (folder / f"{table}.csv").write_text(text + number * "\n")
    return folder
