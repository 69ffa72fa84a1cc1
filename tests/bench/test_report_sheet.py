from bench.pages.markup import Flag, Table
from bench.pages.sheet import render_sheet

EVIL = "<script>alert(1)</script>"


def test_the_sheet_holds_title_words_tables_and_cautions_in_that_order() -> None:
    html = render_sheet(
        "Your ute",
        ["It holds at 38 km/h."],
        [Table("Gears", ["gear", "rpm"], [["4", Flag("bad", "1150")]])],
        ["Go easy."],
    )
    places = [html.index(text) for text in ("<h1>Your ute", "It holds at 38 km/h.", "Gears</h2>", "1150", "Go easy.")]
    assert places == sorted(places)
    assert "@media print" in html


def test_the_sheet_runs_no_script_and_escapes_its_texts() -> None:
    html = render_sheet(EVIL, [EVIL], [Table(EVIL, [EVIL], [[EVIL]], note=EVIL)], [EVIL])
    assert "<script" not in html
    assert "script-src 'none'" in html
