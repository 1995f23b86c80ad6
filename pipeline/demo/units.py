"""The machines of the demo: an invented group of venues, the Tidewhistle houses, on an island that is on no map.

Each entry is one unit: machine, place, what is wrong with it, and the loggers that were left on it.
"""

from __future__ import annotations

from dataclasses import replace

from pipeline.demo.dialects import LoggerFormat
from pipeline.demo.faults import Fault
from pipeline.demo.machine import (
    CUBE_LARGE,
    CUBE_SMALL,
    CUBE_UNDERCOUNTER,
    SLAB,
    SLAB_LARGE,
    SLAB_WATER_COOLED,
    Site,
)
from pipeline.demo.probes import Probe
from pipeline.demo.scenario import DemoUnit, Logger

UNITS: tuple[DemoUnit, ...] = (
    DemoUnit(
        name="lantern-bar",
        story="A slab machine in good order, read every second.",
        machine=SLAB,
        site=Site(ambient_c=23.0, ambient_swing_k=2.5, water_c=16.0, use_kg_per_day=82.0),
        days=2.0,
        seed=11,
        start="2026-06-08T09:12:00",
        tz="Europe/Lisbon",
        loggers=(
            Logger(
                file="lantern-bar-fast.csv.gz",
                interval_s=1,
                dialect=LoggerFormat(
                    stamp="iso-offset",
                    header=("Timestamp",),
                    labels={"evaporator": "Evaporator outlet [°C]", "current": "Unit current [A]"},
                ),
            ),
        ),
        toml="""# Invented: a venue of the demo.
title = "Lantern Bar, ice well"
place = "Tidewhistle houses, harbour side"
kind = "slab"
cooling = "air"
time_zone = "Europe/Lisbon"

[nameplate]
ice_kg_per_day = 111
at_air_c = 32.2
at_water_c = 21.1
voltage_v = 230
equipment = "head"

[measured]
slab_kg = 2.0
power_factor = 0.82

[client]
name = "Lantern Bar"
email = ["bar@tidewhistle.example"]
units = "si"
""",
    ),
    DemoUnit(
        name="boathouse-kitchen",
        story="A large cube machine in good order; two loggers, one of them in °F.",
        machine=CUBE_LARGE,
        site=Site(ambient_c=26.0, ambient_swing_k=3.5, water_c=19.0, use_kg_per_day=170.0),
        days=3.0,
        seed=12,
        start="2026-06-08T14:05:00",
        loggers=(
            Logger(
                file="probes.csv",
                interval_s=15,
                dialect=LoggerFormat(
                    stamp="month-first-12h",
                    header=("Date/Time",),
                    labels={
                        "suction": "Suction line",
                        "discharge": "Discharge line",
                        "water_in": "Water supply",
                    },
                    units_row=("", "°F", "°F", "°F"),
                    fahrenheit=True,
                    quoted=True,
                    line_end="\r\n",
                ),
            ),
            Logger(
                file="clamp.csv",
                interval_s=15,
                dialect=LoggerFormat(stamp="iso", header=("time",), labels={"current": "unit current (A)"}),
            ),
        ),
    ),
    DemoUnit(
        name="salt-room",
        story="A water-cooled slab machine in good order; a preamble, semicolons and decimal commas.",
        machine=SLAB_WATER_COOLED,
        site=Site(ambient_c=21.0, ambient_swing_k=1.5, water_c=15.0, use_kg_per_day=120.0),
        days=5.0,
        seed=13,
        start="2026-06-01T08:30:00",
        tz="Europe/Lisbon",
        loggers=(
            Logger(
                file="salt-room_20260601.csv",
                interval_s=30,
                dialect=LoggerFormat(
                    stamp="dotted",
                    delimiter=";",
                    decimal=",",
                    header=("Zeit",),
                    labels={
                        "evaporator": "Verdampfer (°C)",
                        "condenser_in": "Kühlwasser ein (°C)",
                        "condenser_out": "Kühlwasser aus (°C)",
                        "current": "Strom gesamt (A)",
                    },
                    preamble=("Logger;0417", "Intervall;30 s", "Beginn;{start}", ""),
                    line_end="\r\n",
                    bom=True,
                ),
            ),
        ),
        toml="""# Invented: a venue of the demo.
title = "Salt Room, cellar"
place = "Tidewhistle houses, cellar"
kind = "slab"
cooling = "water"
time_zone = "Europe/Lisbon"

[client]
name = "Salt Room"
email = ["cellar@tidewhistle.example"]
language = "es"
""",
    ),
    DemoUnit(
        name="pier-terrace",
        story="From the second day on, about one harvest in three stalls: the slab does not let go. Two loggers, "
        "the clamp's clock is 95 s ahead.",
        machine=SLAB,
        site=Site(ambient_c=25.0, water_c=18.0, use_kg_per_day=90.0),
        days=4.0,
        seed=14,
        start="2026-06-09T07:40:00",
        tz="Europe/Lisbon",
        faults=(Fault(kind="stalled-harvest", from_day=1.2, options={"chance": 0.3}),),
        loggers=(
            Logger(
                file="clip-temperatures.csv",
                interval_s=20,
                dialect=LoggerFormat(
                    stamp="day-first",
                    header=("Fecha y hora",),
                    labels={"evaporator": "Evaporador (°C)", "ambient": "Aire ambiente (°C)"},
                    preamble=("Equipo: fabricador de hielo de la terraza", ""),
                ),
            ),
            Logger(
                file="clamp-meter.csv",
                interval_s=30,
                clock_ahead_s=95.0,
                dialect=LoggerFormat(
                    stamp="day-first", header=("Fecha y hora",), labels={"current": "Corriente total (A)"}
                ),
            ),
        ),
        toml="""# Invented: a venue of the demo.
title = "Pier Terrace"
place = "Tidewhistle houses, pier"
kind = "slab"
time_zone = "Europe/Lisbon"

[client]
name = "Pier Terrace"
email = ["terrace@tidewhistle.example"]
language = "es"
""",
    ),
    DemoUnit(
        name="ferry-cafe",
        story="From the third day on the water valve leaks during the freeze: freezes are half as long again.",
        machine=replace(CUBE_UNDERCOUNTER, freeze_end="level", slab_kg=1.3),
        site=Site(ambient_c=24.0, water_c=17.0, use_kg_per_day=38.0),
        days=6.0,
        seed=15,
        start="2026-06-01T10:00:00",
        faults=(Fault(kind="water-leak", from_day=2.6, options={"part": 0.42}),),
        loggers=(
            Logger(
                file="ferry-cafe.tsv",
                interval_s=30,
                dialect=LoggerFormat(
                    stamp="date-and-time",
                    delimiter="\t",
                    header=("Date", "Time"),
                    labels={
                        "evaporator": "Evap temp °F",
                        "bin": "Bin temp °F",
                        "current_compressor": "Compressor A",
                    },
                    fahrenheit=True,
                    footer=True,
                ),
            ),
        ),
    ),
    DemoUnit(
        name="observatory-lounge",
        story="The condenser fan stops for some hours at a time: the high-pressure switch cycles the compressor.",
        machine=CUBE_LARGE,
        site=Site(ambient_c=25.0, water_c=18.0, use_kg_per_day=175.0),
        days=3.0,
        seed=16,
        start="2026-06-10T16:20:00",
        faults=(
            Fault(kind="high-pressure-trips", from_day=0.8, options={"hours": 4.0, "every_hours": 17.0}),
        ),
        loggers=(
            Logger(
                file="observatory.csv",
                interval_s=10,
                dialect=LoggerFormat(
                    stamp="elapsed",
                    header=("Elapsed (s)",),
                    labels={"suction": "Suction line (degC)", "current_compressor": "Compressor (mA)"},
                    preamble=("Start: {start}", "Interval: 10 s", ""),
                    milliamps=True,
                ),
            ),
        ),
    ),
    DemoUnit(
        name="greenhouse-buffet",
        story="The end-of-freeze sensing has failed: every freeze runs to the timer. Read once a minute.",
        machine=SLAB_LARGE,
        site=Site(ambient_c=27.0, ambient_swing_k=4.0, water_c=20.0, use_kg_per_day=250.0),
        days=7.0,
        seed=17,
        start="2026-06-01T12:00:00",
        faults=(Fault(kind="timer-ends-freeze", options={"timer_s": 1980.0}),),
        loggers=(
            Logger(
                file="greenhouse.csv",
                interval_s=60,
                dialect=LoggerFormat(
                    stamp="iso",
                    delimiter=";",
                    header=("Date time",),
                    labels={
                        "evaporator": "Evaporator °C",
                        "water_in": "Supply water °C",
                        "ambient": "Room °C",
                        "current": "Total amps",
                    },
                    trailing_delimiter=True,
                ),
            ),
        ),
    ),
    DemoUnit(
        name="night-market",
        story="The evaporator probe breaks: bursts of open circuit on the fourth day, then nothing but OL. The suction "
        "clip and the clamp go on.",
        machine=SLAB,
        site=Site(ambient_c=28.0, water_c=21.0, use_kg_per_day=88.0),
        days=5.0,
        seed=18,
        start="2026-06-02T17:00:00",
        tz="Europe/Lisbon",
        faults=(Fault(kind="probe-open", from_day=3.4),),
        loggers=(
            Logger(
                file="night-market.csv",
                interval_s=30,
                dialect=LoggerFormat(
                    stamp="iso",
                    header=("Time",),
                    labels={"evaporator": "Evaporator", "suction": "Suction line", "current": "Unit current"},
                    units_row=("", "°C", "°C", "A"),
                    no_reading="OL",
                    line_end="\r\n",
                ),
                probes={"suction": Probe(lag_s=30.0, contact=0.8, noise=0.15)},
            ),
        ),
        toml="""# Invented: a venue of the demo.
title = "Night Market, stall 4"
kind = "slab"
time_zone = "Europe/Lisbon"
""",
    ),
    DemoUnit(
        name="smithy-yard",
        story="The condenser clogs from day to day.",
        machine=SLAB,
        site=Site(ambient_c=26.0, water_c=18.0, use_kg_per_day=86.0),
        days=8.0,
        seed=19,
        start="2026-06-01T06:00:00",
        faults=(Fault(kind="dirty-condenser", from_day=1.0, options={"left": 0.36}),),
        loggers=(
            Logger(
                file="smithy.csv",
                interval_s=60,
                dialect=LoggerFormat(
                    stamp="epoch",
                    header=("epoch_s",),
                    labels={
                        "evaporator": "evap_C",
                        "discharge": "discharge_C",
                        "condenser_in": "condenser_air_in_C",
                        "condenser_out": "condenser_air_out_C",
                        "current": "unit_A",
                    },
                ),
            ),
        ),
    ),
    DemoUnit(
        name="ballroom",
        story="After most idles the compressor starts only at the third or fourth attempt. The headers say nothing; "
        "unit.toml names the channels.",
        machine=CUBE_SMALL,
        site=Site(ambient_c=24.0, water_c=17.0, use_kg_per_day=24.0),
        days=2.0,
        seed=20,
        start="2026-06-11T11:30:00",
        faults=(
            Fault(kind="failed-start", from_day=0.5, options={"chance": 0.9, "attempts": 4.0, "hum_s": 9.0}),
        ),
        loggers=(
            Logger(
                file="ballroom.csv",
                interval_s=5,
                dialect=LoggerFormat(
                    stamp="iso", header=("Time",), labels={"current_compressor": "CH1", "evaporator": "CH2"}
                ),
            ),
        ),
        toml="""# Invented: a venue of the demo.
title = "Ballroom, service corridor"
kind = "cube"

[channels]
CH1 = { role = "current_compressor", unit = "A" }
CH2 = { role = "evaporator", unit = "°C" }
""",
    ),
    DemoUnit(
        name="quay-kiosk",
        story="Short of refrigerant since the third day. Two loggers, loose files in the top folder.",
        machine=SLAB,
        site=Site(ambient_c=24.0, water_c=17.0, use_kg_per_day=70.0),
        days=6.0,
        seed=21,
        start="2026-06-03T08:00:00",
        faults=(Fault(kind="low-charge", from_day=2.5),),
        loggers=(
            Logger(
                file="quay-kiosk__probes.csv",
                interval_s=30,
                dialect=LoggerFormat(
                    stamp="iso",
                    header=("Time",),
                    labels={"evaporator": "Evaporator outlet (°F)", "ambient": "Ambient (°F)"},
                    fahrenheit=True,
                ),
            ),
            Logger(
                file="quay-kiosk__clamp.csv",
                interval_s=60,
                first_s=40,
                dialect=LoggerFormat(stamp="iso", header=("Time",), labels={"current": "Current (A)"}),
            ),
        ),
        loose=True,
    ),
)
