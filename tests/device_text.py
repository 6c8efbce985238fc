"""Text of an invented device, as the mapping that comes with gomphosis reads it."""

from __future__ import annotations

HEADER = "Event;Date;Time;Shot;Program;Size;kV;uA;Set s;Run s;End;Dose uGy;User;Host;Firmware"


def exposure_line(
    shot: int = 4711,
    *,
    time: str = "10:20:00",
    date: str = "02.03.2026",
    program: str = "P3",
    kv: str = "65,0",
    run_s: str = "0,120",
    end: str = "OK",
) -> str:
    """One exposure, by the invented device's local clock."""
    return f"EXP;{date};{time};{shot};{program};S;{kv};7000;0,120;{run_s};{end};1450;T1;;1.0"


def clock_line(host: str = "2026-03-02T09:23:02Z") -> str:
    return f"CLK;02.03.2026;10:21:00;;;;;;;;;;;{host};1.0"
