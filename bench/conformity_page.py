"""The conformity record: what was run, by version and checksum, each case with its figures, and lines to sign on."""

from __future__ import annotations

from bench.bus_conformity import BenchOutcome, every_case
from bench.cautions import CAUTIONS
from bench.identity import file_checksum, image_checksum, rules_text, tool_versions
from bench.pages.markup import (
    Judgement,
    asset,
    cautions_html,
    document,
    escaped,
    settings_html,
    table_html,
    verdict_html,
)
from bus.sweep import Grade

_ALWAYS = ("tccbench", "python", "numpy", "cantools", "python-can")
_SIGNERS = ("Run by", "Checked by", "Released by")


def conformity_page(outcome: BenchOutcome) -> str:
    """Return the record as one printable page. It holds no date and no clock: the same run gives the same bytes."""
    tables = "".join(table_html(table, heading="h2") for table in outcome.tables())
    if outcome.sweep:
        tables += table_html(every_case(outcome.sweep), heading="h2")
    body = (
        f"<header><h1>Conformity record</h1><p>{escaped(outcome.setup.device_text)}</p></header>\n<main>\n"
        f"{verdict_html(_verdict(outcome))}{settings_html(_identity(outcome))}"
        f"{cautions_html((*CAUTIONS, *_LIMITS))}{_signatures()}{tables}</main>\n"
    )
    return document("Conformity record", body, styles=[asset("paper.css")], kind="sheet")


_LIMITS = (
    "This record speaks of the frames that a device sent on a bench, for these rules, this calibration and this map. "
    "It says nothing of the board's wiring, its power stage, its sensors or the vehicle.",
)


def _verdict(outcome: BenchOutcome) -> list[tuple[Judgement, str]]:
    whole: tuple[Judgement, str]
    if outcome.has_failed:
        whole = ("bad", "Does not conform: see what failed below")
    elif not outcome.drives or not outcome.sweep:
        whole = ("note", "What was run conforms; drives or faults were left out, so that this is no whole record")
    else:
        whole = ("good", "Conforms in every drive and every fault case that was run and can be told")
    return [whole, *outcome.verdict()]


def _identity(outcome: BenchOutcome) -> list[tuple[str, str]]:
    from controller.port.image import write_image

    setup, binding, calibration = outcome.setup, outcome.binding, outcome.calibration
    image = write_image(binding.rules, list(map(int, calibration.values)))
    left_out = sum(one.grade in (Grade.LEFT_OUT, Grade.OPEN) for one in outcome.sweep)
    tools = _ALWAYS if setup.choice is None else (*_ALWAYS, *setup.choice.tools)
    rows = [
        ("Device", setup.device_text),
        ("Clock", "real time" if setup.is_real_time else "lock-step"),
        ("Rules", rules_text(binding.rules)),
        *([("Rules file, SHA-256", file_checksum(setup.rules_file))] if setup.rules_file else []),
        ("Calibration", f"{calibration.name}: {calibration.title}"),
        ("Calibration image, CRC-32", image_checksum(image)),
        ("Map", f"{setup.map_name}: {binding.title}"),
        ("DBC, SHA-256", file_checksum(outcome.dbc_path)),
        ("Vehicle", setup.vehicle),
        ("Drives", str(len(outcome.drives))),
        ("Fault cases", f"{len(outcome.sweep)}, of these {left_out} left out or not to be told"),
        ("Frames on the bus in drives", str(sum(one.frames for one in outcome.drives))),
        ("Frames lost, refused in drives", f"{sum(one.lost for one in outcome.drives)}, "
                                           f"{sum(one.refused for one in outcome.drives)}"),
    ]  # fmt: skip  # a row a line
    return rows + tool_versions(tools)


def _signatures() -> str:
    rows = "".join(f'<tr><th scope="row">{who}</th><td></td><td></td><td></td></tr>\n' for who in _SIGNERS)
    return (
        '<section class="signatures" aria-labelledby="signatures"><h2 id="signatures">Signatures</h2>\n'
        '<table><thead><tr><th scope="col"></th><th scope="col" class="words">Name</th>'
        '<th scope="col" class="words">Signature</th><th scope="col" class="words">Date</th></tr></thead>\n'
        f"<tbody>\n{rows}</tbody></table></section>\n"
    )
