"""Which cycles a finding means, and in which part of the cycle it shows."""

from __future__ import annotations

from collections.abc import Iterable

from pipeline.findings.finding import Finding

PHASES = ("freeze", "harvest")


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


def codes_about(findings: Iterable[Finding]) -> dict[str, list[str]]:
    """Phase -> codes of the findings that are about the length or the course of that phase itself."""
    findings = list(findings)
    return {phase: sorted({f.code for f in findings if f.shows.about == phase}) for phase in PHASES}


def abnormal_cycles(findings: Iterable[Finding]) -> set[int]:
    """Numbers of the cycles in which something about the machine, and not about the logger, is not as usual."""
    return {int(c) for f in findings if f.flag_cycles and not f.shows.doubted for c in f.cycles}


def odd_cycles(findings: Iterable[Finding], phase: str) -> set[int]:
    """Numbers of the cycles whose freeze (or harvest) is itself abnormal."""
    return {int(c) for f in findings if f.flag_cycles and f.shows.about == phase for c in f.cycles}
