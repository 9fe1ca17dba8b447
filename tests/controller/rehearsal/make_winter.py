"""Make controller/rehearsal/data/greensboro_winter.csv from the typical year inside pvlib.

Run by hand: ``python tests/controller/rehearsal/make_winter.py``.
"""

import csv
from pathlib import Path

import pvlib

SOURCE = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
TARGET = Path(__file__).parents[3] / "controller" / "rehearsal" / "data" / "greensboro_winter.csv"
MONTHS = (10, 11, 12, 1, 2, 3, 4)
HEAD = """\
# Winter of a typical year (TMY3) at Greensboro, North Carolina, US; by NREL. See SOURCES.md.
# latitude_deg: {latitude}
# longitude_deg: {longitude}
# utc_offset_h: {offset}
month,day,hour,outdoor_c,irradiance_w_m2,wind_m_s
"""


def winter_text(source: Path = SOURCE) -> str:
    """The whole file as text."""
    with source.open(newline="") as stream:
        station = next(csv.reader(stream))
        rows = list(csv.DictReader(stream))
    offset, latitude, longitude = (float(text) for text in station[3:6])
    lines = []
    for month in MONTHS:
        for row in rows:
            date = row["Date (MM/DD/YYYY)"].split("/")
            if int(date[0]) == month:
                lines.append(_line(month, int(date[1]), row))
    return HEAD.format(latitude=latitude, longitude=longitude, offset=offset) + "".join(lines)


def _line(month: int, day: int, row: dict[str, str]) -> str:
    hour = int(row["Time (HH:MM)"][:2])
    values = (row["Dry-bulb (C)"], row["GHI (W/m^2)"], row["Wspd (m/s)"])
    return ",".join([str(month), str(day), str(hour), *values]) + "\n"


if __name__ == "__main__":
    TARGET.write_text(winter_text(), encoding="utf-8")
    print(f"{TARGET}: {TARGET.stat().st_size} bytes")
