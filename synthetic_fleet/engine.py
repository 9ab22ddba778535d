"""Mean-value petrol engine per operating region: physical parameters in, what each correction must come to, out.

One engine, one day, steady state of each region. The module's feedback drives every learned correction towards the
value returned here; `module` decides how fast and whether at all. Units are those of the catalogue.
"""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from synthetic_fleet import parameters as p
from synthetic_fleet.corrections import (
    ADD,
    AREA,
    BARO,
    CAM,
    CAT,
    CLOSED,
    COOLANT,
    DELAY,
    EGR,
    ETHANOL,
    EVAP,
    HEATER,
    IAC,
    INJ,
    KNOCK,
    LTFT,
    MAF,
    MAP,
    POST,
    PRESS,
    PURGE,
    SEG,
    SHIFT,
    STFT,
    TORQUE,
    TORQUE_AC,
    TORQUE_ALT,
    VAPOUR,
)

Row = npt.NDArray[np.float64]

# A family as the model sees it: positions in its row of numbers.
CYLINDERS, BANKS, METERED, RAIL, EGR_FITTED, IDLE_MG, IAC_PER_FLOW, FLOW_PER_NM = 0, 1, 2, 3, 4, 5, 6, 7
# four regions, four regions, six cylinders (bank: 0 or 1), six cylinders (the one that shares its crank segment)
FLOW, PRESSURE, BANK_OF, COMPANION = 8, 12, 16, 22
FAMILY_SIZE = 28

# The day's surroundings and slow states: positions.
AMBIENT, AIR_KPA, FUEL_ETHANOL, FUEL_TRIM, OCTANE, VAPOUR_LOAD, FRICTION, ELECTRIC, COLD_SHARE = (
    0,
    1,
    2,
    3,
    4,
    5,
    6,
    7,
    8,
)
SURROUNDINGS_SIZE = 9

CRITICAL = 0.528  # pressure ratio below which flow through an orifice is choked (gamma 1.4)
PULSE = 17.5  # (flow over idle flow)^2 at which mean back-pressure shuts out the exhaust's suction


@njit(cache=True, nogil=True)
def orifice(ratio: float) -> float:
    """Flow through an orifice over its choked flow at a pressure ratio (isentropic, gamma 1.4)."""
    if ratio <= CRITICAL:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    return math.sqrt(ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4)) / 0.2588


@njit(cache=True, nogil=True)
def meter_error(theta: Row, load: float) -> float:
    """Share of the air that the meter does not see (above 0: under-reads) at a flow of `load` (0 idle, 1 full)."""
    return theta[p.METER_LOSS] * (1.07 * load - 0.07) - theta[p.METER_GAIN] * (0.75 + 0.25 * load)


@njit(cache=True, nogil=True)
def pressure_change(theta: Row, family: Row, region: int) -> float:
    """Injection pressure over nominal, less 1, in a region."""
    full = family[FLOW + region] / family[FLOW + 3]
    vacuum = (100.0 - family[PRESSURE + region]) / 300.0
    change = -theta[p.PUMP_LOSS] * full**0.85
    change += theta[p.PRESSURE_FIXED] + theta[p.PRESSURE_RETURN] * (1.0 - 0.5 * full)
    change += theta[p.PRESSURE_VACUUM] * vacuum
    return max(change, -0.75)


@njit(cache=True, nogil=True)
def lean(theta: Row, family: Row, around: Row, learned: Row, bank: int, region: int) -> float:
    """Fuel that feedback must add on a bank in a region, per cent; what other corrections took over is left out."""
    idle_share = family[FLOW] / family[FLOW + region]
    unmetered = orifice(family[PRESSURE + region] / around[AIR_KPA]) * idle_share
    metered = family[METERED] > 0.5
    total = 0.0
    if metered:
        load = (0.0, 0.25, 0.5, 0.9)[region]
        own = learned[MAF + region] if region < 3 else 0.5 * (learned[MAF + 3] + learned[MAF + 4])
        total += 100.0 * (theta[p.LEAK] * unmetered + theta[p.HOSE] + meter_error(theta, load)) - own
    else:  # air is reckoned from the manifold's pressure
        total += 100.0 * theta[p.MAP_BIAS] / family[PRESSURE + region]
    purge = theta[p.PURGE_LEAK] * unmetered * (10.0 - around[VAPOUR_LOAD]) / 25.0
    total += 100.0 * purge
    change = pressure_change(theta, family, region)
    if family[RAIL] > 0.5:
        change *= 0.75  # the rail's own loop makes up a quarter
    total += 100.0 * (1.0 / math.sqrt(1.0 + change) - 1.0)
    cylinders = 0
    own_lean = 0.0
    for cylinder in range(int(family[CYLINDERS])):
        if int(family[BANK_OF + cylinder]) == bank:
            cylinders += 1
            own_lean += cylinder_lean(theta, family, around, cylinder, region)
    total += own_lean / max(cylinders, 1)
    back = (family[FLOW + region] / family[FLOW]) ** 2 - 1.0
    cold = 1.0 + 0.01 * max(0.0, 10.0 - around[AMBIENT])
    total += 100.0 * theta[p.EXHAUST_LEAK + bank] * math.exp(-back / PULSE) * cold
    total += 0.1 * theta[p.O2_BIAS + bank] + 0.07 * learned[SHIFT + bank]
    total += 0.4 * (around[FUEL_ETHANOL] + theta[p.FUEL_ETHANOL] - learned[ETHANOL]) + around[FUEL_TRIM]
    total += theta[p.FUEL_OFF]
    total -= 100.0 * theta[p.OIL_FUEL] * idle_share
    total -= 0.12 * theta[p.THERMOSTAT] + 0.1 * max(0.0, -theta[p.COOLANT_BIAS])
    total += (0.5 - 0.6 * bank) * theta[p.SUPPLY]
    return total


@njit(cache=True, nogil=True)
def cylinder_lean(theta: Row, family: Row, around: Row, cylinder: int, region: int) -> float:
    """Lean error of one cylinder beyond what its bank shares, per cent of its fuel."""
    idle_share = family[FLOW] / family[FLOW + region]
    small = 1.15 if region == 0 else 1.0  # short pulses suffer a little more
    short = min(0.8, theta[p.INJECTOR_SHORT + cylinder] * small)
    value = 100.0 * (1.0 / (1.0 - short) - 1.0)
    value -= 100.0 * theta[p.INJECTOR_DRIP + cylinder] * idle_share
    if family[METERED] > 0.5:
        leak = orifice(family[PRESSURE + region] / around[AIR_KPA]) * idle_share
        value += 100.0 * theta[p.LEAK_RUNNER + cylinder] * leak
    value += 0.55 * theta[p.IGNITION + cylinder]  # unburnt air looks lean
    return value


@njit(cache=True, nogil=True)
def fuel(theta: Row, family: Row, around: Row, learned: Row, out: Row) -> None:
    """Fuel trims, additive offsets, injector balance, pressure, ethanol, left-over short-term trim."""
    banks = int(family[BANKS])
    cylinders = int(family[CYLINDERS])
    for bank in range(banks):
        seen = 1 - bank if banks == 2 and theta[p.SWAPPED] > 0.5 else bank
        for region in range(4):
            value = lean(theta, family, around, learned, seen, region)
            if seen != bank:  # each bank is driven by the other's error: the pair runs apart
                value += 30.0 * (1.0 if bank == 0 else -1.0)
            out[LTFT + 4 * bank + region] = value
        idle, low = out[LTFT + 4 * bank], out[LTFT + 4 * bank + 1]
        additive = 0.3 * (idle - low)  # the part that fades with load is learned as an offset
        out[ADD + bank] = additive * family[IDLE_MG] / 100.0
        out[LTFT + 4 * bank] = idle - 100.0 * learned[ADD + bank] / family[IDLE_MG]
        out[STFT + bank] = 0.0  # what the long-term trim has not learned yet: the module knows
        mean = 0.0
        count = 0
        for cylinder in range(cylinders):
            if int(family[BANK_OF + cylinder]) == bank:
                mean += cylinder_lean(theta, family, around, cylinder, 2)
                count += 1
        mean /= max(count, 1)
        for cylinder in range(cylinders):
            if int(family[BANK_OF + cylinder]) == bank:
                out[INJ + cylinder] = cylinder_lean(theta, family, around, cylinder, 2) - mean
    out[PRESS] = -100.0 * pressure_change(theta, family, 3)
    out[ETHANOL] = 0.7 * (around[FUEL_ETHANOL] + theta[p.FUEL_ETHANOL])


@njit(cache=True, nogil=True)
def air(theta: Row, family: Row, around: Row, learned: Row, out: Row) -> None:
    """Idle air, throttle, meter ranges, manifold pressure, exhaust gas recirculation."""
    runner = 0.0
    for cylinder in range(int(family[CYLINDERS])):
        runner += theta[p.LEAK_RUNNER + cylinder] / family[CYLINDERS]
    drag = theta[p.DRAG] + around[FRICTION]
    compression = 0.0
    for cylinder in range(int(family[CYLINDERS])):
        compression += theta[p.COMPRESSION + cylinder] / family[CYLINDERS]
    phase = 0.0
    for cam in range(4):
        phase += abs(theta[p.PHASER + cam]) + theta[p.PHASER_LOOSE + cam]
    stretch = 0.5 * (theta[p.CAM_STRETCH] + theta[p.CAM_STRETCH + 1])
    # Air that idle needs beyond health, in idle flows, and what reaches the engine round the valve.
    need = (drag + theta[p.DRAG_ALT] * 0.5) * family[FLOW_PER_NM] / family[FLOW]
    need += 0.012 * theta[p.EGR_LEAK] + 0.012 * phase + 0.01 * stretch + 0.25 * compression
    passed = theta[p.LEAK] + runner + 0.8 * theta[p.PURGE_LEAK] + 2.2 * theta[p.PLATE_OPEN]
    passed -= 1.6 * theta[p.PLATE_DIRT]
    duty = 100.0 * (need - passed) * family[IAC_PER_FLOW] + theta[p.VALVE_BIAS]
    cold = 1.0 + 0.01 * max(0.0, 10.0 - around[AMBIENT])
    out[IAC] = duty
    out[IAC + 1] = duty * 0.95
    out[IAC + 2] = duty + 1.7 * theta[p.DRAG_AC]
    out[IAC + 3] = duty * cold + 0.35 * max(0.0, 5.0 - around[AMBIENT]) * 0.4
    out[CLOSED] = theta[p.PLATE_OPEN] + theta[p.PLATE_SENSOR] + 0.02 * theta[p.PLATE_DIRT]
    meter = 100.0 * meter_error(theta, 0.2) - learned[MAF + 1] if family[METERED] > 0.5 else 0.0
    out[AREA] = 100.0 * (theta[p.PLATE_DIRT] - 1.1 * theta[p.PLATE_OPEN] - 0.5 * theta[p.PLATE_SENSOR])
    out[AREA] += 60.0 * theta[p.HOSE] + 0.35 * meter + 55.0 * theta[p.EXHAUST_BLOCK]
    for flow in range(5):
        out[MAF + flow] = 85.0 * meter_error(theta, (0.0, 0.25, 0.5, 0.75, 1.0)[flow]) + 0.4 * theta[p.SUPPLY]
    out[MAP] = theta[p.MAP_BIAS] - 4.0 * theta[p.LEAK] - 0.07 * theta[p.EGR_LEAK] + 0.02 * theta[p.EGR_BLOCK]
    out[MAP] += 0.12 * phase - 0.06 * stretch - 3.0 * theta[p.EXHAUST_BLOCK] - 0.3 * theta[p.SUPPLY]
    out[EGR] = theta[p.EGR_BLOCK] - theta[p.EGR_LEAK] - 1.2 * theta[p.MAP_BIAS]
    out[BARO] = around[AIR_KPA] - 100.0 - 0.15 * theta[p.MAP_BIAS]


@njit(cache=True, nogil=True)
def exhaust(theta: Row, family: Row, around: Row, learned: Row, out: Row) -> None:
    """Oxygen sensors, heaters and catalysts of each bank."""
    for bank in range(int(family[BANKS])):
        bias = theta[p.O2_BIAS + bank]
        loss = theta[p.HEATER_LOSS + bank]
        cold = max(0.0, 20.0 - around[AMBIENT])
        out[SHIFT + bank] = -0.85 * bias
        out[DELAY + bank] = theta[p.O2_SLOW + bank] + 90.0 * loss + 8.0 * theta[p.SUPPLY]
        out[POST + bank] = -0.06 * (bias + learned[SHIFT + bank] + 0.2 * bias)
        out[POST + bank] -= 3.0 * theta[p.EXHAUST_LEAK + bank]
        duty = (45.0 + 0.25 * cold) / ((1.0 - min(0.9, loss)) * (1.0 - min(0.5, 0.11 * theta[p.SUPPLY])) ** 2)
        out[HEATER + bank] = duty - 45.0 + 0.02 * theta[p.O2_SLOW + bank]
        out[CAT + bank] = -theta[p.CATALYST_LOSS + bank] - 0.0004 * theta[p.O2_SLOW + bank]
        out[CAT + bank] -= 0.12 * theta[p.EXHAUST_BLOCK]


@njit(cache=True, nogil=True)
def cylinders(theta: Row, family: Row, around: Row, out: Row) -> None:
    """Knock retard and crank segment times of each cylinder."""
    count = int(family[CYLINDERS])
    heat = 0.03 * (around[AMBIENT] - 10.0) + around[OCTANE] + theta[p.FUEL_OCTANE]
    meter = 100.0 * meter_error(theta, 0.9) if family[METERED] > 0.5 else 0.0
    starved = 100.0 * (1.0 / math.sqrt(1.0 + pressure_change(theta, family, 3)) - 1.0)
    shared = heat + 0.07 * max(0.0, starved) + 0.04 * meter
    mean = 0.0
    for cylinder in range(count):
        bank = int(family[BANK_OF + cylinder])
        uneven = 1.0 + 0.3 * math.sin(2.4 * cylinder + 1.0)
        own = shared + 8.0 * theta[p.INJECTOR_SHORT + cylinder] + theta[p.KNOCK_LOOSE + bank]
        own -= 0.08 * theta[p.IGNITION + cylinder] + 6.0 * theta[p.COMPRESSION + cylinder]
        carbon = theta[p.CARBON] * uneven
        recirculation = 0.085 * theta[p.EGR_BLOCK] - 0.05 * theta[p.EGR_LEAK]
        out[KNOCK + 2 * cylinder] = own + 0.7 * carbon + recirculation
        out[KNOCK + 2 * cylinder + 1] = own + carbon
        slow = 0.6 * theta[p.IGNITION + cylinder] + 12.0 * theta[p.INJECTOR_SHORT + cylinder]
        slow += 30.0 * theta[p.COMPRESSION + cylinder] + 4.0 * theta[p.LEAK_RUNNER + cylinder]
        slow += 8.0 * max(0.0, theta[p.INJECTOR_DRIP + cylinder] - 0.4)
        out[SEG + cylinder] = slow
        mean += slow / count
    for cylinder in range(count):
        out[SEG + cylinder] -= mean


@njit(cache=True, nogil=True)
def rest(theta: Row, family: Row, around: Row, out: Row) -> None:
    """Cams, vapour, tank, torque losses, coolant."""
    for bank in range(int(family[BANKS])):
        for cam in range(2):
            late = theta[p.CAM_STRETCH + bank] + theta[p.PHASER + 2 * bank + cam]
            out[CAM + 2 * bank + cam] = late
    out[PURGE] = -100.0 * 1.6 * theta[p.PURGE_LEAK]
    out[VAPOUR] = around[VAPOUR_LOAD] - 10.0 - 12.0 * theta[p.PURGE_LEAK]
    out[EVAP] = theta[p.EVAP_HOLE] + 0.012 * (around[AMBIENT] - 12.0) - 5.0 * theta[p.PURGE_LEAK]
    out[TORQUE] = theta[p.DRAG] + around[FRICTION]
    out[TORQUE_AC] = theta[p.DRAG_AC] + 0.06 * (around[AMBIENT] - 20.0)
    out[TORQUE_ALT] = theta[p.DRAG_ALT] + around[ELECTRIC] + 1.2 * theta[p.SUPPLY]
    cooling = theta[p.THERMOSTAT] * (1.0 + 0.02 * (5.0 - around[AMBIENT]))
    out[COOLANT] = theta[p.COOLANT_BIAS] - max(0.0, cooling) + 0.5 * theta[p.SUPPLY]


@njit(cache=True, nogil=True)
def demand(theta: Row, family: Row, around: Row, learned: Row, out: Row) -> None:
    """What every correction of one engine must come to, less its neutral value; written to `out` (73).

    Args:
        theta: Physical parameters (`parameters`).
        family: The family's numbers (positions above).
        around: The day's surroundings and slow states (positions above).
        learned: What the module has learned so far, less neutral: later corrections see what earlier ones left.
        out: Filled; entries of corrections that the family lacks mean nothing.
    """
    fuel(theta, family, around, learned, out)
    air(theta, family, around, learned, out)
    exhaust(theta, family, around, learned, out)
    cylinders(theta, family, around, out)
    rest(theta, family, around, out)
