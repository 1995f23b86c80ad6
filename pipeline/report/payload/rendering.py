"""Templates and their scripts and styles, made into one file that asks the network for nothing.

The Content-Security-Policy forbids every request (`default-src 'none'`) and every script but those named by their
hash, so even a slip in escaping could not run text from a log. Inline styles are allowed: plotly writes style
attributes, and with nothing to fetch a style can do no harm.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from pipeline.report.palette import css_variables
from pipeline.report.payload.plotting import csp_hash
from pipeline.report.wording import Reader

# What is put in last. Escaped text holds no "<", so nothing from a log can be taken for one.
PACK_MARK, PLOT_MARK, DRAWN_MARK = (Markup(f"<!--{what}-->") for what in ("pack", "plot", "drawn"))


def render(template: str, **context: Any) -> str:
    """`template` with its styles and scripts put in and its policy written: see `render_pieces`."""
    return _environment().get_template(template).render(_whole(**context))


def fragment(template: str, *, reader: Reader, **context: Any) -> Markup:
    """A part of a page by itself, to be put into it as it is."""
    return Markup(_environment().get_template(template).render(t=reader.t_html, **context))


def render_pieces(template: str, **context: Any) -> Iterator[str]:
    """The page piece by piece, so that a long one never stands in memory as a whole. Of `context`:

    reader: whom it is for. styles, scripts: names of files in `static/`. more_hashes: of scripts that the page adds later. foot: what
    stands under each printed sheet, before its number. All else is the template's own.
    """
    stream = _environment().get_template(template).stream(_whole(**context))
    stream.enable_buffering(64)
    return iter(stream)


def _whole(
    *,
    reader: Reader,
    styles: tuple[str, ...],
    scripts: tuple[str, ...],
    more_hashes: tuple[str, ...] = (),
    foot: str = "",
    **context: Any,
) -> dict[str, Any]:
    """What a template is given: see `render_pieces`."""
    script = _joined(scripts)
    allowed = (*([csp_hash(script.encode())] if script else []), *more_hashes)
    policy = "; ".join(
        (
            "default-src 'none'",
            "script-src " + (" ".join(allowed) or "'none'"),
            "style-src 'unsafe-inline'",
            "img-src data:",  # plotly paints heat maps so
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    return context | {
        "r": reader,
        "t": reader.t_html,
        "say": reader.say_html,
        "show": reader.show_html,
        "policy": policy,
        "style": Markup(css_variables() + _joined(styles) + _sheet(foot)),
        "script": Markup(script),
    }


def _sheet(foot: str) -> str:
    """A style for the margin of printed sheets: `foot` and the number of the sheet. Each character of `foot` but letters and digits
    is written as its code (CSS Syntax 3, section 4.3.7), so nothing in a name can end the string."""
    if not foot:
        return ""
    text = "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):06x} " for c in foot)
    return (
        f'@page{{@bottom-left{{content:"{text}";font:8pt sans-serif;color:#555}}'
        '@bottom-right{content:counter(page) " / " counter(pages);font:8pt sans-serif;color:#555}}'
    )


@cache
def _environment() -> Environment:
    return Environment(
        loader=FunctionLoader(_template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _template(name: str) -> str:
    return resources.files("pipeline.report").joinpath("templates", name).read_text(encoding="utf-8")


@cache
def _joined(names: tuple[str, ...]) -> str:
    folder = resources.files("pipeline.report").joinpath("static")
    return "\n".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)
