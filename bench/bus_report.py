"""The bench's verdict as a page and as JUnit XML."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

from bench.bus_conformity import BenchOutcome, every_case
from bench.cautions import CAUTIONS
from bench.conformity_page import conformity_page
from bench.out_files import write_whole
from bench.pages.sheet import render_sheet
from bus.sweep import Grade


def write_reports(outcome: BenchOutcome, folder: Path) -> None:
    """Write `bench.html`, `conformity.html` and `junit.xml` into a folder.

    Raises `UserError` where they cannot be written.
    """
    write_whole(folder / "bench.html", [page(outcome)])
    write_whole(folder / "conformity.html", [conformity_page(outcome)])
    write_whole(folder / "junit.xml", [junit(outcome)])


def page(outcome: BenchOutcome) -> str:
    """Return the verdict as one printable page."""
    setup = outcome.setup
    paragraphs = [f"{'Failed' if kind == 'bad' else 'Passed' if kind == 'good' else 'Note'}: {text}."
                  for kind, text in outcome.verdict()]  # fmt: skip
    paragraphs.append(
        f"Device: {setup.device_text}. Map {outcome.binding.title}, "
        f"{'real time' if setup.is_real_time else 'lock-step'}, calibration {setup.calibration}, "
        f"rules {setup.rules_file or 'ours'}, vehicle {setup.vehicle}."
    )
    tables = outcome.tables()
    if outcome.sweep:
        tables.append(every_case(outcome.sweep))
    return render_sheet("CAN bench", paragraphs, tables, CAUTIONS)


def junit(outcome: BenchOutcome) -> str:
    """Return the verdict as JUnit XML: a suite for the drives, one for the faults."""
    root = ET.Element("testsuites", name="tccbench bench")
    suite = ET.SubElement(root, "testsuite", name="drives")
    for drive in outcome.drives:
        case = ET.SubElement(suite, "testcase", classname="drives", name=drive.name, time=f"{drive.seconds:.2f}")
        if not drive.passed:
            ET.SubElement(case, "failure", message=drive.text)
    _count(suite)
    suite = ET.SubElement(root, "testsuite", name="faults")
    for one in outcome.sweep:
        case = ET.SubElement(suite, "testcase", classname=f"faults.{one.case.kind.word}", name=one.case.name)
        if one.grade is Grade.FAILED:
            ET.SubElement(case, "failure", message=one.text)
        elif one.grade is not Grade.PASSED:
            ET.SubElement(case, "skipped", message=f"{one.grade.value}: {one.text}")
        elif one.reaction_ms is not None:
            ET.SubElement(
                case, "system-out"
            ).text = f"reaction {one.reaction_ms} ms, limit {one.limit_ms} ms, recovery {one.recovery_ms} ms"
    _count(suite)
    ET.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _count(suite: ET.Element) -> None:
    suite.set("tests", str(len(suite)))
    for word, tag in (("failures", "failure"), ("skipped", "skipped")):
        suite.set(word, str(sum(case.find(tag) is not None for case in suite)))
