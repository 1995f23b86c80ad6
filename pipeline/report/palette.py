"""Every colour of the pages, light and dark, in one table: tests compute contrast and colour-vision distances from it.

Names say what a colour is for. The style sheet gets them as custom properties (`--freeze`), the charts as a table.
"""

from __future__ import annotations

from collections.abc import Mapping
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
        "act": "#8c1c4b",
        "watch": "#7a5200",
        "note": "#3f5663",
        "well": "#1f5f4a",
        "on-strong": "#ffffff",
        # Phases
        "freeze": "#2f6f9f",
        "harvest": "#c2571a",
        "idle": "#8b8f86",
        "unclear": "#7d4f96",
        "gap": "#b9b4a6",
        # Channels
        "trace-1": "#0f4c75",
        "trace-2": "#b5490f",
        "trace-3": "#3f7d3a",
        "trace-4": "#8a3b8f",
        "trace-5": "#8a6d00",
        "trace-6": "#4b5a63",
        "band": "#9fc0d6",
        "odd": "#8c1c4b",
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
        "act": "#f29bbd",
        "watch": "#e6bf6a",
        "note": "#a9c2cf",
        "well": "#86cfb1",
        "on-strong": "#14191c",
        "freeze": "#6fb1e0",
        "harvest": "#f0924f",
        "idle": "#8d958f",
        "unclear": "#c39add",
        "gap": "#59646b",
        "trace-1": "#7fc0ef",
        "trace-2": "#f2a06a",
        "trace-3": "#9bd08a",
        "trace-4": "#dc9fe3",
        "trace-5": "#dcc05a",
        "trace-6": "#b6c2c9",
        "band": "#2f5a78",
        "odd": "#f29bbd",
    }
)


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
