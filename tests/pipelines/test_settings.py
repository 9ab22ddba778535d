"""Settings refuse what lies outside their range, in one line."""

import pytest

from pipelines.errors import SettingError
from pipelines.settings import Settings


@pytest.mark.parametrize("promise", [0.0, 0.049, 0.51, float("nan")])
def test_a_promise_outside_its_range_is_refused_with_the_range(promise):
    with pytest.raises(SettingError, match=r"a number from 0\.05 to 0\.5\. Choose a value between"):
        Settings(false_alarms_per_vehicle_year=promise)


@pytest.mark.parametrize("share", [0.0, 0.21, float("nan")])
def test_a_share_of_false_outliers_outside_its_range_is_refused(share):
    with pytest.raises(SettingError, match="false_outlier_share"):
        Settings(false_outlier_share=share)


def test_what_an_analysis_was_set_to_can_be_published():
    frame = Settings(false_alarms_per_vehicle_year=0.2).as_frame()
    assert dict(frame.iter_rows()) == {
        "false_alarms_per_vehicle_year": 0.2,
        "false_outlier_share": 0.01,
        "seed": 20310.0,
    }
