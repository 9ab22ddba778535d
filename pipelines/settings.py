"""The settings of one analysis, in the user's terms; every default says where it comes from."""

from dataclasses import asdict, dataclass, fields

import polars as pl

from pipelines.errors import SettingError
from pipelines.figures_set import range_of, stands


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Settings of one analysis.

    Raises:
        SettingError: a value is outside its range.
    """

    # Beyond this range thresholds were never measured; the default: one false alarm in ten vehicle-years.
    false_alarms_per_vehicle_year: float = stands(
        0.1, "a vehicle-year", "alarms that a healthy vehicle may raise", least=0.05, most=0.5
    )
    false_outlier_share: float = stands(
        0.01, "share", "healthy vehicles that may be called outliers", least=1e-6, most=0.2
    )
    seed: int = stands(20310, "", "everything random draws from it", most=2**31 - 1)

    def __post_init__(self) -> None:
        for each in fields(self):
            value = getattr(self, each.name)
            if not each.metadata["least"] <= value <= each.metadata["most"]:
                raise SettingError(f"{each.name}: {value:g} is not {range_of(each)}. Choose a value between.")

    def as_frame(self) -> pl.DataFrame:
        """`setting, value`: what an analysis was set to, published beside its tables."""
        return pl.DataFrame(
            [(name, float(value)) for name, value in asdict(self).items()], schema=["setting", "value"], orient="row"
        )
