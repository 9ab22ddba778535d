"""Rows of a sound file are spoilt one by one; every spoilt row must be caught, no sound one lost."""

import random
from datetime import UTC, datetime, timedelta

import pytest

from pipelines.intake.load import load
from pipelines.store.published import quarantined

HEADER = [
    "vehicle_id",
    "read_at",
    "ignition_hours",
    "odometer_km",
    "faults_read",
    "warmups_since_clear",
    "ltft_b1_idle",
]
SPOILT = {
    "vehicle_id": [""],
    "read_at": ["", "yesterday", "2031-13-01T00:00:00Z", "14/02/2031", "1031-01-01T00:00:00Z", "2031-02-30", "12"],
    "ignition_hours": ["-1", "1e9", "ten", "1.2.3", "inf"],
    "odometer_km": ["-5", "9e9", "12 345 km", "0x10"],
    "faults_read": ["maybe", "2", "tru"],
    "warmups_since_clear": ["2.5", "-1", "many"],
    "ltft_b1_idle": ["1e12", "--1", "1,2,3", "lean", "$5"],
}
ROWS = 2000


@pytest.mark.parametrize("separator", [",", ";"])
def test_every_spoilt_row_is_caught_and_no_sound_one(store, tmp_path, separator):
    generator = random.Random(3)  # noqa: S311 (repeatable, not secret)
    start, planted, lines = datetime(2031, 1, 1, tzinfo=UTC), set(), []
    for number in range(ROWS):
        row = [
            f"v{number % 40}",
            f"{start + timedelta(hours=number):%Y-%m-%dT%H:%M:%SZ}",
            f"{number / 10}",
            f"{1000 + number}",
            "yes",
            "4",
            "1.5",
        ]
        if generator.random() < 0.2:
            column = generator.randrange(len(HEADER))
            row[column] = generator.choice(SPOILT[HEADER[column]])
            planted.add(number + 2)
        elif generator.random() < 0.05:
            row = generator.choice([row[:-1], [*row, "1"], row[:3]])
            planted.add(number + 2)
        lines.append(separator.join(f'"{cell}"' if separator in cell else cell for cell in row))
    (tmp_path / "snapshots.csv").write_text("\n".join([separator.join(HEADER), *lines]) + "\n")
    report = load(store, [tmp_path / "snapshots.csv"])
    assert set(quarantined(store)["row_number"]) == planted
    assert report.files[0].loaded == ROWS - len(planted)
