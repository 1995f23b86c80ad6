"""What to look at next on site, each with its place in a technician's order: eyes first, gauges last."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.findings.phrase import Phrase, phrase

LOOK, CLEAN, METER, LICENSED = 1, 2, 3, 4


@dataclass(frozen=True, kw_only=True)
class Check:
    """One thing to do. `step`: look and listen, clean and feel, measure, open the refrigerant circuit."""

    step: int
    text: Phrase


_ROWS = (
    ("watch-cycle", LOOK, "Watch one whole cycle at the machine, with a clock in hand"),
    ("look-at-slab", LOOK, "Look at the slab of one cycle: thickness, hollow spots, clouded or missing corners"),
    ("air-path", LOOK, "See that the condenser gets room air: clearances, other machines blowing at it, grilles"),
    ("fan-runs", LOOK, "See that the condenser fan runs at full speed and the right way (keep fingers and sleeves away)"),
    ("water-on", LOOK, "See that water arrives: stop valve, filter, float, and the level in the reservoir"),
    ("water-over-in-freeze", LOOK, "In mid-freeze, see whether water still trickles in through the inlet valve or out of the drain"),
    ("water-spread", LOOK, "See that water runs evenly over the whole plate: pump, strainer, distributor"),
    ("curtain", LOOK, "Move the ice curtain or bin switch by hand and see that the control notices"),
    ("bin-control", LOOK, "See whether the bin is really full when it stops, and where its sensor sits"),
    ("control-settings", LOOK, "Read the control: mode, fault codes, freeze and harvest limits, slab thickness setting"),
    ("probe-seat", LOOK, "See that each probe is clipped to bare metal, strapped and insulated, and its wire whole"),
    ("clamp-seat", LOOK, "See that the clamp is shut, round one conductor alone, and plugged into its logger"),
    ("logger-clock", LOOK, "Compare the loggers' clocks with each other and set them before the next log"),
    ("logger-interval", LOOK, "Log again at 10 s or faster, for at least two days"),
    ("feel-hot-gas", CLEAN, "In harvest, feel (briefly: it burns) or measure the line behind the hot-gas valve: hot within seconds?"),
    ("feel-hot-gas-in-freeze", CLEAN, "In freeze, measure the line behind the hot-gas valve: warm means that it leaks through"),
    ("clean-condenser", CLEAN, "Clean the condenser with the power off, then log a day for comparison"),
    ("clean-evaporator", CLEAN, "Clean and descale the evaporator and water circuit with the maker's cleaner, then watch a harvest"),
    ("clean-sensor", CLEAN, "Clean the thickness or level sensor and see that it ends a freeze when bridged by hand"),
    ("water-filter", CLEAN, "Change the water filter if its date is over, and measure pressure with the valve open"),
    ("supply-temperature", METER, "Measure the supply water at the machine after a minute of flow, and again at the meter"),
    ("weigh-slab", METER, "Weigh the ice of three cycles and enter it in unit.toml"),
    ("line-voltage", METER, "Measure the voltage at the compressor while it starts (live panel: qualified person only)"),
    ("start-gear", METER, "Check start capacitor, relay and overload (power off, capacitor discharged)"),
    ("contactor", METER, "Check contactor, control wiring and pressure switches for a loose or burnt contact (power off)"),
    ("compressor-current", METER, "Compare the compressor's current with its plate, in freeze and in harvest"),
    ("valve-coil", METER, "Check the coil of the hot-gas valve: voltage in harvest, resistance with the power off"),
    ("sensor-resistance", METER, "Measure the control's own probe against its table, in ice water"),
    ("water-regulator", METER, "Check the water-regulating valve: flow, strainer, outlet temperature"),
    ("pressures", LICENSED, "Have a licensed person read suction and discharge pressure, superheat and subcooling at the end of freeze"),
    ("leak-test", LICENSED, "Have a licensed person search for a leak before any refrigerant is added"),
    ("weigh-charge", LICENSED, "Have a licensed person recover and weigh the charge against the nameplate"),
    ("compressor-pumping", LICENSED, "Have a licensed person test whether the compressor still pumps"),
)  # fmt: skip

CHECKS: dict[str, Check] = {
    key: Check(step=step, text=phrase(f"check.{key}", english)) for key, step, english in _ROWS
}
