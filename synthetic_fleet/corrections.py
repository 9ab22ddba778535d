"""The 73 corrections in the order the engine model keeps them, and their limits out of the catalogue's data file."""

import csv
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

REGIONS = ("idle", "low", "mid", "high")

# First index of each group of corrections; the comment says how the group is laid out.
LTFT = 0  # bank x region
ADD = 8  # bank
IAC = 10  # neutral, drive, air conditioning, cold
CLOSED = 14
AREA = 15
MAF = 16  # five flow ranges
MAP = 21
SHIFT = 22  # bank
DELAY = 24  # bank
POST = 26  # bank
HEATER = 28  # bank
CAT = 30  # bank
KNOCK = 32  # cylinder x (mid, high)
SEG = 44  # cylinder
CAM = 50  # bank x (intake, exhaust)
INJ = 54  # cylinder
PRESS = 60
ETHANOL = 61
PURGE = 62
VAPOUR = 63
EVAP = 64
TORQUE = 65
TORQUE_AC = 66
TORQUE_ALT = 67
COOLANT = 68
EGR = 69
BARO = 70
STFT = 71  # bank

CODES: tuple[str, ...] = (
    *(f"ltft_b{bank}_{region}" for bank in (1, 2) for region in REGIONS),
    "ltft_add_b1",
    "ltft_add_b2",
    "iac_neutral",
    "iac_drive",
    "iac_ac",
    "iac_cold",
    "throttle_closed",
    "throttle_area",
    *(f"maf_corr_q{flow}" for flow in range(1, 6)),
    "map_offset",
    *(f"{name}_b{bank}" for name in ("o2_shift", "o2_delay", "o2_post", "o2_heater", "cat_storage") for bank in (1, 2)),
    *(f"knock_c{cylinder}_{region}" for cylinder in range(1, 7) for region in ("mid", "high")),
    *(f"crank_seg_c{cylinder}" for cylinder in range(1, 7)),
    *(f"cam_{cam}_b{bank}" for bank in (1, 2) for cam in ("in", "ex")),
    *(f"inj_bal_c{cylinder}" for cylinder in range(1, 7)),
    "fuel_press",
    "ethanol_learn",
    "purge_flow",
    "purge_load",
    "evap_decay",
    "torque_loss_idle",
    "torque_ac",
    "torque_alternator",
    "coolant_model",
    "egr_flow",
    "baro_learn",
    "stft_rest_b1",
    "stft_rest_b2",
)
COUNT = len(CODES)
INDEX = {code: index for index, code in enumerate(CODES)}

# What the open standard (SAE J1979) reads on every vehicle, as far as it is learned: everything else is left out.
OPEN_STANDARD = (*(f"ltft_b{bank}_mid" for bank in (1, 2)), "egr_flow", "baro_learn", "stft_rest_b1", "stft_rest_b2")


@cache
def catalogue() -> dict[str, dict[str, str]]:
    """Rows of the built-in catalogue by code, as text."""
    with files("pipelines.catalogue").joinpath("corrections.csv").open(encoding="utf-8") as lines:
        return {row["code"]: row for row in csv.DictReader(lines)}


def column(name: str) -> npt.NDArray[np.float64]:
    """A numeric column of the catalogue in the model's order."""
    return np.array([float(catalogue()[code][name]) for code in CODES])


def fitted(equipment: frozenset[str]) -> npt.NDArray[np.bool_]:
    """Which corrections a family with this equipment has."""
    return np.array([set(filter(None, catalogue()[code]["needs"].split("|"))) <= equipment for code in CODES])
