"""Every colour of the pages, light and dark, in one table: tests compute contrast and colour-vision distances from it.

Phases, severities and traces were moved by a search until, within each group, the smallest CIEDE2000 distance was 10 or
more to normal sight and to each full colour-vision deficiency. Names say what a colour is for. The style sheet gets them as custom properties (`--freeze`), the charts as a table.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from types import MappingProxyType

LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#fbfaf7",
        "sheet": "#ffffff",
        "tint": "#efede6",
        "ink": "#1d2326",
        "soft": "#4d565b",
        "line": "#d5d1c6",
        "edge": "#7a7f80",
        "link": "#0b5563",
        "focus": "#7a2e8e",
        # Severities: told apart by word and shape first
        "act": "#7f1b38",
        "watch": "#7d5300",
        "note": "#0d2437",
        "well": "#22665f",
        "on-strong": "#ffffff",
        # Phases
        "freeze": "#34517f",
        "harvest": "#bf5619",
        "idle": "#797367",
        "unclear": "#775eb1",
        "gap": "#8f9273",
        # Channels
        "trace-1": "#43638b",
        "trace-2": "#a34a4b",
        "trace-3": "#125525",
        "trace-4": "#393b91",
        "trace-5": "#7f6302",
        "trace-6": "#404650",
        "band": "#9fc0d6",
        "odd": "#711326",
    }
)

DARK: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#14191c",
        "sheet": "#1b2226",
        "tint": "#252e33",
        "ink": "#ece9e1",
        "soft": "#b3bbbd",
        "line": "#37424a",
        "edge": "#84919a",
        "link": "#8fd0dd",
        "focus": "#e0a6f2",
        "act": "#edc3f0",
        "watch": "#e1bb66",
        "note": "#9cb0ba",
        "well": "#84d2ad",
        "on-strong": "#14191c",
        "freeze": "#3f8db1",
        "harvest": "#f5964f",
        "idle": "#878b71",
        "unclear": "#c59fe3",
        "gap": "#697d82",
        "trace-1": "#c2c8fe",
        "trace-2": "#e58f5c",
        "trace-3": "#5dc991",
        "trace-4": "#ca8ecc",
        "trace-5": "#eed06b",
        "trace-6": "#b7e4e4",
        "band": "#2f5a78",
        "odd": "#f6b8c4",
    }
)


@cache
def css_variables() -> str:
    """The table as custom properties: light, dark by the reader's system or by the switch, and always light on paper."""

    def block(colours: Mapping[str, str]) -> str:
        return "".join(f"--{name}:{value};" for name, value in colours.items())

    return (
        f":root{{color-scheme:light;{block(LIGHT)}}}\n"
        f"@media (prefers-color-scheme:dark){{:root:not([data-theme=light]){{color-scheme:dark;{block(DARK)}}}}}\n"
        f":root[data-theme=dark]{{color-scheme:dark;{block(DARK)}}}\n"
        f"@media print{{:root,:root[data-theme=dark],:root:not([data-theme=light]){{color-scheme:light;{block(LIGHT)}}}}}\n"
    )
