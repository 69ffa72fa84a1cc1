"""The structures of `rules.h`, read from its text."""

from __future__ import annotations

import re


def fields(header: str, structure: str) -> list[tuple[str, str, str]]:
    """Return type, name and comment of each field of a structure, in their order."""
    inside = header.partition(f"}} {structure};")[0].rpartition("typedef struct\n{")[2]
    found = re.findall(r"/\*(.*?)\*/\s+(\w+) (\w+);", inside, flags=re.S)
    return [(kind, name, " ".join(text.replace("\n     *", " ").split())) for text, kind, name in found]
