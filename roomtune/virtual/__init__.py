"""The virtual room: an audio interface with a known truth."""

from roomtune.virtual.faults import Fault
from roomtune.virtual.room import VirtualRoom
from roomtune.virtual.scenario import Scenario, load_scenario, shipped_scenarios

__all__ = ["Fault", "Scenario", "VirtualRoom", "load_scenario", "shipped_scenarios"]
