"""What a bus makes of the rules' inputs, said without frames: values in its steps, held from message to message.

The direct run that a bus run is compared with sees its inputs through this. It shares nothing with the code that
writes and reads frames but the map.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from bus.binding import Binding, BoundSignal
from bus.known import age_name
from controller.declare import AGE_INVALID_MS
from sim.strategies import Decision, Strategy, Told


class Carried:
    """The inputs as the map's steps and periods leave them."""

    def __init__(self, binding: Binding) -> None:
        self._rules = binding.rules
        self._constants = binding.constants
        self._carriers = [(message.period_ms, one) for message in binding.input_messages for one in message.signals]
        self._held: dict[str, int] = {}
        self._good_ms: dict[str, int] = {}

    def at(self, inputs: Mapping[str, int]) -> dict[str, int]:
        """Take one tick's inputs and return them as they arrive."""
        now_ms = inputs["now_ms"]
        arrived = {one.name: self._constants.get(one.name, one.default) for one in self._rules.signals}
        arrived["now_ms"] = now_ms
        for period_ms, one in self._carriers:
            age = age_name(one.name)
            is_fresh = age is None or inputs[age] == 0
            if now_ms % period_ms == 0 and is_fresh:
                self._held[one.name] = _rounded_to_step(one, inputs[one.name])
                self._good_ms[one.name] = now_ms
            if one.name in self._held and one.name in arrived:
                arrived[one.name] = self._held[one.name]
            if age in arrived:
                arrived[age] = max(arrived[age], self._age_ms(one, now_ms))
        for signal in self._rules.signals:
            if signal.is_flag:
                arrived[signal.name] = bool(arrived[signal.name])
        return arrived

    def _age_ms(self, one: BoundSignal, now_ms: int) -> int:
        if one.name not in self._good_ms:
            return AGE_INVALID_MS
        age_ms = now_ms - self._good_ms[one.name]
        return age_ms if age_ms <= one.timeout_ms else AGE_INVALID_MS


def _rounded_to_step(one: BoundSignal, value: int) -> int:
    if one.codes is not None:
        return value
    return one.scaling.ours(min(max(one.scaling.raw(value), one.raw_low), one.raw_high))


class Late:
    """A strategy whose command arrives a tick later, as over a bus; until the first, the transmission is as built."""

    kind = "rules"

    def __init__(self, strategy: Strategy, carried: Carried | None = None) -> None:
        self.name = strategy.name
        self.reason_words: tuple[str, ...] = strategy.reason_words
        self.signals: tuple[Any, ...] = strategy.signals
        self._strategy, self._carried = strategy, carried
        self._last = Decision(0.0, False, 0, 0, 0, 0)

    @property
    def told(self) -> Sequence[Told]:
        """What the strategy itself has said."""
        return self._strategy.told

    def tick(self, inputs: Mapping[str, int], as_built_duty: float) -> Decision:
        """Return the decision of the tick before; in idle the schedule of now."""
        last = self._last
        self._last = self._strategy.tick(self._carried.at(inputs) if self._carried else inputs, 0.0)
        return last if last.hold else last._replace(duty=as_built_duty)
