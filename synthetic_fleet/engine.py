"""Mean-value petrol engine per operating region: physical parameters in, what each correction must come to, out.

One engine, one day, the steady state of each region. The module's feedback drives every learned correction towards the
value returned here; `module` decides how fast and whether at all. Values are less neutral, in units of the catalogue.
"""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from synthetic_fleet import corrections as c
from synthetic_fleet import parameters as p

Floats = npt.NDArray[np.float64]

# A family as the model sees it: positions in its row of numbers.
CYLINDERS, BANKS, METERED, RAIL, FIRING, IDLE_MG, IAC_PER_FLOW, FLOW_PER_NM = range(8)
FLOW = 8  # four regions, g/s
PRESSURE = 12  # four regions, kPa
BANK_OF = 16  # six cylinders: bank, from 0
COMPANION = 22  # six cylinders: the one that shares a segment of the crank wheel

CRITICAL = 0.528  # pressure ratio below which flow through an orifice is choked (gamma 1.4)
PULSE = 17.5  # (flow over idle flow)^2 at which mean back-pressure shuts out the exhaust's suction
FULL_LOAD = (0.0, 0.25, 0.5, 0.9)  # share of the meter's range in the four regions
FLOW_RANGE = (0.0, 0.25, 0.5, 0.75, 1.0)  # the same at the five ranges of the meter's correction


class Around(NamedTuple):
    """The day's surroundings and the vehicle's slow states."""

    ambient: float  # degC
    air: float  # kPa
    ethanol: float  # beyond 8 %, per cent
    trim: float  # of the fuel in the tank, per cent
    octane: float  # short of the grade, deg of retard
    vapour: float  # in the canister, per cent
    friction: float  # of the oil, Nm beyond health
    electric: float  # Nm beyond health


class Case(NamedTuple):
    """One engine on one day."""

    theta: Floats  # physical parameters
    family: Floats
    around: Around
    learned: Floats  # what the module has learned, less neutral: later corrections see what earlier ones left


@njit(cache=True, nogil=True, error_model="numpy")
def orifice(ratio: float) -> float:
    """Flow through an orifice over its choked flow at a pressure ratio (isentropic, gamma 1.4)."""
    if ratio <= CRITICAL:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    return float(math.sqrt(ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4)) / 0.2588)


@njit(cache=True, nogil=True, error_model="numpy")
def meter_error(theta: Floats, load: float) -> float:
    """Share of the air that the meter does not see (above 0: under-reads) at a flow of `load` (0 idle, 1 full)."""
    return float(theta[p.METER_LOSS] * (1.07 * load - 0.07) - theta[p.METER_GAIN] * (0.75 + 0.25 * load))


@njit(cache=True, nogil=True, error_model="numpy")
def pressure_change(case: Case, region: int) -> float:
    """Injection pressure over nominal, less 1, in a region."""
    theta, family = case.theta, case.family
    full = family[FLOW + region] / family[FLOW + 3]
    vacuum = (100.0 - family[PRESSURE + region]) / 300.0
    change = -theta[p.PUMP_LOSS] * full
    change += theta[p.PRESSURE_FIXED] + theta[p.PRESSURE_RETURN] * (1.0 - 0.5 * full)
    return float(max(change + theta[p.PRESSURE_VACUUM] * vacuum, -0.75))


@njit(cache=True, nogil=True, error_model="numpy")
def starved(case: Case, region: int) -> float:
    """Fuel missing because of pressure, per cent: flow goes with the root of pressure."""
    share = 0.75 if case.family[RAIL] > 0.5 else 1.0  # a rail's own loop makes up a quarter
    return 100.0 * (1.0 / math.sqrt(1.0 + share * pressure_change(case, region)) - 1.0)


@njit(cache=True, nogil=True, error_model="numpy")
def cylinder_lean(case: Case, cylinder: int, region: int) -> float:
    """Lean error of one cylinder's own parts, per cent of its fuel."""
    theta, family = case.theta, case.family
    idle_share = family[FLOW] / family[FLOW + region]
    short = min(0.8, theta[p.INJECTOR_SHORT + cylinder] * (1.15 if region == 0 else 1.0))  # short pulses suffer more
    value = 100.0 * (1.0 / (1.0 - short) - 1.0)
    value -= 100.0 * theta[p.INJECTOR_DRIP + cylinder] * idle_share
    if family[METERED] > 0.5:
        leak = orifice(family[PRESSURE + region] / case.around.air) * idle_share
        value += 100.0 * theta[p.LEAK_RUNNER + cylinder] * leak
    return float(value + 0.55 * theta[p.IGNITION + cylinder])  # unburnt air looks lean


@njit(cache=True, nogil=True, error_model="numpy")
def air_error(case: Case, region: int) -> float:
    """Air that the module does not reckon with in a region, per cent."""
    theta, family, learned = case.theta, case.family, case.learned
    unmetered = orifice(family[PRESSURE + region] / case.around.air) * family[FLOW] / family[FLOW + region]
    total = 100.0 * theta[p.PURGE_LEAK] * unmetered * (10.0 - case.around.vapour) / 25.0  # vapour makes it rich
    if family[METERED] < 0.5:  # air is reckoned from the manifold's pressure: a leak is seen
        return float(total + 100.0 * theta[p.MAP_BIAS] / family[PRESSURE + region])
    own = learned[c.MAF + region] if region < 3 else 0.5 * (learned[c.MAF + 3] + learned[c.MAF + 4])
    total += 100.0 * (theta[p.LEAK] * unmetered + theta[p.HOSE] + meter_error(theta, FULL_LOAD[region]))
    return float(total - own)


@njit(cache=True, nogil=True, error_model="numpy")
def shared_lean(case: Case, region: int) -> float:
    """Fuel that feedback must add on every bank in a region, per cent."""
    theta, around = case.theta, case.around
    total = air_error(case, region) + starved(case, region)
    total += 0.4 * (around.ethanol + theta[p.FUEL_ETHANOL] - case.learned[c.ETHANOL]) + around.trim
    total += theta[p.FUEL_OFF] - 100.0 * theta[p.OIL_FUEL] * case.family[FLOW] / case.family[FLOW + region]
    return float(total - 0.12 * theta[p.THERMOSTAT] - 0.1 * max(0.0, -theta[p.COOLANT_BIAS]))


@njit(cache=True, nogil=True, error_model="numpy")
def bank_lean(case: Case, bank: int, region: int) -> float:
    """Fuel that feedback must add on one bank beyond what all banks share, per cent."""
    theta, family = case.theta, case.family
    total, members = 0.0, 0
    for cylinder in range(int(family[CYLINDERS])):
        if int(family[BANK_OF + cylinder]) == bank:
            members += 1
            total += cylinder_lean(case, cylinder, region)
    total /= max(members, 1)
    back = (family[FLOW + region] / family[FLOW]) ** 2 - 1.0
    cold = 1.0 + 0.01 * max(0.0, 10.0 - case.around.ambient)
    total += 100.0 * theta[p.EXHAUST_LEAK + bank] * math.exp(-back / PULSE) * cold
    total += 0.1 * theta[p.O2_BIAS + bank] + 0.07 * case.learned[c.SHIFT + bank]  # the rear loop takes most of it back
    return float(total + (0.5 - 0.6 * bank) * theta[p.SUPPLY])


@njit(cache=True, nogil=True, error_model="numpy")
def fuel(case: Case, out: Floats) -> None:
    """Fuel trims, additive offsets, pressure, ethanol."""
    theta, family, learned = case.theta, case.family, case.learned
    banks = int(family[BANKS])
    swapped = banks == 2 and theta[p.SWAPPED] > 0.5
    for region in range(4):
        shared = shared_lean(case, region)
        for bank in range(banks):
            seen = 1 - bank if swapped else bank
            out[c.LTFT + 4 * bank + region] = shared + bank_lean(case, seen, region)
            if swapped:  # each bank is driven by the other's error: the pair runs apart
                out[c.LTFT + 4 * bank + region] += 30.0 if bank == 0 else -30.0
    for bank in range(banks):
        idle, low = out[c.LTFT + 4 * bank], out[c.LTFT + 4 * bank + 1]
        out[c.ADD + bank] = 0.3 * (idle - low) * family[IDLE_MG] / 100.0  # what fades with load is learned as an offset
        out[c.LTFT + 4 * bank] = idle - 100.0 * learned[c.ADD + bank] / family[IDLE_MG]
    out[c.PRESS] = -100.0 * pressure_change(case, 3)
    out[c.ETHANOL] = 0.7 * (case.around.ethanol + theta[p.FUEL_ETHANOL])


@njit(cache=True, nogil=True, error_model="numpy")
def idle_air(case: Case, out: Floats) -> None:
    """Idle air in its four states: what idle needs beyond health less what comes in round the valve, in idle flows."""
    theta, family = case.theta, case.family
    cylinders = int(family[CYLINDERS])
    runner, compression, phase = 0.0, 0.0, 0.0
    for cylinder in range(cylinders):
        runner += theta[p.LEAK_RUNNER + cylinder] / cylinders
        compression += theta[p.COMPRESSION + cylinder] / cylinders
    for cam in range(4):
        phase += abs(theta[p.PHASER + cam]) + theta[p.PHASER_LOOSE + cam]
    stretch = 0.5 * (theta[p.CAM_STRETCH] + theta[p.CAM_STRETCH + 1])
    drag = theta[p.DRAG] + case.around.friction + 0.5 * theta[p.DRAG_ALT]
    need = drag * family[FLOW_PER_NM] / family[FLOW]
    need += 0.012 * theta[p.EGR_LEAK] + 0.012 * phase + 0.01 * stretch + 0.25 * compression
    passed = theta[p.LEAK] + runner + 0.8 * theta[p.PURGE_LEAK] + 2.2 * theta[p.PLATE_OPEN] - 1.6 * theta[p.PLATE_DIRT]
    duty = 100.0 * (need - passed) * family[IAC_PER_FLOW]
    ambient = case.around.ambient
    out[c.IAC] = duty + theta[p.VALVE_BIAS]
    out[c.IAC + 1] = 0.95 * duty + 0.7 * theta[p.VALVE_BIAS]
    out[c.IAC + 2] = duty + 1.2 * theta[p.VALVE_BIAS] + 1.7 * theta[p.DRAG_AC]
    out[c.IAC + 3] = duty * (1.0 + 0.01 * max(0.0, 10.0 - ambient)) + 1.4 * theta[p.VALVE_BIAS]
    out[c.IAC + 3] += 0.14 * max(0.0, 5.0 - ambient)
    out[c.MAP] = theta[p.MAP_BIAS] - 4.0 * (theta[p.LEAK] + runner) - 0.07 * theta[p.EGR_LEAK]
    out[c.MAP] += 0.02 * theta[p.EGR_BLOCK] + 0.12 * phase - 0.06 * stretch
    out[c.MAP] -= 3.0 * theta[p.EXHAUST_BLOCK] + 0.3 * theta[p.SUPPLY]


@njit(cache=True, nogil=True, error_model="numpy")
def air(case: Case, out: Floats) -> None:
    """Throttle, meter ranges, exhaust gas recirculation, barometer."""
    theta = case.theta
    out[c.CLOSED] = theta[p.PLATE_OPEN] + theta[p.PLATE_SENSOR] + 0.02 * theta[p.PLATE_DIRT]
    out[c.AREA] = 100.0 * (theta[p.PLATE_DIRT] - 1.1 * theta[p.PLATE_OPEN] - 0.5 * theta[p.PLATE_SENSOR])
    out[c.AREA] += 60.0 * theta[p.HOSE] + 55.0 * theta[p.EXHAUST_BLOCK]
    if case.family[METERED] > 0.5:  # the plate seems to flow less when the meter under-reads
        out[c.AREA] += 0.35 * (100.0 * meter_error(theta, 0.2) - case.learned[c.MAF + 1])
    for flow in range(5):
        out[c.MAF + flow] = 85.0 * meter_error(theta, FLOW_RANGE[flow]) + 0.4 * theta[p.SUPPLY]
    out[c.EGR] = theta[p.EGR_BLOCK] - theta[p.EGR_LEAK] - 1.2 * theta[p.MAP_BIAS]
    out[c.BARO] = case.around.air - 100.0 - 0.15 * theta[p.MAP_BIAS]


@njit(cache=True, nogil=True, error_model="numpy")
def exhaust(case: Case, out: Floats) -> None:
    """Oxygen sensors, heaters and catalysts of each bank."""
    theta = case.theta
    supply = (1.0 - min(0.5, 0.11 * theta[p.SUPPLY])) ** 2  # heat goes with the square of the voltage
    cold = max(0.0, 20.0 - case.around.ambient)
    for bank in range(int(case.family[BANKS])):
        bias, slow = theta[p.O2_BIAS + bank], theta[p.O2_SLOW + bank]
        loss = min(0.9, theta[p.HEATER_LOSS + bank])
        out[c.SHIFT + bank] = -0.85 * bias
        out[c.DELAY + bank] = slow + 90.0 * loss + 8.0 * theta[p.SUPPLY]
        out[c.POST + bank] = -0.06 * (1.2 * bias + case.learned[c.SHIFT + bank]) - 3.0 * theta[p.EXHAUST_LEAK + bank]
        out[c.HEATER + bank] = (45.0 + 0.25 * cold) / ((1.0 - loss) * supply) - 45.0 + 0.02 * slow
        out[c.CAT + bank] = -theta[p.CATALYST_LOSS + bank] - 0.0004 * slow - 0.12 * theta[p.EXHAUST_BLOCK]


@njit(cache=True, nogil=True, error_model="numpy")
def cylinders(case: Case, out: Floats) -> None:
    """Knock retard, crank segment times and injector balance of each cylinder, means not yet taken out."""
    theta, family = case.theta, case.family
    shared = 0.03 * (case.around.ambient - 10.0) + case.around.octane + theta[p.FUEL_OCTANE]
    shared += 0.07 * max(0.0, starved(case, 3))
    if family[METERED] > 0.5:
        shared += 0.04 * (100.0 * meter_error(theta, FULL_LOAD[3]))
    recirculation = 0.085 * theta[p.EGR_BLOCK] - 0.05 * theta[p.EGR_LEAK]
    for cylinder in range(int(family[CYLINDERS])):
        short, squeeze = theta[p.INJECTOR_SHORT + cylinder], theta[p.COMPRESSION + cylinder]
        own = shared + theta[p.KNOCK_LOOSE + int(family[BANK_OF + cylinder])]
        own -= 0.08 * theta[p.IGNITION + cylinder] + 6.0 * squeeze
        carbon = theta[p.CARBON] * (1.0 + 0.3 * math.sin(2.4 * cylinder + 1.0))  # no two chambers alike
        out[c.KNOCK + 2 * cylinder] = own + 0.7 * carbon + recirculation
        out[c.KNOCK + 2 * cylinder + 1] = own + carbon + 8.0 * short
        slow = 0.0
        if family[FIRING] > 0.5:  # learned on overrun alone, segments would show the wheel and no combustion
            slow = 0.6 * theta[p.IGNITION + cylinder] + 12.0 * short + 4.0 * theta[p.LEAK_RUNNER + cylinder]
            slow += 8.0 * max(0.0, theta[p.INJECTOR_DRIP + cylinder] - 0.4)
        out[c.SEG + cylinder] = slow + 30.0 * squeeze
        out[c.INJ + cylinder] = cylinder_lean(case, cylinder, 2)


@njit(cache=True, nogil=True, error_model="numpy")
def rest(case: Case, out: Floats) -> None:
    """Cams, vapour, tank, torque losses, coolant."""
    theta, around = case.theta, case.around
    for bank in range(2):
        for cam in range(2):
            out[c.CAM + 2 * bank + cam] = theta[p.CAM_STRETCH + bank] + theta[p.PHASER + 2 * bank + cam]
    out[c.PURGE] = -160.0 * theta[p.PURGE_LEAK]
    out[c.VAPOUR] = around.vapour - 10.0 - 12.0 * theta[p.PURGE_LEAK]
    out[c.EVAP] = theta[p.EVAP_HOLE] + 0.012 * (around.ambient - 12.0) - 5.0 * theta[p.PURGE_LEAK]
    out[c.TORQUE] = theta[p.DRAG] + around.friction
    out[c.TORQUE_AC] = theta[p.DRAG_AC] + 0.06 * (around.ambient - 20.0)
    out[c.TORQUE_ALT] = theta[p.DRAG_ALT] + around.electric + 1.2 * theta[p.SUPPLY]
    cooled = max(0.0, theta[p.THERMOSTAT] * (1.0 + 0.02 * (5.0 - around.ambient)))
    out[c.COOLANT] = theta[p.COOLANT_BIAS] - cooled + 0.5 * theta[p.SUPPLY]


@njit(cache=True, nogil=True, error_model="numpy")
def mean_free(family: Floats, values: Floats) -> None:
    """Take the mean out of crank segments (engine) and injector balance (bank), as modules do."""
    count = int(family[CYLINDERS])
    sums = np.zeros(3)  # injectors of bank 1, of bank 2, segments
    members = np.zeros(2)
    for cylinder in range(count):
        bank = int(family[BANK_OF + cylinder])
        sums[bank] += values[c.INJ + cylinder]
        members[bank] += 1.0
        sums[2] += values[c.SEG + cylinder]
    for cylinder in range(count):
        bank = int(family[BANK_OF + cylinder])
        values[c.INJ + cylinder] -= sums[bank] / members[bank]
        values[c.SEG + cylinder] -= sums[2] / count


@njit(cache=True, nogil=True, error_model="numpy")
def demand(case: Case, out: Floats) -> None:
    """What every correction of one engine must come to, less its neutral value; written to `out` (73).

    Entries of corrections that the family lacks mean nothing. The short-term trim left over and the taking out of
    means belong to the module: they need the disturbances of the day.
    """
    fuel(case, out)
    idle_air(case, out)
    air(case, out)
    exhaust(case, out)
    cylinders(case, out)
    rest(case, out)
