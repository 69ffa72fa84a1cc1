"""The chart of a rule set, declared in `transitions` from its rows: truth, diagram and row table.

The machine's library builds triggers at run time and calls conditions by name or as functions; it gets functions
only, one trigger, and a mark of the row that fired. Where no row fires it answers False and the state stays.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from transitions import Machine

from controller.declare import Row, State
from controller.ruleset import RuleSet


class Chart:
    """The rule set's rows as a `transitions` machine that is asked once a tick."""

    def __init__(self, rules: RuleSet) -> None:
        self.rows = rules.rows
        self.numbers = rules.reason_numbers
        self.fired: Row | None = None
        self._ask: Callable[[Row], bool] = lambda _row: False
        self.machine = Machine(
            model=self,
            states=[state.word for state in State],
            initial=State.IDLE.word,
            auto_transitions=False,
            transitions=[
                {
                    "trigger": "next_tick",
                    "source": row.source.word,
                    "dest": row.destination.word,
                    "conditions": self._condition(row),
                    "after": self._marker(row),
                }
                for row in rules.rows
            ],
        )

    def _condition(self, row: Row) -> Callable[[], bool]:
        return lambda: self._ask(row)

    def _marker(self, row: Row) -> Callable[[], None]:
        def mark() -> None:
            self.fired = row

        return mark

    def fire(self, state: State, ask: Callable[[Row], bool]) -> Row | None:
        """Return the row that fires in `state` where `ask(row)` tells each condition, or None."""
        self._ask = ask
        self.fired = None
        self.machine.set_state(state.word)
        self.next_tick()  # type: ignore[attr-defined]  # transitions adds its triggers at run time
        return self.fired

    def choose(self, _rules: RuleSet, x: Any, k: Any, m: Any) -> tuple[Any, Any]:
        """Choose as `controller.tick.fold` does, by asking the machine."""
        row = self.fire(State(m.state), lambda row: bool(row.condition(x, k, m)))
        if row is None:
            return m.state, m.reason
        return int(row.destination), self.numbers[row.reason]


def mermaid(rules: RuleSet) -> str:
    """Return the state diagram as Mermaid text; reasons between the same two states share an arrow."""
    arrows: dict[tuple[str, str], list[str]] = {}
    for row in rules.rows:
        reasons = arrows.setdefault((row.source.word, row.destination.word), [])
        if row.reason not in reasons:
            reasons.append(row.reason)
    lines = ["stateDiagram-v2", "    [*] --> idle"]
    lines += [f"    {source} --> {target}: {', '.join(words)}" for (source, target), words in arrows.items()]
    return "\n".join(lines)


def row_table(rules: RuleSet) -> list[tuple[str, str, str, str, str]]:
    """Return the rows as text: number, source, destination, condition, reason; the first that holds fires."""
    return [
        (str(number), row.source.word, row.destination.word, row.name, row.reason)
        for number, row in enumerate(rules.rows, 1)
    ]
