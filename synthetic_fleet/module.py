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
from synthetic_fleet import state as s
from synthetic_fleet.engine import Floats
from synthetic_fleet.state import Array, Events, Fleet, Record, Today, World
from synthetic_fleet.stream import bell, uniform

WARMUPS_A_DAY = 2.5
FORGET_WARMUPS = 40.0  # warm-up cycles without the fault until a code is erased, usual practice
PENDING, CONFIRMED = 1, 2
STANDSTILL = 10  # region: the tank is watched while parked
NOT_YET = -1  # the limit has not been met
SHORT_TERM = 20.3  # authority of the short-term trim, %
SLOW_KEPT = math.exp(-1.0 / 9.0)  # share of a slow state kept from day to day: what is in the tank, how the oil is


class Desk(NamedTuple):
    """Room for one engine's reckoning, used again for every row."""

    theta: Floats  # [3, parameters]: today's, today's again, those of an engine without defects
    learned: Floats  # [3, corrections]: what is learned, the noise-free deviation, nothing
    demand: Floats  # [3, corrections] of these: what each correction must come to, that without noise, that of health
    hours: Floats  # [corrections] of today in which each is learned
    hit: Array  # bool [codes]: found today


@njit(cache=True, nogil=True, error_model="numpy")
def drive(me: Record, today: Today, world: World) -> float:
    """Hours of ignition on today; clock, odometer and the slow states move with them."""
    factor = today.factor[me.duty]
    me.hours = 0.0
    if factor <= 0.0 or uniform(me) > 0.96:
        return 0.0
    me.hours = me.use * factor * (0.6 + 0.8 * uniform(me))
    me.clock += me.hours
    me.km += me.hours * me.kmh
    me.warmups += WARMUPS_A_DAY
    jump = today.dose * math.sqrt(1.0 - SLOW_KEPT * SLOW_KEPT)
    for k in range(s.SLOW):
        me.slow[k] = SLOW_KEPT * me.slow[k] + jump * me.scatter * world.slow_noise[k] * bell(me)
    return float(me.hours)


@njit(cache=True, nogil=True, error_model="numpy")
def ail(me: Record, ills: Array, ambient: float, theta: Floats) -> bool:
    """Let the vehicle's defects grow and act: theta becomes today's parameters; true if there is any defect."""
    theta[:] = 0.0
    wear = me.hours / max(me.use, 0.1)
    ailing = False
    for slot in range(s.SLOTS):
        ill = ills[slot]
        if ill.law >= 0:
            ailing = True
            growth.grow(ill, wear, me)
            if growth.acts(ill, ambient, me):
                for k in range(s.PARTS):
                    if ill.part[k] >= 0:
                        theta[ill.part[k]] += ill.change[k] * ill.severity
    return ailing


@njit(cache=True, nogil=True, error_model="numpy")
def burn(me: Record, family: Floats, theta: Floats) -> None:
    """Misfire and dripping fuel burn in the catalyst and cost it storage, for good; theta takes it in."""
    for cylinder in range(int(family[e.CYLINDERS])):
        unburnt = theta[p.IGNITION + cylinder] + 15.0 * max(0.0, theta[p.INJECTOR_DRIP + cylinder] - 0.3)
        me.burnt[int(family[e.BANK_OF + cylinder])] += 3e-5 * unburnt * me.hours
    for bank in range(2):
        theta[p.CATALYST_LOSS + bank] += me.burnt[bank]


@njit(cache=True, nogil=True, error_model="numpy")
def surroundings(me: Record, weather: Floats) -> e.Around:
    """Today's surroundings of one vehicle out of its depot's weather and fuel and its own slow states."""
    return e.Around(
        weather[0],
        weather[1],
        weather[2],
        weather[3] + me.slow[s.FUEL],
        weather[4] + me.slow[s.OCTANE],
        max(0.0, 10.0 + 0.45 * (weather[0] - 12.0) + me.slow[s.VAPOUR]),
        me.slow[s.FRICTION] + 0.02 * max(0.0, 10.0 - weather[0]),
        me.slow[s.ELECTRIC] + 0.03 * max(0.0, 8.0 - weather[0]),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def scatter(me: Record, case: e.Case, target: Floats) -> None:
    """What sticks, rattles or flickers: scatter from day to day that grows with the defect."""
    theta, family = case.theta, case.family
    for state in range(4):
        cold = 1.0 + 0.03 * max(0.0, 10.0 - case.around.ambient)
        target[c.IAC + state] += theta[p.VALVE_STICK] * cold * (0.4 + 0.9 * bell(me))
        target[c.CAM + state] += theta[p.PHASER_LOOSE + state] * (0.5 + bell(me))
    flicker = theta[p.SUPPLY] * bell(me)
    target[c.CLOSED] += 0.006 * flicker
    for bank in range(2):
        target[c.HEATER + bank] += 3.0 * flicker
        target[c.POST + bank] += 0.8 * theta[p.CATALYST_LOSS + bank] * bell(me)
    for cylinder in range(int(family[e.CYLINDERS])):
        companion = int(family[e.COMPANION + cylinder])
        if companion > cylinder:  # the two share a segment of the wheel
            jump = theta[p.CRANK_GAP] * bell(me)
            target[c.SEG + cylinder] += jump
            target[c.SEG + companion] += jump


@njit(cache=True, nogil=True, error_model="numpy")
def disturb(me: Record, today: Today, world: World, target: Floats) -> None:
    """The vehicle's own normal, its age, the day's disturbances and the slow wander, put on what the engine demands."""
    keep = math.exp(-1.0 / world.memory_days)
    jump = today.dose * math.sqrt(1.0 - keep * keep)
    for k in range(c.COUNT):
        setting = world.settings[k]
        me.disturbance[k] = keep * me.disturbance[k] + jump * me.scatters[k] * setting.noise * bell(me)
        if today.number % 7 == 0:  # memory of 280 days
            slow = 0.222 * today.wander * world.wander * setting.noise * bell(me)
            me.wander[k] = 0.975 * me.wander[k] + slow
        target[k] += me.own[k] + setting.ageing * me.km + me.disturbance[k] + me.wander[k]
    for bank in range(2):
        low = c.LTFT + 4 * bank + 1
        target[c.STFT + bank] += 0.25 * (target[low] - me.learned[low])


@njit(cache=True, nogil=True, error_model="numpy")
def hours_to_learn(me: Record, ambient: float, world: World, hours: Floats) -> None:
    """Hours of today in which each correction is learned."""
    for k in range(c.COUNT):
        region = world.settings[k].region
        hours[k] = me.hours * me.regions[region]
        fuel = k < c.IAC or c.MAF <= k < c.MAF + 5
        if me.stopped and fuel:
            hours[k] = 0.0
        if region == STANDSTILL and (ambient < 4.0 or ambient > 32.0):
            hours[k] = 0.0
    if ambient < 16.0:  # air conditioning is off
        hours[c.IAC + 2] = 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def learn(me: Record, world: World, desk: Desk) -> None:
    """Move every correction towards its target, and mark the codes whose limit is met."""
    monitors = world.monitors
    for k in range(c.COUNT):
        if desk.hours[k] <= 0.0:
            continue
        setting = world.settings[k]
        gain = desk.hours[k] / (desk.hours[k] + setting.learn_hours)
        low, high = setting.low - setting.neutral, setting.high - setting.neutral
        value = min(max(me.learned[k] + gain * (desk.demand[0, k] - me.learned[k]), low), high)
        me.learned[k] = value
        if k < c.ADD:  # fuel: long-term and short-term together
            value += min(max(desk.demand[0, k] - value, -SHORT_TERM), SHORT_TERM)
        if value >= high - setting.resolution and monitors.high[me.family, k] >= 0:
            desk.hit[monitors.high[me.family, k]] = True
        elif value <= low + setting.resolution and monitors.low[me.family, k] >= 0:
            desk.hit[monitors.low[me.family, k]] = True


@njit(cache=True, nogil=True, error_model="numpy")
def depart(me: Record, number: int, world: World, desk: Desk) -> None:
    """The noise-free deviation from health, learned at the module's own pace, and when it would meet a limit."""
    monitors = world.monitors
    for k in range(c.COUNT):
        if desk.hours[k] <= 0.0:
            continue
        setting = world.settings[k]
        gain = desk.hours[k] / (desk.hours[k] + setting.learn_hours)
        low, high = setting.low - setting.neutral, setting.high - setting.neutral
        moved = me.deviation[k] + gain * (desk.demand[1, k] - desk.demand[2, k] - me.deviation[k])
        me.deviation[k] = moved if abs(moved) > 1e-4 * (high - low) else 0.0
        level = moved + me.own[k] + me.wander[k] + setting.ageing * me.km
        above = level >= high - setting.resolution and monitors.high[me.family, k] >= 0
        below = level <= low + setting.resolution and monitors.low[me.family, k] >= 0
        if (above or below) and me.crossed[k] == NOT_YET:
            me.crossed[k] = number


@njit(cache=True, nogil=True, error_model="numpy")
def watch(family: int, world: World, desk: Desk) -> int:
    """Mark the codes whose parameter is beyond its threshold; returns the code that sets at once, or -1."""
    monitors = world.monitors
    at_once = -1
    for k in range(monitors.part.shape[0]):
        code = monitors.code[family, k]
        if code >= 0 and desk.theta[0, monitors.part[k]] >= monitors.at[k]:
            desk.hit[code] = True
            if monitors.once[k]:
                at_once = code
    return at_once


@njit(cache=True, nogil=True, error_model="numpy")
def remember(code: Record, found: bool, at_once: bool, clock: float) -> bool:
    """The two-drive logic of one code: pending, then confirmed; erased when long clean. True if confirmed now."""
    code.present = found
    if not found:
        if code.status > 0:
            code.clean += WARMUPS_A_DAY
            if code.status == PENDING or code.clean >= FORGET_WARMUPS:
                code.status = 0
                code.occurrences = 0
        return False
    fresh = code.status < CONFIRMED and (at_once or code.status == PENDING)
    if fresh:
        code.status = CONFIRMED
        code.set_clock = clock
        code.occurrences += 1
    elif code.status == 0:
        code.status = PENDING
    elif code.clean > 0.0:
        code.occurrences += 1
    code.clean = 0.0
    return bool(fresh)


@njit(cache=True, nogil=True, error_model="numpy")
def respond(me: Record, ills: Array, today: Today, world: World, desk: Desk) -> None:
    """What the engine asks of the module today and what the module learns of it; the truth beside it."""
    family = world.families[me.family]
    around = surroundings(me, today.weather[me.depot])
    departed = ail(me, ills, around.ambient, desk.theta[0])
    burn(me, family, desk.theta[0])
    for k in range(p.COUNT):
        desk.theta[1, k] = desk.theta[0, k]
        departed = departed or desk.theta[0, k] != 0.0
    for k in range(c.COUNT):
        desk.learned[0, k], desk.learned[1, k] = me.learned[k], me.deviation[k]
        departed = departed or me.deviation[k] != 0.0
    desk.demand[:] = 0.0
    for turn in range(3 if departed else 1):  # as it is; without noise; without noise and defects
        case = e.Case(desk.theta[turn], family, around, desk.learned[turn])
        e.demand(case, desk.demand[turn])
        if turn == 0:
            if departed:
                scatter(me, case, desk.demand[0])
            disturb(me, today, world, desk.demand[0])
        e.mean_free(family, desk.demand[turn])
    hours_to_learn(me, around.ambient, world, desk.hours)
    learn(me, world, desk)
    if departed:
        depart(me, today.number, world, desk)


@njit(cache=True, nogil=True, error_model="numpy")
def live_one_day(today: Today, world: World, fleet: Fleet, events: Events) -> None:
    """Advance all active rows by one day, in place; `events` is filled with the codes confirmed today."""
    codes = fleet.memory.shape[1]
    desk = Desk(
        np.zeros((3, p.COUNT)),
        np.zeros((3, c.COUNT)),
        np.zeros((3, c.COUNT)),
        np.zeros(c.COUNT),
        np.zeros(codes, np.bool_),
    )
    events.total[0] = 0
    for row in range(fleet.vehicles.shape[0]):
        me = fleet.vehicles[row]
        if not me.active or drive(me, today, world) <= 0.0:
            continue
        desk.hit[:] = False
        respond(me, fleet.defects[row], today, world, desk)
        at_once = watch(me.family, world, desk)
        me.stopped = False
        for k in range(codes):
            code = fleet.memory[row, k]
            fresh = remember(code, desk.hit[k], k == at_once, me.clock)
            if fresh and events.total[0] < events.row.shape[0]:
                events.row[events.total[0]] = row
                events.code[events.total[0]] = k
                events.total[0] += 1
            if desk.hit[k] and world.monitors.stops[k] and code.status == CONFIRMED:
                me.stopped = True
