"""The few settings a user may turn, in the user's terms; every default says where it comes from."""

from dataclasses import asdict, dataclass

import polars as pl

from pipelines.errors import SettingError


@dataclass(frozen=True, kw_only=True)
class Settings:
    """Settings of one analysis.

    Raises:
        SettingError: a value is outside its range.
    """

    false_alarms_per_vehicle_year: float = 0.1  # vehicle alarms a healthy vehicle raises in a year, 0.05 to 0.5
    false_outlier_share: float = 0.01  # share of healthy vehicles called outliers, above 0, at most 0.2
    seed: int = 20310  # everything random draws from it

    def __post_init__(self) -> None:
        if not 0.05 <= self.false_alarms_per_vehicle_year <= 0.5:
            raise SettingError(
                f"false alarms per vehicle-year: {self.false_alarms_per_vehicle_year:g} is outside 0.05 to 0.5. "
                "Choose a value between."
            )
        if not 0 < self.false_outlier_share <= 0.2:
            raise SettingError(
                f"share of false outliers: {self.false_outlier_share:g} is outside 0 to 0.2. Choose a value between."
            )

    def as_frame(self) -> pl.DataFrame:
        """`setting, value`: what an analysis was set to, published beside its tables."""
        return pl.DataFrame(
            [(name, float(value)) for name, value in asdict(self).items()], schema=["setting", "value"], orient="row"
        )
