"""Which cycles a finding means, and in which part of the cycle it shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pipeline.findings.finding import Finding

LENGTH_CODES = {"freeze": ("freeze-", "weak-freeze"), "harvest": ("harvest-",)}
"""How codes begin that are about a freeze (or a harvest) itself; the others are about the machine around it."""


def cycle_flags(findings: Iterable[Finding]) -> dict[int, list[str]]:
    """Cycle number -> codes of the findings that mean that very cycle, worst first, each once."""
    flags: dict[int, list[str]] = {}
    for finding in findings:
        if finding.flag_cycles:
            for cycle in finding.cycles:
                codes = flags.setdefault(int(cycle), [])
                if finding.code not in codes:
                    codes.append(finding.code)
    return flags


def odd_cycles(flags: Mapping[int, Iterable[str]], phase: str) -> set[int]:
    """Numbers of the cycles whose freeze (or harvest) is itself abnormal."""
    return {number for number, codes in flags.items() if shows_in(codes, phase)}


def shows_in(codes: Iterable[str], phase: str) -> bool:
    """Whether one of `codes` is about the `phase` ("freeze" or "harvest") itself."""
    return any(code.startswith(LENGTH_CODES[phase]) for code in codes)
