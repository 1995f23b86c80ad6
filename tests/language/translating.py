"""Everything that a translation must say, with its English. For translators:

    python -m tests.language.translating fr

prints the file `pipeline/language/fr.toml` to start from, every text still in English; once the file is there, what
is wrong with it: what it lacks, what nobody says any more, and where a {value} was lost.
"""

from __future__ import annotations

import ast
import functools
import importlib
import itertools
import json
import re
import string
import sys
from collections.abc import Iterator, Mapping
from importlib import import_module
from pathlib import Path
from pkgutil import walk_packages

import pipeline
from pipeline import findings
from pipeline.findings.phrase import entered
from pipeline.findings.thresholds import BEFORE, TABLE
from pipeline.language.catalogue import FOLDER, languages, own_text
from pipeline.language.text import QUANTITIES

WATER = "water-cooled"
"""The table of what is said in place of the text of the same key where water cools the condenser."""


def everything() -> dict[str, dict[str, str]]:
    """Table of the file -> key -> English. "" holds the texts of pages and messages, whose keys name their table."""
    pages, water = {}, {}
    for key, text in own_text("en").items():
        name = key.removeprefix(f"{WATER}.")
        (pages if name == key else water)[name] = text
    return {
        "": pages,
        WATER: water,
        "sign": signs(),
        "threshold": {row.name: row.what for row in TABLE} | {name: row.what for name, row in BEFORE.items()},
        "said": {**all_texts(), **said_by_the_reading_room()},
    }


def all_texts() -> dict[str, str]:
    """Every sentence that `findings/` can say: key -> English pattern."""
    for module in walk_packages(findings.__path__, f"{findings.__name__}."):
        import_module(module.name)
    return entered()


def signs() -> dict[str, str]:
    """Units of measure that are words."""
    shown = (q[1].strip() for quantity in QUANTITIES.values() for q in (quantity.si, quantity.us))
    return {sign: sign for sign in shown if "day" in sign or "hour" in sign}


@functools.cache
def said_by_the_reading_room() -> Mapping[str, str]:
    """Its doubts and notes, found in its source: it keeps no catalogue of its own."""
    found: dict[str, str] = {}
    root = Path(pipeline.__file__).parent
    for file in sorted((root / "logs").rglob("*.py")):
        known = vars(
            importlib.import_module(".".join(("pipeline", *file.relative_to(root).with_suffix("").parts)))
        )
        for function in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(function, ast.FunctionDef | ast.Module):
                found |= _said_in(function, known)
    return found


_OPEN = [{"ahead": ahead, "way": way} for ahead in (True, False) for way in ("gains", "loses")]
"""What keys of doubts on clocks are put together from: which way a clock is off, and which way it drifts."""


def _said_in(function: ast.AST, known: Mapping) -> dict[str, str]:
    """Key -> English of every call in `function` that has both, be they written there or in a block before it."""
    named = (
        [] if isinstance(function, ast.Module) else [block for block in _assigned(function) if "key" in block]
    )
    found = {}
    for call in (node for node in ast.walk(function) if isinstance(node, ast.Call)):
        given = [*call.args, *(word.value for word in call.keywords)]
        for key, english in itertools.pairwise(given):
            if isinstance(key, ast.Name) and key.id == "key":
                blocks = named
            elif isinstance(_value(key, known) if _is_written(key, known) else None, str):
                blocks = [{}]
            else:
                continue
            for block in blocks:
                for values in _OPEN:
                    scope = {**known, **values}
                    scope |= {name: _value(node, scope) for name, node in block.items()}
                    name = _value(key, scope)
                    if re.fullmatch(r"logs\.(doubt|note)\.[a-z_]*[a-z]", str(name)):
                        found[name] = _value(english, scope)
    return found


def _is_written(key: ast.expr, known: Mapping) -> bool:
    """Whether it stands there in full, or by the name of a constant."""
    return isinstance(key, ast.Constant) or (isinstance(key, ast.Name) and key.id in known)


def _assigned(function: ast.AST) -> Iterator[dict[str, ast.expr]]:
    for node in ast.walk(function):
        for block in (getattr(node, "body", None), getattr(node, "orelse", None)):
            if isinstance(block, list):
                yield {
                    line.targets[0].id: line.value
                    for line in block
                    if isinstance(line, ast.Assign)
                    and isinstance(line.targets[0], ast.Name)
                    and line.targets[0].id in ("key", "pattern", "english")
                }


def _value(node: ast.expr, scope: dict) -> object:
    return (
        node.value
        if isinstance(node, ast.Constant)
        else eval(compile(ast.Expression(node), "<source>", "eval"), scope)
    )


def faults(language: str) -> list[str]:
    """What is wrong with the file of `language`; nothing, where it says everything."""
    there, wanted = own_text(language), _flat(everything())
    lacking = [f"lacks {key} = {english!r}" for key, english in wanted.items() if key not in there]
    stray = [f"nobody says {key}" for key in there if key not in wanted]
    wrong = [
        f"{key} must have the values of {wanted[key]!r}"
        for key in there
        if key in wanted and fields(there[key]) != fields(wanted[key])
    ]
    return lacking + stray + wrong


def _flat(tables: Mapping[str, Mapping[str, str]]) -> dict[str, str]:
    """With the keys that `own_text` gives."""
    return {
        (key if table in ("", "said") else f"{table}.{key}"): english
        for table, texts in tables.items()
        for key, english in texts.items()
    }


def fields(pattern: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(pattern) if name}


def to_start_from() -> str:
    """A whole file, every text in English."""
    by_table: dict[str, dict[str, str]] = {}
    for table, texts in everything().items():
        for key, english in texts.items():
            home, _, name = (table, "", key) if table else key.rpartition(".")
            by_table.setdefault(home, {})[name] = english
    return "\n\n".join(
        "\n".join(
            [f"[{table}]", *(f"{_bare(key)} = {json.dumps(text, ensure_ascii=False)}" for key, text in texts.items())]
        )
        for table, texts in by_table.items()
    )  # fmt: skip


def _bare(key: str) -> str:
    return key if re.fullmatch(r"[\w-]+", key, re.ASCII) else json.dumps(key, ensure_ascii=False)


def main() -> int:
    if len(sys.argv) != 2 or not re.fullmatch(r"[a-z]{2,3}(-[A-Za-z0-9]+)*", sys.argv[1]):
        print("name one language by its code, such as fr (BCP 47)", file=sys.stderr)
        return 2
    language = sys.argv[1]
    if language not in languages():
        print(f"put this into {FOLDER.name}/{language}.toml and translate what is right of each =", file=sys.stderr)  # fmt: skip
        print(to_start_from())
        return 0
    wrong = faults(language)
    print("\n".join(wrong) or "nothing is lacking")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
