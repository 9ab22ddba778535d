"""What work and standing still cost where the fleet's own tables say nothing."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class CostAssumptions:
    """Assumptions of the work plan, in the fleet's currency; our judgement, to be replaced by the fleet's figures."""

    labour_per_hour: float = 70.0
    labour_hours: float = 1.5  # of a component that the fleet's table lacks
    reading_hours: float = 0.3  # of a reading at the reader, without other work
    part: float = 120.0  # of such a component
    breakdown: float = 600.0  # towing, a replacement vehicle, a late delivery
    strand_share: float = 0.1  # share of faults that strand the vehicle
    downtime_per_day: float = 150.0
    unplanned_days: float = 1.0  # a vehicle stands for an unplanned repair
    working_day_hours: float = 8.0
    off_road_days: float = 30.0  # that a vehicle off the road would stand if nobody repaired it
    foresight_days: float = 180.0  # a limit met later than this is no work that is still to come
    chance_without_cause: float = 0.8  # that a visit finds the trouble where no cause is named
    visit: float = 60.0  # bringing and fetching a vehicle once
    bays: int = 1  # of a depot without a row in `bays`
    bay_hours: float = 8.0
    first_hour: int = 7  # of the working day, in UTC
    share_of_hours: float = 0.9  # that the solver may fill; above it packing into bays fails
