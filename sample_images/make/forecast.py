"""Writes forecast.csv: invented weather for the invented boat, every three hours, with damp nights and rain."""

import math
from datetime import datetime, timedelta
from pathlib import Path

FIRST, DAYS, STEP_H = datetime(2026, 6, 1), 23, 3
MEAN_C, SWING_C = 16.0, 4.5  # air over a day, warmest at 15:00
SUN_C, NIGHT_C = 7.0, -1.5  # deck over air at noon, and under a clear night sky
RAIN_MM = {(9, 9): 0.8, (9, 12): 2.4, (9, 15): 0.4, (16, 6): 1.2}  # (day, hour)
CLOUD = {4: 0.7, 8: 0.6, 9: 1.0, 10: 0.5, 15: 0.5, 16: 0.9}  # day -> share of the sky
# day -> dew point
DEW_C = {1: 8.0, 2: 8.0, 3: 9.5, 5: 8.5, 8: 11.0, 9: 13.0, 10: 11.5, 15: 11.0, 16: 12.0, 17: 9.0}
USUAL_DEW_C = 9.0


def saturation(celsius):
    """Magnus form over water, relative to 1 at 0 degrees."""
    return math.exp(17.62 * celsius / (243.12 + celsius))


def row(moment):
    """One line of the file."""
    hour, clear = moment.hour, 1 - CLOUD.get(moment.day, 0.15)
    air = MEAN_C - 2 * CLOUD.get(moment.day, 0.0) + SWING_C * clear * math.cos(2 * math.pi * (hour - 15) / 24)
    dew = min(DEW_C.get(moment.day, USUAL_DEW_C), air)
    height = math.cos(2 * math.pi * (hour - 13) / 24)
    deck = air + clear * (SUN_C * height if height > 0 else NIGHT_C * min(-2 * height, 1))
    humidity = 100 * saturation(dew) / saturation(air)
    rain = RAIN_MM.get((moment.day, hour), 0)
    return f"{moment:%Y-%m-%dT%H:%M},{air:.1f},{humidity:.0f},{deck:.1f},{rain:g}"


if __name__ == "__main__":
    lines = [row(FIRST + timedelta(hours=STEP_H * n)) for n in range(DAYS * 24 // STEP_H)]
    path = Path(__file__).parents[1] / "forecast.csv"
    path.write_text("\n".join(["time,air_c,rh_percent,surface_c,rain_mm", *lines]) + "\n", encoding="utf-8")
