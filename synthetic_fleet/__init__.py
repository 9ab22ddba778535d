"""Makes a fleet with known truth: engines, modules, defects, workshops, weather and dirt. Knows nothing of pipelines."""

from synthetic_fleet.scenario import Scenario, ScenarioError, demo_text, read_scenario
from synthetic_fleet.simulate import simulate

__all__ = ["Scenario", "ScenarioError", "demo_text", "read_scenario", "simulate"]
