"""The physical parameters of an engine that defects change; all are 0 in health unless the comment says otherwise."""

# First index of each parameter; those with a count are laid out by bank (2) or cylinder (6).
LEAK = 0  # air past the meter into the plenum, share of idle air at choked flow
LEAK_RUNNER = 1  # 6: the same into one runner, share of the cylinder's idle air
HOSE = 7  # air drawn between meter and plate, share of all air
METER_LOSS = 8  # meter reads less, growing with flow: share at full flow
METER_GAIN = 9  # meter reads more at all flows: share
PUMP_LOSS = 10  # pressure lost at full fuel flow, share of nominal
PRESSURE_FIXED = 11  # regulator sits high, share of nominal
PRESSURE_RETURN = 12  # return line restricted: excess at idle, share of nominal
PRESSURE_VACUUM = 13  # vacuum reference lost, 0-1
INJECTOR_SHORT = 14  # 6: flow lost, share
INJECTOR_DRIP = 20  # 6: fuel dripping, share of the cylinder's idle fuel
O2_BIAS = 26  # 2: sensor reads lean by, mlambda
O2_SLOW = 28  # 2: added delay, ms
HEATER_LOSS = 30  # 2: heater power lost, share
EXHAUST_LEAK = 32  # 2: air drawn in at idle, share of the exhaust
CATALYST_LOSS = 34  # 2: oxygen storage lost, ratio
PLATE_DIRT = 36  # area lost at small openings, share
PLATE_OPEN = 37  # plate rests further open, V of its sensor
PLATE_SENSOR = 38  # plate sensor alone moved, V
VALVE_STICK = 39  # idle valve's hysteresis, duty points
VALVE_BIAS = 40  # idle valve flows less at the same duty, duty points
PURGE_LEAK = 41  # share of idle air through the shut valve
EVAP_HOLE = 42  # tank leak, Pa/s
COOLANT_BIAS = 43  # sensor reads hotter by, degC
THERMOSTAT = 44  # degC lost when driving at 0 degC
IGNITION = 45  # 6: combustion missed, per cent of cycles
COMPRESSION = 51  # 6: work lost, share
CARBON = 57  # octane demand risen at high load, deg of retard
KNOCK_LOOSE = 58  # 2: false knock heard, deg of retard
CAM_STRETCH = 60  # 2: both cams of a bank late, deg crank
PHASER = 62  # 4: one cam late at rest, deg crank (bank x intake, exhaust)
PHASER_LOOSE = 66  # 4: scatter of that cam, deg crank
CRANK_GAP = 70  # scatter of segment times, permille
EGR_BLOCK = 71  # flow lost, per cent
EGR_LEAK = 72  # flow through the shut valve, per cent
MAP_BIAS = 73  # manifold sensor reads low by, kPa
DRAG = 74  # Nm at the crank
DRAG_AC = 75  # Nm
DRAG_ALT = 76  # Nm
OIL_FUEL = 77  # fuel in the oil, share of idle fuel that boils out
SUPPLY = 78  # V lost to sensors and heaters
SWAPPED = 79  # upstream sensors swapped, 0 or 1
EXHAUST_BLOCK = 80  # air lost at high load, share
FUEL_OFF = 81  # fuel leaner than its grade, per cent of trim
FUEL_ETHANOL = 82  # ethanol beyond the grade, per cent
FUEL_OCTANE = 83  # octane short, deg of retard
CIRCUIT = 84  # 12: circuits that open without a warning, 0 or 1
COUNT = 96

# name -> (first index, how many: 1 the engine, 2 a bank each, 4 a cam each, 6 a cylinder each, 12 a circuit each)
PLACES = {
    "leak": (LEAK, 1),
    "leak_runner": (LEAK_RUNNER, 6),
    "hose": (HOSE, 1),
    "meter_loss": (METER_LOSS, 1),
    "meter_gain": (METER_GAIN, 1),
    "pump_loss": (PUMP_LOSS, 1),
    "pressure_fixed": (PRESSURE_FIXED, 1),
    "pressure_return": (PRESSURE_RETURN, 1),
    "pressure_vacuum": (PRESSURE_VACUUM, 1),
    "injector_short": (INJECTOR_SHORT, 6),
    "injector_drip": (INJECTOR_DRIP, 6),
    "o2_bias": (O2_BIAS, 2),
    "o2_slow": (O2_SLOW, 2),
    "heater_loss": (HEATER_LOSS, 2),
    "exhaust_leak": (EXHAUST_LEAK, 2),
    "catalyst_loss": (CATALYST_LOSS, 2),
    "plate_dirt": (PLATE_DIRT, 1),
    "plate_open": (PLATE_OPEN, 1),
    "plate_sensor": (PLATE_SENSOR, 1),
    "valve_stick": (VALVE_STICK, 1),
    "valve_bias": (VALVE_BIAS, 1),
    "purge_leak": (PURGE_LEAK, 1),
    "evap_hole": (EVAP_HOLE, 1),
    "coolant_bias": (COOLANT_BIAS, 1),
    "thermostat": (THERMOSTAT, 1),
    "ignition": (IGNITION, 6),
    "compression": (COMPRESSION, 6),
    "carbon": (CARBON, 1),
    "knock_loose": (KNOCK_LOOSE, 2),
    "cam_stretch": (CAM_STRETCH, 2),
    "phaser": (PHASER, 4),
    "phaser_loose": (PHASER_LOOSE, 4),
    "crank_gap": (CRANK_GAP, 1),
    "egr_block": (EGR_BLOCK, 1),
    "egr_leak": (EGR_LEAK, 1),
    "map_bias": (MAP_BIAS, 1),
    "drag": (DRAG, 1),
    "drag_ac": (DRAG_AC, 1),
    "drag_alt": (DRAG_ALT, 1),
    "oil_fuel": (OIL_FUEL, 1),
    "supply": (SUPPLY, 1),
    "swapped": (SWAPPED, 1),
    "exhaust_block": (EXHAUST_BLOCK, 1),
    "fuel_off": (FUEL_OFF, 1),
    "fuel_ethanol": (FUEL_ETHANOL, 1),
    "fuel_octane": (FUEL_OCTANE, 1),
    "circuit": (CIRCUIT, 12),
}
