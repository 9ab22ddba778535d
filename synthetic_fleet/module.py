"""One day of every vehicle: use, growth of defects, physics, learning, fault memory. Compiled; no file, no table.

The module integrates what feedback had to add: each correction moves to what the engine demands with its time
constant in ignition-on hours of its region, within its authority. A limit met on two driven days running confirms a
code; a code erases itself after 40 clean warm-ups.
"""

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from synthetic_fleet import corrections as c
from synthetic_fleet import engine as e
from synthetic_fleet import growth
from synthetic_fleet import parameters as p
from synthetic_fleet.engine import Floats
from synthetic_fleet.state import (
    ELECTRIC,
    FRICTION,
    FUEL,
    OCTANE,
    PARTS,
    SLOTS,
    SLOW,
    VAPOUR,
    Array,
    Defects,
    Events,
    Fleet,
    Monitors,
    Today,
    Vehicles,
    World,
)
from synthetic_fleet.stream import bell, uniform

WARMUPS_A_DAY = 2.5
FORGET_WARMUPS = 40.0  # warm-up cycles without the fault until a code is erased, usual practice
PENDING, CONFIRMED = 1, 2
IDLE_OF_STANDSTILL = 10  # region number: the tank is watched while parked
NOT_YET = -1  # the limit has not been met
SHORT_TERM = 20.3  # authority of the short-term trim, %


class Desk(NamedTuple):
    """Room for one engine's reckoning, used again for every row."""

    theta: Floats  # today's physical parameters
    healthy: Floats  # those of an engine without defects
    target: Floats  # what each correction must come to
    ideal: Floats  # the same without noise
    normal: Floats  # the same without noise and defects
    none: Floats
    hit: Array  # bool [codes]: found today


@njit(cache=True, nogil=True, error_model="numpy")
def drive(row: int, today: Today, world: World, vehicles: Vehicles) -> float:
    """Hours of ignition on today; clock, odometer and the slow states move with them."""
    factor = today.factor[vehicles.duty[row]]
    vehicles.hours[row] = 0.0
    if factor <= 0.0 or uniform(vehicles.streams, row) > 0.96:
        return 0.0
    hours = vehicles.use[row] * factor * (0.6 + 0.8 * uniform(vehicles.streams, row))
    vehicles.hours[row] = hours
    vehicles.clock[row] += hours
    vehicles.km[row] += hours * vehicles.kmh[row]
    vehicles.warmups[row] += WARMUPS_A_DAY
    keep = math.exp(-1.0 / 9.0)
    for s in range(SLOW):
        jump = today.dose * math.sqrt(1.0 - keep * keep) * world.settings.slow_noise[s]
        vehicles.slow[row, s] = keep * vehicles.slow[row, s] + jump * bell(vehicles.streams, row)
    return float(hours)


@njit(cache=True, nogil=True, error_model="numpy")
def ail(row: int, ambient: float, vehicles: Vehicles, defects: Defects, theta: Floats) -> bool:
    """Let the row's defects grow and act: theta becomes today's parameters; true if there is any defect."""
    theta[:] = 0.0
    wear = vehicles.hours[row] / max(vehicles.use[row], 0.1)
    ailing = False
    for slot in range(SLOTS):
        law = defects.law[row, slot]
        if law < 0:
            continue
        ailing = True
        growth.grow(row, slot, wear, defects, vehicles.streams)
        if not growth.acts(row, slot, ambient, defects, vehicles.streams):
            continue
        for k in range(PARTS):
            if defects.part[row, slot, k] >= 0:
                theta[defects.part[row, slot, k]] += defects.size[row, slot, k] * defects.severity[row, slot]
    return ailing


@njit(cache=True, nogil=True, error_model="numpy")
def burn(row: int, vehicles: Vehicles, family: Floats, theta: Floats) -> None:
    """Misfire and dripping fuel burn in the catalyst and cost it storage, for good; theta takes it in."""
    for cylinder in range(int(family[e.CYLINDERS])):
        unburnt = theta[p.IGNITION + cylinder] + 15.0 * max(0.0, theta[p.INJECTOR_DRIP + cylinder] - 0.3)
        bank = int(family[e.BANK_OF + cylinder])
        vehicles.burnt[row, bank] += 3e-5 * unburnt * vehicles.hours[row]
    for bank in range(2):
        theta[p.CATALYST_LOSS + bank] += vehicles.burnt[row, bank]


@njit(cache=True, nogil=True, error_model="numpy")
def surroundings(row: int, today: Today, vehicles: Vehicles) -> e.Around:
    """Today's surroundings of one vehicle out of its depot's weather and fuel and its own slow states."""
    weather = today.weather[vehicles.depot[row]]
    slow = vehicles.slow[row]
    return e.Around(
        weather[0],
        weather[1],
        weather[2],
        weather[3] + slow[FUEL],
        weather[4] + slow[OCTANE],
        max(0.0, 10.0 + 0.45 * (weather[0] - 12.0) + slow[VAPOUR]),
        slow[FRICTION] + 0.02 * max(0.0, 10.0 - weather[0]),
        slow[ELECTRIC] + 0.03 * max(0.0, 8.0 - weather[0]),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def scatter(row: int, case: e.Case, vehicles: Vehicles, target: Floats) -> None:
    """What sticks, rattles or flickers: scatter from day to day that grows with the defect."""
    theta, family, streams = case.theta, case.family, vehicles.streams
    for state in range(4):
        cold = 1.0 + 0.03 * max(0.0, 10.0 - case.around.ambient)
        target[c.IAC + state] += theta[p.VALVE_STICK] * cold * (0.4 + 0.9 * bell(streams, row))
        target[c.CAM + state] += theta[p.PHASER_LOOSE + state] * (0.5 + bell(streams, row))
    flicker = theta[p.SUPPLY] * bell(streams, row)
    target[c.CLOSED] += 0.006 * flicker
    for bank in range(2):
        target[c.HEATER + bank] += 3.0 * flicker
        target[c.POST + bank] += 0.8 * theta[p.CATALYST_LOSS + bank] * bell(streams, row)
    for cylinder in range(int(family[e.CYLINDERS])):
        companion = int(family[e.COMPANION + cylinder])
        if companion > cylinder:  # the two share a segment of the wheel
            jump = theta[p.CRANK_GAP] * bell(streams, row)
            target[c.SEG + cylinder] += jump
            target[c.SEG + companion] += jump


@njit(cache=True, nogil=True, error_model="numpy")
def disturb(row: int, today: Today, world: World, vehicles: Vehicles, target: Floats) -> None:
    """The vehicle's own normal, its age, the day's disturbances and the slow wander, put on what the engine demands."""
    keep = math.exp(-1.0 / world.settings.memory_days)
    jump = today.dose * math.sqrt(1.0 - keep * keep)
    for k in range(c.COUNT):
        noise = world.settings.noise[k]
        step = jump * noise * bell(vehicles.streams, row)
        vehicles.disturbance[row, k] = keep * vehicles.disturbance[row, k] + step
        if today.number % 7 == 0:  # memory of 280 days
            slow = 0.222 * today.wander * world.settings.wander * noise * bell(vehicles.streams, row)
            vehicles.wander[row, k] = 0.975 * vehicles.wander[row, k] + slow
        aged = world.settings.ageing[k] * vehicles.km[row]
        target[k] += vehicles.base[row, k] + aged + vehicles.disturbance[row, k] + vehicles.wander[row, k]
    family = world.families[vehicles.family[row]]
    e.mean_free(family, target)
    for bank in range(int(family[e.BANKS])):
        low = c.LTFT + 4 * bank + 1
        target[c.STFT + bank] += 0.25 * (target[low] - vehicles.learned[row, low])


@njit(cache=True, nogil=True, error_model="numpy")
def hours_to_learn(row: int, k: int, ambient: float, world: World, vehicles: Vehicles) -> float:
    """Hours of today in which correction k is learned."""
    region = world.settings.region[k]
    hours = vehicles.hours[row] * vehicles.regions[row, region]
    if k == c.IAC + 2 and ambient < 16.0:  # air conditioning is off
        return 0.0
    if region == IDLE_OF_STANDSTILL and (ambient < 4.0 or ambient > 32.0):
        return 0.0
    if vehicles.stopped[row] and (k < c.IAC or c.MAF <= k < c.MAF + 5):
        return 0.0
    return float(hours)


@njit(cache=True, nogil=True, error_model="numpy")
def learn(row: int, today: Today, world: World, vehicles: Vehicles, desk: Desk) -> None:
    """Move every correction towards its target, and mark the codes whose limit is met."""
    settings, monitors = world.settings, world.monitors
    family = vehicles.family[row]
    ambient = today.weather[vehicles.depot[row], 0]
    for k in range(c.COUNT):
        hours = hours_to_learn(row, k, ambient, world, vehicles)
        if hours <= 0.0:
            continue
        gain = hours / (hours + settings.learn_hours[k])
        low, high = settings.low[k] - settings.neutral[k], settings.high[k] - settings.neutral[k]
        before = vehicles.learned[row, k]
        value = min(max(before + gain * (desk.target[k] - before), low), high)
        vehicles.learned[row, k] = value
        if k < c.ADD:  # fuel: long-term and short-term together
            value += min(max(desk.target[k] - value, -SHORT_TERM), SHORT_TERM)
        if value >= high - settings.resolution[k] and monitors.high[family, k] >= 0:
            desk.hit[monitors.high[family, k]] = True
        elif value <= low + settings.resolution[k] and monitors.low[family, k] >= 0:
            desk.hit[monitors.low[family, k]] = True


@njit(cache=True, nogil=True, error_model="numpy")
def depart(row: int, today: Today, world: World, vehicles: Vehicles, desk: Desk) -> None:
    """The noise-free deviation from health, learned at the module's own pace, and when it would meet a limit."""
    settings, monitors = world.settings, world.monitors
    family = vehicles.family[row]
    ambient = today.weather[vehicles.depot[row], 0]
    for k in range(c.COUNT):
        hours = hours_to_learn(row, k, ambient, world, vehicles)
        if hours <= 0.0:
            continue
        gain = hours / (hours + settings.learn_hours[k])
        low, high = settings.low[k] - settings.neutral[k], settings.high[k] - settings.neutral[k]
        before = vehicles.deviation[row, k]
        moved = before + gain * (desk.ideal[k] - desk.normal[k] - before)
        vehicles.deviation[row, k] = moved if abs(moved) > 1e-4 * (high - low) else 0.0
        level = moved + vehicles.base[row, k] + vehicles.wander[row, k] + settings.ageing[k] * vehicles.km[row]
        above = level >= high - settings.resolution[k] and monitors.high[family, k] >= 0
        below = level <= low + settings.resolution[k] and monitors.low[family, k] >= 0
        if (above or below) and vehicles.crossed[row, k] == NOT_YET:
            vehicles.crossed[row, k] = today.number


@njit(cache=True, nogil=True, error_model="numpy")
def watch(row: int, monitors: Monitors, vehicles: Vehicles, desk: Desk) -> int:
    """Mark the codes whose parameter is beyond its threshold; returns the code that sets at once, or -1."""
    at_once = -1
    for k in range(monitors.part.shape[0]):
        code = monitors.code[vehicles.family[row], k]
        if code >= 0 and desk.theta[monitors.part[k]] >= monitors.at[k]:
            desk.hit[code] = True
            if monitors.once[k]:
                at_once = code
    return at_once


@njit(cache=True, nogil=True, error_model="numpy")
def remember(row: int, at_once: int, fleet: Fleet, desk: Desk, events: Events) -> None:
    """The two-drive logic: pending on the first day, confirmed on the next driven one; erased when long clean."""
    memory, vehicles = fleet.memory, fleet.vehicles
    for k in range(desk.hit.shape[0]):
        status = memory.status[row, k]
        found = desk.hit[k]
        memory.present[row, k] = found
        if not found:
            if status == 0:
                continue
            memory.clean[row, k] += WARMUPS_A_DAY
            if status == PENDING or memory.clean[row, k] >= FORGET_WARMUPS:
                memory.status[row, k] = 0
                memory.occurrences[row, k] = 0
            continue
        if status == 0 and k != at_once:
            memory.status[row, k] = PENDING
        elif status < CONFIRMED:
            memory.status[row, k] = CONFIRMED
            memory.set_clock[row, k] = vehicles.clock[row]
            memory.occurrences[row, k] += 1
            if events.total[0] < events.row.shape[0]:
                events.row[events.total[0]] = row
                events.code[events.total[0]] = k
                events.total[0] += 1
        elif memory.clean[row, k] > 0.0:
            memory.occurrences[row, k] += 1
        memory.clean[row, k] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def live_one_day(today: Today, world: World, fleet: Fleet, events: Events) -> None:
    """Advance all active rows by one day, in place; `events` is filled with the codes confirmed today."""
    vehicles, defects, memory = fleet.vehicles, fleet.defects, fleet.memory
    desk = Desk(
        np.zeros(p.COUNT),
        np.zeros(p.COUNT),
        np.zeros(c.COUNT),
        np.zeros(c.COUNT),
        np.zeros(c.COUNT),
        np.zeros(c.COUNT),
        np.zeros(memory.status.shape[1], np.bool_),
    )
    events.total[0] = 0
    for row in range(vehicles.active.shape[0]):
        if not vehicles.active[row] or drive(row, today, world, vehicles) <= 0.0:
            continue
        family = world.families[vehicles.family[row]]
        around = surroundings(row, today, vehicles)
        ailing = ail(row, around.ambient, vehicles, defects, desk.theta)
        burn(row, vehicles, family, desk.theta)
        desk.target[:] = 0.0
        case = e.Case(desk.theta, family, around, vehicles.learned[row])
        e.demand(case, desk.target)
        if ailing:
            scatter(row, case, vehicles, desk.target)
        disturb(row, today, world, vehicles, desk.target)
        desk.hit[:] = False
        learn(row, today, world, vehicles, desk)
        if ailing or np.any(vehicles.deviation[row] != 0.0) or np.any(vehicles.burnt[row] != 0.0):
            desk.ideal[:] = 0.0
            desk.normal[:] = 0.0
            e.demand(e.Case(desk.theta, family, around, vehicles.deviation[row]), desk.ideal)
            e.demand(e.Case(desk.healthy, family, around, desk.none), desk.normal)
            e.mean_free(family, desk.ideal)
            e.mean_free(family, desk.normal)
            depart(row, today, world, vehicles, desk)
        remember(row, watch(row, world.monitors, vehicles, desk), fleet, desk, events)
        vehicles.stopped[row] = False
        for k in range(desk.hit.shape[0]):
            if desk.hit[k] and world.monitors.stops[k] and memory.status[row, k] == CONFIRMED:
                vehicles.stopped[row] = True
