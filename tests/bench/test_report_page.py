import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from report_samples import CHANNELS, sample_page

from bench.pages.report import Channel, Flag, Marker, Page, Run, Table, decode, render, write
from bench.pages.run_style import run_style
from controller.errors import UserError

EVIL = "<script>alert('x')</script>\"'><img src=x onerror=alert(1)> & </title>"


@pytest.fixture(scope="module")
def page() -> Page:
    return sample_page(60.0)


@pytest.fixture(scope="module")
def html(page: Page) -> str:
    return render(page)


class Outline(HTMLParser):
    """Collects tags with their attributes, and checks that they close in order."""

    VOID = frozenset({"meta", "link", "br", "img"})

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def test_every_trace_comes_back_from_the_page(page: Page, html: str) -> None:
    stepped = {channel.key for channel in CHANNELS if channel.kind == "step"}
    runs = decode(html)
    assert [run.name for run in runs] == [run.name for run in page.runs]
    for back, run in zip(runs, page.runs, strict=True):
        np.testing.assert_allclose(back.time_s, run.time_s, atol=1e-9)
        assert set(back.data) == set(run.data)
        for key, values in run.data.items():
            bound = 0.0 if key in stepped else 0.5001 * float(np.ptp(values)) / 4095.0
            assert float(np.abs(back.data[key] - values).max()) <= bound, key


def test_the_quantisation_step_of_each_trace_is_in_the_page(page: Page, html: str) -> None:
    step = f"{float(np.ptp(page.runs[0].data['oil'])) / 4095.0:.3g}"
    row = re.search(r'<th scope="row">oil</th>.*?</tr>', html)
    assert row is not None
    assert f"<td>{step}</td>" in row[0]
    gear = re.search(r'<th scope="row">gear</th>.*?</tr>', html)
    assert gear is not None
    assert gear[0].count("exact") == 3


def test_three_runs_of_ten_minutes_stay_under_3_mb(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write(path, sample_page(600.0))
    assert path.stat().st_size < 3_000_000


def test_two_renderings_are_byte_identical(html: str) -> None:
    assert render(sample_page(60.0)) == html


def test_the_page_is_well_formed_and_names_no_other_place(html: str) -> None:
    outline = Outline(html)
    assert outline.open == []
    places = [attributes[name] for _, attributes in outline.tags for name in ("src", "href") if name in attributes]
    assert places == ["data:,"]  # the empty icon, which keeps a browser from asking for one
    policy = outline.named("meta")[1]["content"]
    assert policy is not None
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "url(" not in "".join(re.findall(r"<style>(.*?)</style>", html, re.DOTALL))


def test_verdict_then_cautions_then_tables_then_traces_then_engagements(html: str) -> None:
    headings = re.findall(r"<h2[^>]*>([^<]*)</h2>", html)
    assert headings == ["Verdict", "Cautions", "Figures", "Traces", "Engagements and their reasons", "What was run"]


def test_headings_descend_without_a_gap(html: str) -> None:
    levels = [int(tag[1]) for tag, _ in Outline(html).tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_every_table_heading_has_a_scope_and_every_strip_a_summary(html: str) -> None:
    outline = Outline(html)
    assert all(attributes.get("scope") in ("row", "col") for attributes in outline.named("th"))
    plots = [attributes for _, attributes in outline.tags if attributes.get("class") == "plot"]
    assert len(plots) == 15  # 20 channels, of which engine/turbine, oil/case/coolant and three torques share a strip
    for attributes in plots:
        assert attributes["role"] == "img"
        assert "A open, " in (attributes["aria-label"] or "")


def test_a_summary_names_states_in_words(html: str) -> None:
    labels = [str(attributes.get("aria-label")) for _, attributes in Outline(html).tags]
    hold = next(label for label in labels if label.startswith("Rules: hold over time in s."))
    assert "C rules: river and pass, hold: " in hold
    assert "armed, applied" in hold
    assert " changes; " in hold


def test_every_engagement_stands_in_the_table_with_its_reason(page: Page, html: str) -> None:
    for index, marker in enumerate(page.markers):
        row = re.search(rf'data-marker="{index}">.*?</tr>', html, re.DOTALL)
        assert row is not None
        assert f"{marker.time_s:.2f}" in row[0]
        assert f">{marker.text}<" in row[0]


def test_the_time_held_is_from_in_to_out_of_the_same_run() -> None:
    base = sample_page(60.0, ("one", "two"))
    markers = [Marker(0, 10.0, "in", "a"), Marker(1, 11.0, "in", "b"), Marker(0, 12.5, "out", "c")]
    html = render(replace(base, markers=markers))
    assert ">2.50</td>" in html
    assert ">1.50</td>" not in html


def test_texts_are_escaped_everywhere() -> None:
    base = sample_page(20.0, (EVIL, "two"))
    page = replace(
        base,
        title=EVIL,
        subtitle=EVIL,
        verdict=[("bad", EVIL)],
        tables=[Table(EVIL, [EVIL, EVIL], [[EVIL, Flag("bad", EVIL)]], note=EVIL)],
        channels=[Channel("state", EVIL, EVIL, EVIL, "step", {0: EVIL}), Channel("oil", EVIL, EVIL, EVIL, "line")],
        markers=[Marker(0, 1.0, "in", EVIL)],
        cautions=[EVIL],
        settings=[(EVIL, EVIL)],
    )
    html = render(page)
    assert "<img" not in html
    assert "<script>alert" not in html
    outline = Outline(html)
    assert outline.open == []
    assert len(outline.named("script")) == len(Outline(render(base)).named("script"))
    assert not any(name.startswith("on") for _, attributes in outline.tags for name in attributes)
    assert decode(html)[0].name == EVIL


def test_flags_are_told_apart_by_signs_and_words() -> None:
    html = render(replace(sample_page(20.0), tables=[Table("t", ["", "x"], [["r", Flag("bad", "9")]])]))
    flag = re.search(r'<td><span class="flag bad">(.*?)</span></td>', html)
    assert flag is not None
    assert "✗" in flag[1]
    assert "bad: " in flag[1]


def test_run_styles_differ_without_colour() -> None:
    styles = [run_style(index) for index in range(5)]
    assert len({style.dash for style in styles}) == 5
    assert len({style.glyph for style in styles}) == 5
    assert [style.letter for style in styles] == list("ABCDE")
    assert run_style(26).letter == "A2"
    every = [run_style(index) for index in range(30)]
    assert len({(style.ink, style.dash) for style in every}) == 30


def luminance(colour: str) -> float:
    channels = [int(colour[place : place + 2], 16) / 255.0 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("ground", ["#fffefb", "#f5f2e9"])
@pytest.mark.parametrize(
    "ink", sorted({run_style(index).ink for index in range(6)} | {"#23262b", "#565a61", "#22612b", "#9b1c14"})
)
def test_contrast_is_at_least_4_5_to_1(ink: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.3 (contrast, minimum), with its definition of relative luminance."""
    assert (luminance(ground) + 0.05) / (luminance(ink) + 0.05) >= 4.5


def test_a_page_without_runs_still_shows_verdict_and_tables() -> None:
    html = render(replace(sample_page(20.0), runs=[], channels=[], markers=[]))
    assert "Verdict" in html
    assert "Peak oil temperature" in html
    assert 'id="traces"' not in html
    assert decode(html) == []


def test_a_channel_that_a_run_lacks_is_left_out_of_that_run() -> None:
    base = sample_page(20.0, ("one", "two"))
    data = {key: values for key, values in base.runs[0].data.items() if key != "oil"}
    html = render(replace(base, runs=[Run("one", base.runs[0].time_s, data), base.runs[1]]))
    assert "A one, oil: no values." in html
    assert "oil" not in decode(html)[0].data


def test_runs_of_different_length_share_a_page() -> None:
    base = sample_page(20.0, ("one",))
    html = render(replace(base, runs=[base.runs[0], sample_page(30.0, ("x",)).runs[0]]))
    assert [run.time_s.size for run in decode(html)] == [2001, 3001]


def faulty_pages() -> list[tuple[str, Page]]:
    base = sample_page(20.0, ("one", "two"))
    first, second = base.runs
    bent = second.time_s.copy()
    bent[1000] += 0.002
    return [
        ("share one start and", replace(base, runs=[first, replace(second, time_s=second.time_s + 1.0)])),
        ("one time step", replace(base, runs=[first, replace(second, time_s=second.time_s * 2.0)])),
        ("uniform steps", replace(base, runs=[first, replace(second, time_s=bent)])),
        ("uniform steps", replace(base, runs=[first, replace(second, time_s=second.time_s * 0.0)])),
        ("at least 2", replace(base, runs=[Run("short", np.zeros(1), {})])),
        ("oil has shape", replace(base, runs=[first, replace(second, data={**second.data, "oil": np.zeros(3)})])),
        ("'two': oil: a trace holds an infinite", replace(
            base, runs=[first, replace(second, data={**second.data, "oil": np.full(2001, np.inf)})])),
        ("belongs to run 2", replace(base, markers=[Marker(2, 1.0, "in", "x")])),
        ("belongs to run -1", replace(base, markers=[Marker(-1, 1.0, "in", "x")])),
        ("2 cells for 1 columns", replace(base, tables=[Table("t", ["a"], [["b", "c"]])])),
    ]  # fmt: skip


@pytest.mark.parametrize(("complaint", "page"), faulty_pages())
def test_a_page_that_does_not_hold_together_is_refused(complaint: str, page: Page) -> None:
    with pytest.raises(ValueError, match=complaint):
        render(page)


def test_writing_leaves_one_readable_file(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    page = sample_page(20.0)
    path.write_text("old", encoding="utf-8")
    write(path, page)
    assert path.read_text(encoding="utf-8") == render(page)
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
    assert path.stat().st_mode & 0o777 == 0o644


def test_a_missing_folder_is_one_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "report.html"
    with pytest.raises(UserError, match=r"report\.html: no such file or directory") as caught:
        write(path, sample_page(20.0))
    assert "\n" not in str(caught.value)


def test_a_failed_write_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    path.mkdir()
    with pytest.raises(UserError, match="is a directory"):
        write(path, sample_page(20.0))
    assert [entry.name for entry in tmp_path.iterdir()] == ["report.html"]
