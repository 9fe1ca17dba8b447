"""Logs as owners have them: read as they are meant, or refused with the place of each mistake."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.earlier_log import LogError, read_log
from controller.earlier_log.csv_file import column_of
from controller.earlier_log.problems import MOST

NOON_S = datetime(2026, 1, 10, 12, tzinfo=UTC).timestamp()
ROWS = "2026-01-10T12:00Z,10,0\n2026-01-10T12:10Z,11,6000\n2026-01-10T12:20Z,12,3000\n"


def _refused(read, text, *where):
    with pytest.raises(LogError) as caught:
        read(text, *where)
    return [str(problem).partition("log.csv:")[2] for problem in caught.value.problems]


def test_columns_are_found_by_their_headings(read):
    """Times and values of each column; what is no role is named as passed over."""
    log = read("humidity,time,air,power\n" + ROWS.replace("2026", "55,2026"))
    air, power = log.traces
    assert (air.column.id, power.column.id) == ("air@bay", "power@boiler")
    assert list(air.times_s) == [NOON_S, NOON_S + 600.0, NOON_S + 1200.0]
    assert list(air.values) == [10.0, 11.0, 12.0]
    assert list(power.values) == [0.0, 6000.0, 3000.0]
    assert air.usual_step_s == 600.0
    assert log.unused == ("humidity",)


def test_units_in_headings_are_turned_into_house_units(read):
    """50 °F is 10 °C, 6 kW 6000 W; letters and spaces in headings are free."""
    log = read(
        "Time [UTC], Air [F] ,POWER[kW],outdoor [°C]\n"
        "2026-01-10 12:00,50,0,1\n2026-01-10 12:10,59,6,2\n"
    )
    air, power, outdoor = log.traces
    assert list(air.values) == pytest.approx([10.0, 15.0])
    assert list(power.values) == [0.0, 6000.0]
    assert outdoor.column.id == "outdoor@outdoor"
    assert air.times_s[0] == NOON_S


def test_a_spreadsheets_own_csv_is_read(read):
    """Byte order mark, semicolons, decimal commas, quotes, empty last lines, Windows line ends."""
    rows = [
        '\ufefftime;air;"power [kW]"',
        '"2026-01-10T12:00Z";"10,25";0',
        "2026-01-10T12:10Z;11,5;,5",
    ]
    text = "\r\n".join([*rows, "", ""])
    air, power = read(text).traces
    assert list(air.values) == [10.25, 11.5]
    assert list(power.values) == [0.0, 500.0]


def test_unknown_cells_are_left_out(read):
    """Empty, nan and the like are gaps of their own column only."""
    log = read(
        "time,air,power [kW]\n1768046400,10,\n1768047000,NaN,5\n1768047600,n/a,6\n1768048200,12,7\n"
    )
    air, power = log.traces
    assert list(air.times_s) == [NOON_S, NOON_S + 1800.0]
    assert list(power.values) == [5000.0, 6000.0, 7000.0]


def test_columns_without_two_values_are_named(read):
    """A column that was never filled is no trace."""
    log = read("time,air,outdoor\n1768046400,10,\n1768047000,11,\n")
    assert [trace.column.id for trace in log.traces] == ["air@bay"]
    assert log.empty == ("outdoor",)


def test_a_sensors_id_will_do_for_a_heading(read):
    """``rack-slab`` is the slab of the bay; nothing is learnt from a supply sensor."""
    log = read("time,rack-slab,bay-supply\n1768046400,10,30\n1768047000,11,31\n")
    assert [trace.column.id for trace in log.traces] == ["slab@bay"]
    assert log.unused == ("bay-supply",)


def test_several_zones_are_told_apart(read, two_bays):
    """``air@loft`` where there are two; the outdoors needs no place."""
    log = read(
        "time,air@loft,power@kettle,outdoor\n1768046400,1,2000,3\n1768047000,1,0,3\n", two_bays
    )
    ids = [trace.column.id for trace in log.traces]
    assert ids == ["air@loft", "power@kettle", "outdoor@outdoor"]


@pytest.mark.parametrize(
    ("header", "told"),
    [
        ("air,power", "1:1: no column of times; a header line with time, then some of air@bay"),
        ("time,humidity", "1:1: no column that anything is learnt from; a header line with time"),
        ("time,outdor", "1:6: 'outdor' is no role; outdoor, or a name less like it"),
        ("time,air@attic", "1:6: the site has no 'attic' with the role air; air@bay"),
        ("time,air,rack-air", "1:10: a second column of air@bay; one column of each"),
        ("time,time,air", "1:6: a second column of times; one, named time"),
        ("time,air [K]", "1:6: 'K' is no unit of air; °C or °F; without [unit] it is °C"),
        ("time [min],air", "1:1: times have no unit 'min'; time, or time [UTC]"),
        ("time,air [°C", "1:6: 'air [°C' is no heading; a name, then [unit]"),
    ],
)
def test_a_header_that_cannot_be_meant_is_refused_at_its_cell(read, header, told):
    """Line 1, the cell's own column, what is wrong and what would be right."""
    width = header.count(",")
    (problem,) = _refused(read, f"{header}\n1768046400{',1' * width}\n1768047000{',1' * width}\n")
    assert problem.startswith(told)


def test_the_zone_of_an_ambiguous_heading_is_asked_for(read, two_bays):
    """Two bays: ``air`` alone could be either."""
    (problem,) = _refused(read, "time,air\n1768046400,1\n1768047000,1\n", two_bays)
    assert problem == "1:6: which air is this?; air@bay or air@loft"


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("1768047000,warm", "3:12: 'warm' under air is no number; 12.5, or an empty cell"),
        ("1768047000,1_0", "3:12: '1_0' under air is no number"),
        ("1768047000,inf", "3:12: 'inf' under air is no number"),
        ("1768047000,85", "3:12: '85' under air is 85 °C, which cannot be; -40 to 45 °C, or an"),
        ("1768047000,12,5", "3:15: the row has 3 cells, the header 2; one cell for each heading"),
        ("1768047000", "3:1: the row has 1 cells, the header 2"),
        ('1768047000,"12', "3:1: quotes do not match"),
        ("1768046400,12", "3:1: '1768046400' is not later than the row before; rows from the"),
        ("2026-13-01,12", "3:1: '2026-13-01' is no time; ISO 8601"),
    ],
)
def test_a_bad_row_is_refused_at_its_cell(read, row, told):
    """Line, column of the cell in the line, what is wrong, what would be right."""
    (problem,) = _refused(read, f"time,air\n1768046400,10\n{row}\n1768050000,11\n")
    assert problem.startswith(told)


def test_quoted_cells_before_a_bad_one_do_not_shift_its_column(read):
    """Delimiters within quotes do not count; the place is that of the line as it stands."""
    (problem,) = _refused(read, 'note,time,air\n"a, b",1768046400,10\n"c, d",1768047000,hot\n')
    assert problem.startswith("3:19: 'hot' under air")


def test_all_problems_are_listed_up_to_a_number(read):
    """Two mistakes are two problems; of a file of mistakes the first twenty."""
    two = _refused(read, "time,air\n1768046400,x\n1768047000,11\nsoon,12\n")
    assert [problem.split(":")[0] for problem in two] == ["2", "4"]
    many = "".join(f"{1768046400 + 60 * k},x\n" for k in range(100))
    assert len(_refused(read, "time,air\n" + many)) == MOST


def test_power_beyond_twice_the_rating_is_refused(read):
    """6 kW of rating: 60 in a column of kW was meant as something else."""
    (problem,) = _refused(read, "time,power [kW]\n1768046400,6\n1768047000,60\n")
    assert "is 60000 W, which cannot be; -300 to 12000 W" in problem


def test_power_that_is_next_to_nothing_is_refused(read):
    """6 kW of rating: a log that never exceeds 6 W holds kilowatts; all zeros are an off heater."""
    rows = "1768046400,10,{}\n1768047000,10,0\n"
    (problem,) = _refused(read, "time,air,power\n" + rows.format(6))
    assert problem.startswith(
        "1:1: no power under power exceeds 6 W, the heater has 6000 W; power [kW]"
    )
    assert read("time,air,power\n" + rows.format(0)).traces
    assert read("time,air,power [kW]\n" + rows.format(6)).traces


def test_rows_hours_apart_are_refused(read):
    """Three-hourly values say nothing of how a room follows its heater."""
    rows = "".join(f"{1768046400 + 10800 * k},10\n" for k in range(5))
    (problem,) = _refused(read, "time,air\n" + rows)
    assert problem == "1:1: values under air are usually 3 h apart; 1 h or less"


def test_a_file_that_is_no_text_is_refused_at_its_line(read):
    """Latin-1 from line 1201 on, far enough for the text to be decoded in blocks."""
    good = "".join(f"{1768046400 + 60 * k},10\n" for k in range(1199))
    text = b"time,air\n" + good.encode() + "1768146400,10°\n".encode("latin-1")
    (problem,) = _refused(read, text)
    assert problem.startswith("1201:1: this line is not UTF-8 text; the file saved as CSV UTF-8")


@pytest.mark.parametrize("text", ["", "\n\n", "time,air\n", "time,air\n1768046400,10\n"])
def test_an_empty_file_is_refused(read, text):
    """Nothing, blank lines, a header alone, one row: each with a sentence."""
    (problem,) = _refused(read, text)
    assert "empty" in problem or "no column has two values" in problem


def test_an_endless_line_is_refused(read):
    """A hundred thousand characters without a line end are no row."""
    (problem,) = _refused(read, "time,air\n" + "1" * 100_000)
    assert problem.startswith("2:1: the line is longer than 65536 characters")


def test_a_missing_file_is_refused(site, tmp_path: Path):
    """With its name and the system's reason."""
    with pytest.raises(LogError, match=r"nowhere\.csv:1:1: cannot be read: No such file"):
        read_log(tmp_path / "nowhere.csv", site, now_s=NOON_S)


def test_a_pipe_is_refused(site, tmp_path: Path):
    """It could keep its reader waiting for ever."""
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    with pytest.raises(
        LogError, match=r"pipe\.csv:1:1: is a pipe or a device, no file; a CSV file"
    ):
        read_log(pipe, site, now_s=NOON_S)


def test_how_far_reading_has_come_is_reported(site, tmp_path: Path):
    """Shares rise from above 0 to at most 1."""
    path = tmp_path / "long.csv"
    path.write_text("time,air\n" + "".join(f"{1700000000 + 60 * k},10\n" for k in range(20_000)))
    shares: list[float] = []
    read_log(path, site, now_s=1.8e9, report=shares.append)
    assert shares == sorted(shares)
    assert 0.0 < shares[0] < 0.3
    assert 0.7 < shares[-1] <= 1.0


def test_one_odd_row_is_left_out_and_a_warming_room_is_not(read):
    """A spike of 15 K in a log of quarter hours goes; a steady 3 K a row stays, whole."""
    rows = [10.0 + 3.0 * k for k in range(10)]
    text = "time,air\n" + "".join(f"{1768046400 + 900 * k},{v}\n" for k, v in enumerate(rows))
    assert list(read(text).traces[0].values) == rows
    (trace,) = read(text.replace(",22.0", ",7.0")).traces
    assert (len(trace.values), trace.outliers) == (9, 1)
    assert trace.usual_step_s == 900.0


@pytest.mark.parametrize(("index", "column"), [(0, 1), (1, 3), (2, 9), (3, 11), (4, 12)])
def test_the_column_of_a_cell(index, column):
    """Counted from 1, quotes heeded; beyond the last cell it is the line's end."""
    assert column_of('a,"b,c",;,d', index, ",") == column
