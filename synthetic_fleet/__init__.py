"""Makes a fleet with known truth: engines, modules, defects, workshops, weather, dirt. Knows nothing of pipelines."""

from synthetic_fleet.scenario import Scenario, ScenarioError, demo_text, read_scenario
from synthetic_fleet.simulate import Fleet, open_standard, simulate, simulate_frames

__all__ = [
    "Fleet",
    "Scenario",
    "ScenarioError",
    "demo_text",
    "open_standard",
    "read_scenario",
    "simulate",
    "simulate_frames",
]
