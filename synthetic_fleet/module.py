"""One day of every vehicle: use, growth of defects, physics, learning, fault memory. Compiled; no file, no table.

The module integrates what feedback had to add: each correction moves to what the engine demands with its time
constant in ignition-on hours of its region, within its authority. A limit met on two driven days running confirms a
code; a code erases itself after 40 clean warm-ups.
"""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from synthetic_fleet import engine as e
from synthetic_fleet import growth
from synthetic_fleet import parameters as p
from synthetic_fleet.corrections import (
    ADD,
    BARO,
    CAM,
    CLOSED,
    COUNT,
    HEATER,
    IAC,
    INJ,
    LTFT,
    MAF,
    SEG,
    STFT,
)
from synthetic_fleet.stream import bell, uniform

Floats = npt.NDArray[np.float64]

SLOTS = 4  # defects at once
PARTS = 3  # physical parameters that one defect changes
WARMUPS_A_DAY = 2.5
FORGET_WARMUPS = 40  # SAE J2012 practice: warm-up cycles without the fault until a code is erased
# Slow states of a vehicle: what the tank holds, how the oil is, what runs.
FUEL, OCTANE, VAPOUR, FRICTION, ELECTRIC = range(5)
SLOW = 5


@njit(cache=True, nogil=True)
def parameters_today(theta, row, law, severity, on, part, size, ambient, streams):  # type: ignore[no-untyped-def]
    """Fill theta with what the row's defects make of a healthy engine; true if any acts."""
    theta[:] = 0.0
    acting = False
    for slot in range(SLOTS):
        if law[row, slot] < 0:
            continue
        acting = True
        on[row, slot] = growth.shows(law[row, slot], on[row, slot], ambient, streams, row)
        if not on[row, slot]:
            continue
        for k in range(PARTS):
            if part[row, slot, k] >= 0:
                theta[part[row, slot, k]] += size[row, slot, k] * severity[row, slot]
    return acting


@njit(cache=True, nogil=True)
def mean_free(values, family):  # type: ignore[no-untyped-def]
    """Take the mean out of crank segments (engine) and injector balance (bank), as modules do."""
    count = int(family[e.CYLINDERS])
    mean = 0.0
    for c in range(count):
        mean += values[SEG + c] / count
    for c in range(count):
        values[SEG + c] -= mean
    for bank in range(int(family[e.BANKS])):
        total, members = 0.0, 0
        for c in range(count):
            if int(family[e.BANK_OF + c]) == bank:
                total += values[INJ + c]
                members += 1
        for c in range(count):
            if int(family[e.BANK_OF + c]) == bank:
                values[INJ + c] -= total / max(members, 1)


@njit(cache=True, nogil=True)
def scatter(theta, family, target, ambient, streams, row):  # type: ignore[no-untyped-def]
    """What sticks, rattles or flickers: scatter from day to day that grows with the defect."""
    if theta[p.VALVE_STICK] > 0.0:
        cold = 1.0 + 0.03 * max(0.0, 10.0 - ambient)
        for state in range(4):
            target[IAC + state] += theta[p.VALVE_STICK] * cold * (0.6 + 0.8 * bell(streams, row))
    if theta[p.CRANK_GAP] > 0.0:
        for cylinder in range(int(family[e.CYLINDERS])):
            companion = int(family[e.COMPANION + cylinder])
            if companion > cylinder:  # the two share a segment of the wheel
                jump = theta[p.CRANK_GAP] * bell(streams, row)
                target[SEG + cylinder] += jump
                target[SEG + companion] += jump
    for cam in range(4):
        if theta[p.PHASER_LOOSE + cam] > 0.0:
            target[CAM + cam] += theta[p.PHASER_LOOSE + cam] * (0.5 + bell(streams, row))
    if theta[p.SUPPLY] > 0.0:
        flicker = theta[p.SUPPLY] * bell(streams, row)
        for bank in range(int(family[e.BANKS])):
            target[HEATER + bank] += 3.0 * flicker
        target[CLOSED] += 0.006 * flicker


@njit(cache=True, nogil=True)
def surroundings(around, weather, depot, slow, row, cold_duty):  # type: ignore[no-untyped-def]
    """Today's surroundings of one vehicle out of its depot's weather and its own slow states."""
    around[e.AMBIENT] = weather[depot, 0]
    around[e.AIR_KPA] = weather[depot, 1]
    around[e.FUEL_ETHANOL] = weather[depot, 2]
    around[e.FUEL_TRIM] = weather[depot, 3] + slow[row, FUEL]
    around[e.OCTANE] = weather[depot, 4] + slow[row, OCTANE]
    around[e.VAPOUR_LOAD] = max(0.0, 10.0 + 0.45 * (weather[depot, 0] - 12.0) + slow[row, VAPOUR])
    around[e.FRICTION] = slow[row, FRICTION] + 0.02 * max(0.0, 10.0 - weather[depot, 0])
    around[e.ELECTRIC] = slow[row, ELECTRIC] + 0.03 * max(0.0, 8.0 - weather[depot, 0])
    around[e.COLD_SHARE] = cold_duty


@njit(cache=True, nogil=True)
def live_one_day(  # type: ignore[no-untyped-def]
    day, weather, week_factor, families, settings, rows, defects, memory, codes, events, dose
):
    """Advance all rows by one day in place.

    Args:
        day: Days since the start.
        weather: [depots, 5] of the day: degC, kPa, ethanol over 8 %, fuel trim %, octane short (deg).
        week_factor: [duties] share of an average day's use that this day of the week brings; 0: a day off.
        families: [families, FAMILY_SIZE].
        settings: Constants of the corrections (see `fleet.Constants`).
        rows: Arrays of the vehicles (see `fleet.Rows`).
        defects: Arrays of the defects.
        memory: Arrays of the fault memory.
        codes: Tables of monitors.
        events: (buffer [capacity, 4], count [1]): row, code, clock, demand of codes confirmed today.
        dose: Scale of random healthy disturbances (1; 0: noise-free).
    """
    neutral, low, high, resolution, hours_needed, region, noise, days_memory, wander_share, ageing = settings
    (active, family_of, depot_of, duty_of, use, region_share, streams, learned, disturbance, wander, base, slow,
     deviation, crossed, clock, km, kmh, warmups, distance_clear, hours_day, stopped) = rows  # fmt: skip
    law, severity, rate, level, on, part, size = defects
    status, clean, occurrences, set_clock, set_day, present = memory
    code_high, code_low, extra_part, extra_limit, extra_code, extra_once, stops = codes
    theta = np.zeros(p.COUNT)
    healthy = np.zeros(p.COUNT)
    around = np.zeros(e.SURROUNDINGS_SIZE)
    target = np.zeros(COUNT)
    ideal = np.zeros(COUNT)
    normal = np.zeros(COUNT)
    none = np.zeros(COUNT)
    hit = np.zeros(status.shape[1], np.bool_)
    for row in range(active.shape[0]):
        hours_day[row] = 0.0
        if not active[row]:
            continue
        factor = week_factor[duty_of[row]]
        if factor <= 0.0 or uniform(streams, row) > 0.96:
            continue
        family = families[family_of[row]]
        hours = use[row] * factor * (0.6 + 0.8 * uniform(streams, row))
        hours_day[row] = hours
        clock[row] += hours
        km[row] += hours * kmh[row]
        distance_clear[row] += hours * kmh[row]
        warmups[row] += WARMUPS_A_DAY
        ambient = weather[depot_of[row], 0]
        for s in range(SLOW):
            keep = math.exp(-1.0 / 9.0)
            slow[row, s] = keep * slow[row, s] + dose * math.sqrt(1.0 - keep * keep) * noise[COUNT + s] * bell(
                streams, row
            )
        for slot in range(SLOTS):
            if law[row, slot] >= 0:
                severity[row, slot] = growth.grown(
                    law[row, slot],
                    severity[row, slot],
                    rate[row, slot],
                    level[row, slot],
                    hours / max(use[row], 0.1),
                    streams,
                    row,
                )
        surroundings(around, weather, depot_of[row], slow, row, 0.0)
        acting = parameters_today(theta, row, law, severity, on, part, size, ambient, streams)
        e.demand(theta, family, around, learned[row], target)
        unsettled = acting
        if not acting:
            for c in range(COUNT):
                if deviation[row, c] != 0.0:
                    unsettled = True
                    break
        if unsettled:
            e.demand(theta, family, around, deviation[row], ideal)
            e.demand(healthy, family, around, none, normal)
        for c in range(COUNT):
            keep = math.exp(-1.0 / days_memory[c])
            disturbance[row, c] = keep * disturbance[row, c] + dose * math.sqrt(1.0 - keep * keep) * noise[c] * bell(
                streams, row
            )
            if day % 7 == 0:
                wander[row, c] = 0.975 * wander[row, c] + dose * 0.222 * wander_share[c] * noise[c] * bell(streams, row)
            target[c] += disturbance[row, c] + wander[row, c] + base[row, c] + ageing[c] * km[row] * 1e-3
        if acting:
            scatter(theta, family, target, ambient, streams, row)
        for bank in range(2):
            target[STFT + bank] += 0.25 * (target[LTFT + 4 * bank + 1] - learned[row, LTFT + 4 * bank + 1])
        mean_free(target, family)
        hit[:] = False
        for c in range(COUNT):
            spent = hours * region_share[row, region[c]]
            if c == IAC + 2 and ambient < 16.0:
                spent = 0.0
            if region[c] == 10 and (ambient < 4.0 or ambient > 32.0):
                spent = 0.0
            if stopped[row] and (c < IAC or MAF <= c < MAF + 5):
                spent = 0.0
            gain = 1.0 - math.exp(-spent / hours_needed[c]) if spent > 0.0 else 0.0
            value = learned[row, c] + gain * (target[c] - learned[row, c])
            learned[row, c] = min(max(value, low[c] - neutral[c]), high[c] - neutral[c])
            if unsettled and gain > 0.0:
                moved = deviation[row, c] + gain * (ideal[c] - normal[c] - deviation[row, c])
                deviation[row, c] = moved if abs(moved) > 1e-4 * (high[c] - low[c]) else 0.0
                whole = deviation[row, c] + base[row, c] + wander[row, c] + neutral[c]
                if crossed[row, c] < 0 and (
                    (code_high[family_of[row], c] >= 0 and whole >= high[c] - resolution[c])
                    or (code_low[family_of[row], c] >= 0 and whole <= low[c] + resolution[c])
                ):
                    crossed[row, c] = day
            at = learned[row, c] + neutral[c]
            if c < ADD:  # fuel: long-term and short-term together
                short = min(max(target[c] - learned[row, c], -20.3), 20.3)
                at = learned[row, c] + short
            if at >= high[c] - resolution[c] and code_high[family_of[row], c] >= 0 and gain > 0.0:
                hit[code_high[family_of[row], c]] = True
            elif at <= low[c] + resolution[c] and code_low[family_of[row], c] >= 0 and gain > 0.0:
                hit[code_low[family_of[row], c]] = True
        once = -1
        for k in range(extra_part.shape[0]):
            if extra_code[family_of[row], k] >= 0 and theta[extra_part[k]] >= extra_limit[k]:
                hit[extra_code[family_of[row], k]] = True
                if extra_once[k]:
                    once = extra_code[family_of[row], k]
        stopped[row] = False
        for k in range(status.shape[1]):
            present[row, k] = hit[k]
            if hit[k]:
                if status[row, k] == 0 and k != once:
                    status[row, k] = 1
                elif status[row, k] < 2:
                    status[row, k] = 2
                    set_clock[row, k] = clock[row]
                    set_day[row, k] = day
                    occurrences[row, k] += 1
                    position = events[1][0]
                    if position < events[0].shape[0]:
                        events[0][position, 0] = row
                        events[0][position, 1] = k
                        events[0][position, 2] = clock[row]
                        events[0][position, 3] = hours
                        events[1][0] = position + 1
                elif clean[row, k] > 0.0:
                    occurrences[row, k] += 1
                clean[row, k] = 0.0
                if status[row, k] == 2 and stops[k]:
                    stopped[row] = True
            elif status[row, k] > 0:
                clean[row, k] += WARMUPS_A_DAY
                if status[row, k] == 1 or clean[row, k] >= FORGET_WARMUPS:
                    status[row, k] = 0
                    occurrences[row, k] = 0
