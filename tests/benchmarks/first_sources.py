"""Four files as four kinds of people have them, each with one vehicle that drifts: made by rules of their own.

A sheet of a haulier in Polish, the folder of a logger, a workshop's export in long form in German, and a stream of
messages in epoch milliseconds with objects inside them. Nothing here knows what drafts know.

    python tests/benchmarks/first_sources.py FOLDER

writes them; `leeway load` of each is what a newcomer does.
"""

import json
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import xlsxwriter

STEP = 0.78125


def trims(rng: np.random.Generator, readings: int, *, since: int = 10_000, rate: float = 0.0) -> np.ndarray:
    """Long-term fuel trims of one vehicle, %: a level, noise with a memory, and growth from a reading on."""
    noise, out = 0.0, []
    level = rng.normal(0, 1.2)
    for reading in range(readings):
        noise = 0.6 * noise + rng.normal(0, 0.6)
        out.append(level + noise + max(reading - since, 0) * rate)
    return np.round(np.array(out) / STEP) * STEP


def polish_sheet(path: Path) -> str:
    """A workbook with a title, per-cent cells and typed dates; the number of the vehicle that drifts."""
    rng = np.random.default_rng(1)
    book = xlsxwriter.Workbook(path)
    sheet, day, share = book.add_worksheet("Odczyty"), book.add_format({"num_format": "dd.mm.yyyy"}), book.add_format(
        {"num_format": "0.0%"}
    )  # fmt: skip
    sheet.write(0, 0, "Przewozy Lipa: kontrola tygodniowa")
    for column, header in enumerate((
        "Lp.", "Nr rej.", "Data odczytu", "Przebieg [km]", "Korekta długoterminowa B1", "Korekta krótkoterminowa B1",
        "Napięcie akumulatora", "Uwagi",
    )):  # fmt: skip
        sheet.write(2, column, header)
    cars = {f"WPR {4100 + 7 * k}": trims(rng, 16, since=6 if k == 3 else 10_000, rate=1.6) for k in range(8)}
    row = 3
    for week in range(16):
        for k, (car, values) in enumerate(cars.items()):
            read = datetime(2026, 1, 9) + timedelta(days=7 * week + int(rng.integers(0, 3)))  # noqa: DTZ001 (a cell)
            cells = (row - 2, car, None, 41_000 + 1_800 * k + 350 * week)
            for column, cell in enumerate(cells):
                sheet.write(row, column, cell)
            sheet.write_datetime(row, 2, read, day)
            sheet.write_number(row, 4, values[week] / 100, share)
            sheet.write_number(row, 5, float(rng.normal(0, 1)) / 100, share)
            sheet.write_number(row, 6, round(float(rng.normal(14.1, 0.15)), 1))
            row += 1
    book.close()
    return "WPR 4121"


def logger_folder(folder: Path) -> str:
    """A folder a car, a file a trip called after its start, a row every two seconds; the car that drifts."""
    rng = np.random.default_rng(2)
    head = (
        "Elapsed (s),Clock,Engine RPM (rpm),Engine Load (%),Coolant Temp (C),LTFT Bank 1 (%),STFT Bank 1 (%),"
        "Fuel System Status,Speed (km/h)\n"
    )
    for k, car in enumerate(("Kangoo-1", "Kangoo-2", "Partner-1", "Partner-2")):
        values = trims(rng, 14, since=4 if k == 2 else 10_000, rate=2.0)
        (folder / car).mkdir(parents=True)
        for trip, value in enumerate(values):
            at = datetime(2026, 2, 2, 7, 5, tzinfo=UTC) + timedelta(
                days=5 * trip + k, minutes=int(rng.integers(0, 600))
            )
            rows = []
            for n in range(90):
                idle = n % 30 < 10
                warm = min(92.0, 35 + 2.4 * n)
                rows.append(
                    f"{n * 2.0:.1f},{at + timedelta(seconds=2 * n):%H:%M:%S},"
                    f"{rng.normal(780 if idle else 1900, 15):.0f},"
                    f"{rng.normal(22 if idle else 44, 2):.1f},{warm:.0f},{value:.2f},{rng.normal(0, 2):.2f},"
                    f"{'OL-Cold' if warm < 55 else 'CL'},{0 if idle else 48}"
                )
            (folder / car / f"{at:%Y-%m-%d_%H%M}_trip.csv").write_text(head + "\n".join(rows) + "\n", encoding="utf-8")
    return "Partner-1"


def german_export(path: Path) -> str:
    """A value a row: semicolons, decimal commas, dots between thousands, Windows-1252; the vehicle that drifts."""
    rng = np.random.default_rng(3)
    lines = [
        "Werkstatt Nord GmbH;Export Messwerte;;;;;;",
        "Fzg.-Nr.;Auftrag;Messdatum;Uhrzeit;Messgröße;Istwert;Einheit;Prüfer",
    ]
    for k in range(6):
        values = trims(rng, 14, since=5 if k == 4 else 10_000, rate=-1.6)
        for week, value in enumerate(values):
            at = datetime(2026, 3, 2, 8, tzinfo=UTC) + timedelta(
                days=7 * week, hours=k, minutes=int(rng.integers(0, 50))
            )
            head = f"LKW-{k + 11};{55_000 + 100 * k + week};{at:%d.%m.%Y};{at:%H:%M}"
            for what, cell, unit in (
                ("Kilometerstand", f"{120_000 + 9_000 * k + 410 * week:,}".replace(",", "."), "km"),
                ("Kühlmitteltemperatur", f"{rng.normal(89, 2):.1f}".replace(".", ","), "°C"),
                ("Langzeit-Kraftstoffkorrektur Bank 1", f"{value:.2f}".replace(".", ","), "%"),
                ("Kurzzeit-Kraftstoffkorrektur Bank 1", f"{rng.normal(0, 1):.2f}".replace(".", ","), "%"),
                ("Bremsbelag vorne", f"{rng.uniform(4, 12):.1f}".replace(".", ","), "mm"),
            ):
                lines.append(f"{head};{what};{cell};{unit};{'Kr' if k % 2 else 'Be'}")
    path.write_bytes(("\r\n".join(lines) + "\r\n").encode("cp1252"))
    return "LKW-15"


def epoch_stream(path: Path) -> str:
    """Messages of some seconds each, in the order in which they came, with signals in an object; who drifts."""
    rng = np.random.default_rng(4)
    messages = []
    for k in range(5):
        for trip, value in enumerate(trims(rng, 16, since=6 if k == 1 else 10_000, rate=1.7)):
            start = 1_767_600_000 + trip * 4 * 86_400 + k * 5_000 + int(rng.integers(0, 3_000))
            for n in range(45):
                idle = n % 9 < 3
                signals = {
                    "rpm": round(float(rng.normal(700 if idle else 1500, 10))), "coolant_temp_c": min(90, 72 + 2 * n),
                    "engine_load": round(float(rng.normal(20 if idle else 45, 3)), 1),
                    "ltft_b1": round(float(value + rng.normal(0, 0.1)), 2),
                    "stft_b1": round(float(rng.normal(0, 1.6)), 2), "gps_speed_kmh": 0 if idle else 38.4,
                }  # fmt: skip
                if rng.random() < 0.08:
                    del signals["engine_load"]
                messages.append({"vehicle": f"bus-{k + 1:02d}", "ts": (start + n * 7) * 1000 + 13, "signals": signals})
    messages.sort(key=lambda message: message["ts"])
    path.write_text("\n".join(map(json.dumps, messages)) + "\n", encoding="utf-8")
    return "bus-02"


SOURCES = {
    "odczyty.xlsx": polish_sheet,
    "logs": logger_folder,
    "messwerte.csv": german_export,
    "telemetry.ndjson": epoch_stream,
}


if __name__ == "__main__":
    place = Path(sys.argv[1])
    place.mkdir(parents=True, exist_ok=True)
    for name, make in SOURCES.items():
        print(f"{place / name}: {make(place / name)} drifts")
