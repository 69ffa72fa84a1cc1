"""Numbers that tell whether an image or a vector file belongs to this firmware."""

from __future__ import annotations

import json
import zlib

from controller.ruleset import RuleSet


def layout_signature(rules: RuleSet) -> int:
    """Return the CRC-32 (IEEE 802.3) over names, order, units and ranges of inputs, keys and memory.

    Two rule sets with the same signature read the same image and the same vectors in the same way.
    """
    told = {
        "rules": [rules.name, rules.version],
        "signals": [[one.name, one.unit, one.low, one.high, one.is_flag] for one in rules.signals],
        "keys": [[one.name, one.place, one.scale, one.low, one.high, one.is_flag] for one in rules.keys],
        "relations": [[one.where, one.text] for one in rules.relations],
        "memory": [[one.name, one.low, one.high, one.initial, one.is_flag] for one in rules.memory],
        "reasons": list(rules.reasons),
        "lamps": [lamp.word for lamp in rules.lamps],
    }
    return zlib.crc32(json.dumps(told, ensure_ascii=True, separators=(",", ":")).encode())
