"""The reference of a rule set as Markdown, written from its declarations.

The documents hold it between markers, `<!-- generated: rows -->` and `<!-- end -->`, with prose of their own around.
Renew them after a change of the declarations with `python -m controller.reference docs/rules.md docs/calibration.md`;
a test fails while they are old.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from types import SimpleNamespace

from controller.calibration import default_values, in_file_units
from controller.chart import mermaid, row_table
from controller.declare import Interlock, Key
from controller.errors import UserError
from controller.our_rules import OURS
from controller.ruleset import RuleSet
from controller.suggest import nearest

_UNITS = (
    ("_rpm_at_100_kmh", "rpm"),
    ("_kmh", "km/h"),
    ("_c", "°C"),
    ("_permille_per_s", "permille/s"),
    ("_pct", "%"),
    ("_rpm", "rpm"),
    ("_ms", "ms"),
    ("gear_lowest", "gear"),
    ("gear_highest", "gear"),
    ("speed_scale", "factor"),
)
"""Unit by the end of a key's name in the file; the first that fits."""


def table(head: Sequence[str], lines: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table."""
    written = [head, ["---"] * len(head), *lines]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in written)


def unit_of(key: Key) -> str:
    """Return the unit of a key's number in the file, by the end of its name."""
    return "" if key.is_flag else next((unit for end, unit in _UNITS if key.place.endswith(end)), "")


def diagram(rules: RuleSet) -> str:
    """Return the state diagram as a Mermaid block."""
    return f"```mermaid\n{mermaid(rules)}\n```"


def rows(rules: RuleSet) -> str:
    """Return the chart's rows as a table."""
    return table(("row", "in", "goes to", "if", "reason"), row_table(rules))


def interlocks(rules: RuleSet) -> str:
    """Return the interlocks as a table, in their order."""

    def wait(time: str | int) -> str:
        if isinstance(time, int):
            return f"{time} ms"
        return next(f"`{key.place}`" for key in rules.keys if key.name == time)

    def line(one: Interlock) -> tuple[str, ...]:
        to = "–" if one.out_to is None else one.out_to.word
        return (
            f"`{one.reason}`",
            one.meaning,
            to,
            wait(one.confirm),
            "–" if one.latches else wait(one.settle),
            one.clears,
        )

    head = ("reason", "comes out, or stays out, when", "a hold goes to", "confirm", "settle", "back in")
    return table(head, map(line, rules.interlocks))


def refusals(rules: RuleSet) -> str:
    """Return every ground for not going in, in the order they are reported, each with an example of its words."""
    x = SimpleNamespace(**{signal.name: signal.default for signal in rules.signals})
    k = default_values(rules)
    return table(
        ("reason", "in words, for example"),
        ((f"`{one.reason}`", one.says if isinstance(one.says, str) else one.says(x, k)) for one in rules.refusals),
    )


def lamps(rules: RuleSet) -> str:
    """Return the bits of the warning word as a table."""
    return table(
        ("bit", "lamp", "what the driver is told"),
        ((str(bit), f"`{lamp.word}`", lamp.meaning) for bit, lamp in enumerate(rules.lamps)),
    )


def signals(rules: RuleSet) -> str:
    """Return the inputs as a table."""
    return table(
        ("signal", "unit", "range", "meaning"),
        (
            (f"`{one.name}`", one.unit, "true or false" if one.is_flag else f"{one.low} to {one.high}", one.meaning)
            for one in rules.signals
        ),
    )


def memory(rules: RuleSet) -> str:
    """Return the memory fields as a table."""
    return table(
        ("field", "range", "at a start", "meaning"),
        ((f"`{one.name}`", f"{one.low} to {one.high}", str(one.initial), one.meaning) for one in rules.memory),
    )


def properties(rules: RuleSet) -> str:
    """Return what must never fail as a table."""
    return table(("property", "meaning"), ((f"`{one.name}`", one.meaning) for one in rules.checks))


def calibration(rules: RuleSet) -> str:
    """Return every calibration key, a table of the file a section."""
    sections: dict[str, list[tuple[str, ...]]] = {}
    places: dict[str, list[Key]] = {}
    for key in rules.keys:
        places.setdefault(key.place, []).append(key)
    for place, keys in places.items():
        first = keys[0]
        name = place.rpartition(".")[0]
        span = (
            "true or false"
            if first.is_flag
            else f"{in_file_units(first, first.low)} to {in_file_units(first, first.high)}"
        )
        default = in_file_units(first, first.default)
        if first.entry is not None:
            default = f"[{', '.join(in_file_units(key, key.default) for key in keys if key.default)}]"
            span = f"up to {len(keys)} entries of {span}"
        line = f"`{place.rpartition('.')[2]}`", unit_of(first), span, _step(first), default, first.meaning
        sections.setdefault(name, []).append(line)
    head = ("key", "unit", "range", "step", "default", "meaning")
    return "\n\n".join(f"### `[{name}]`\n\n{table(head, lines)}" for name, lines in sections.items())


def _step(key: Key) -> str:
    return "" if key.is_flag else in_file_units(key, 1)


def relations(rules: RuleSet) -> str:
    """Return what must hold between calibration keys; a relation repeated for each gear stands once."""
    alike: dict[tuple[str, str], list[str]] = {}
    for one in rules.relations:
        alike.setdefault((one.where, re.sub(r"\d+", "", one.text)), []).append(one.text)
    return table(
        ("key", "must be"),
        (
            (f"`{where}`", texts[0] if len(texts) == 1 else f"{texts[0]}; and so on, {len(texts)} in all")
            for (where, _), texts in alike.items()
        ),
    )


SECTIONS: dict[str, Callable[[RuleSet], str]] = {
    section.__name__: section
    for section in (
        diagram, rows, interlocks, refusals, lamps, signals, memory, properties, calibration, relations,
    )
}  # fmt: skip  # a list of names
"""What a document may hold between markers, by name."""

_MARKED = re.compile(r"(<!-- generated: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def renewed(text: str, rules: RuleSet = OURS) -> str:
    """Return a document with everything between its markers written anew; `UserError` for an unknown section."""

    def section(found: re.Match[str]) -> str:
        name = found[2]
        if name not in SECTIONS:
            raise UserError(f"no generated section {name!r}; {nearest(name, list(SECTIONS))}")
        return f"{found[1]}\n{SECTIONS[name](rules)}\n\n{found[3]}"

    return _MARKED.sub(section, text)


def main(paths: Sequence[str]) -> None:
    """Renew documents in place; from the command line without paths, those of this project."""
    for path in paths:
        file = Path(path)
        file.write_text(renewed(file.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:] or ["docs/rules.md", "docs/calibration.md"])
