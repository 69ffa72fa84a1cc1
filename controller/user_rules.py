"""Loading a rule set of the user's own: a Python file that leaves it in a variable `RULES`."""

from __future__ import annotations

import runpy
import traceback
from importlib import resources
from pathlib import Path

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
        Path(path).read_bytes()  # a folder or an archive would be run as a package
        left = runpy.run_path(path)
    except OSError as error:
        raise UserError(f"{path}: {(error.strerror or 'cannot be read').lower()}; give a Python file "
                        "that leaves a rule set in RULES") from None  # fmt: skip
    except SyntaxError as error:
        raise UserError(f"{error.filename or path}:{error.lineno or 1}: {error.msg}") from None
    except UserError as error:
        raise UserError(f"{_where(path, error)}: {error}") from None
    except (Exception, SystemExit) as error:  # whatever the user's own code raises is one line about that code
        said = " ".join(str(error).split())  # on one line, whatever it was
        raise UserError(f"{_where(path, error)}: {type(error).__name__}: {said}") from None
    rules = left.get("RULES")
    if not isinstance(rules, RuleSet):
        raise UserError(f"{path}: leaves no rule set; end it with RULES = OURS.adding(…)")
    check(rules)
    return rules


def _where(path: str, error: BaseException) -> str:
    lines = [frame.lineno for frame in traceback.extract_tb(error.__traceback__) if frame.filename == path]
    return f"{path}:{lines[-1]}" if lines else path


def template_text() -> str:
    """Return the commented rule file that a user starts from."""
    return (resources.files("controller") / "templates" / "my_rules.py").read_text("utf-8")
