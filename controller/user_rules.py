"""Loading a rule set of the user's own: a Python file that leaves it in a variable `RULES`."""

from __future__ import annotations

import runpy
import traceback

from controller.errors import UserError
from controller.language import check
from controller.our_rules import OURS
from controller.ruleset import RuleSet


def load_rules(path: str | None) -> RuleSet:
    """Return our rules, or those of a file, which is run as code; checked for the vocabulary in both cases.

    Raises `UserError` with file and line where the file cannot be run, leaves no rule set, or a rule is outside
    the vocabulary.
    """
    if path is None:
        return OURS
    try:
        left = runpy.run_path(path)
    except UserError as error:
        raise UserError(f"{path}: {error}") from None
    except OSError as error:
        raise UserError(f"{path}: {(error.strerror or 'cannot be read').lower()}; give a Python file "
                        "that leaves a rule set in RULES") from None  # fmt: skip
    except SyntaxError as error:
        raise UserError(f"{error.filename}:{error.lineno}: {error.msg}") from None
    except Exception as error:  # whatever the user's own code raises is one line about that code
        line = next((frame.lineno for frame in reversed(traceback.extract_tb(error.__traceback__))
                     if frame.filename == path), 0)  # fmt: skip
        raise UserError(f"{path}:{line}: {type(error).__name__}: {error}") from None
    rules = left.get("RULES")
    if not isinstance(rules, RuleSet):
        raise UserError(f"{path}: leaves no rule set; end it with RULES = OURS.adding(…)")
    check(rules)
    return rules
