"""What happens to a module that is no repair: power lost, calibrations programmed, modules replaced, service begun."""

import numpy as np

from synthetic_fleet.constants import Constants
from synthetic_fleet.corrections import COUNT
from synthetic_fleet.state import Array
from synthetic_fleet.vehicles import Act
from synthetic_fleet.workshop import Job, Workshop


def happen(workshop: Workshop, row: int, act: Act) -> list[Act]:
    """Carry out an act on a row of the block; what follows from it later."""
    vehicles = workshop.fleet.vehicles
    if act.kind == "begin":
        workshop.begin(row, act.what)
    elif act.kind in ("join", "retire"):
        vehicles.active[row] = act.kind == "join"
    elif not vehicles.active[row]:
        return []
    elif act.kind == "lamp":
        return workshop.after_lamp(row, act.day)
    elif act.kind == "preventive":
        return workshop.preventive(row, act.day)
    elif act.kind in ("asked", "certain"):
        return workshop.asked(row, act.day, act.what, certain=act.kind == "certain")
    else:
        {"power_loss": lose_power, "program": program, "module": replace_module}[act.kind](workshop, row, act)
    return []


def lose_power(workshop: Workshop, row: int, act: Act) -> None:
    """The battery was off: the clock restarts, and what the family's module loses is lost."""
    vehicle, scenario = workshop.vehicles[row], workshop.constants.scenario
    empties = workshop.constants.families[vehicle.family]["power_loss_empties"]
    workshop.fleet.vehicles.clock[row] = 0.0
    if "codes" in empties:
        workshop.empty_memory(row)
    recorded = bool(vehicle.rng.random() < scenario["workshop"]["power_loss_recorded"])
    if "values" in empties:
        workshop.reset(row, act.day, "values_lost_with_power", recorded=recorded)
    workshop.happen(row, act.day, "power_loss", recorded=recorded)
    if recorded:
        workshop.write(row, act.day, Job(kind="power_loss", component="battery", labour=0.3))


def program(workshop: Workshop, row: int, act: Act) -> None:
    """A new calibration: other base maps, so other normal means; everything is learned anew."""
    vehicle, vehicles = workshop.vehicles[row], workshop.fleet.vehicles
    shift = calibration_shift(workshop.constants, vehicle.family, act.what)
    vehicles.own[row] += shift - calibration_shift(workshop.constants, vehicle.family, vehicle.calibration)
    vehicle.calibration = act.what
    name = workshop.constants.families[vehicle.family]["calibrations"][act.what]["name"]
    workshop.empty_memory(row)
    workshop.reset(row, act.day, "calibration", recorded=True)
    job = Job(kind="programming", component="module", labour=0.5, reset=True, codes=True, note=name)
    workshop.write(row, act.day, job)


def calibration_shift(constants: Constants, family: int, number: int) -> Array:
    """By how much a calibration moves the normal means; it depends on its name alone. The first moves nothing."""
    if number == 0:
        return np.zeros(COUNT)
    name = constants.families[family]["calibrations"][number]["name"]
    rng = np.random.default_rng([*name.encode()])
    moved = rng.random(COUNT) < 0.25
    return np.asarray(moved * rng.standard_normal(COUNT) * 1.5 * constants.world.settings.noise)


def replace_module(workshop: Workshop, row: int, act: Act) -> None:
    """Another engine control module: new, or out of another vehicle and with that vehicle's history in it."""
    vehicle, vehicles = workshop.vehicles[row], workshop.fleet.vehicles
    rng, scenario = vehicle.rng, workshop.constants.scenario
    used = bool(rng.random() < scenario["workshop"]["module_used_share"])
    vehicle.module = vehicle.module[:-1] + chr(ord(vehicle.module[-1]) + 1)
    workshop.empty_memory(row)
    workshop.reset(row, act.day, "module", recorded=True)
    vehicles.clock[row] = 0.0
    if used:
        vehicle.module = "U" + vehicle.module[1:]
        vehicles.clock[row] = rng.uniform(300, 6000)
        vehicles.learned[row] = 2.0 * workshop.constants.world.settings.noise * rng.standard_normal(COUNT)
    job = Job(
        kind="module_replacement",
        component="module",
        labour=1.5,
        reset=not used,
        codes=True,
        note="used module" if used else None,
    )
    workshop.write(row, act.day, job)
