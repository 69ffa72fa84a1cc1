"""Mutants are wrong in one place, named for good, and judged without taking a crash for a kill."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

pytest.importorskip("z3", reason="the proof extra is not installed: pip install 'tccbench[proof]'")

from dataclasses import replace

from bench.mutation import campaign
from bench.mutation.judge import KILLED, LOOKED, SURVIVED, UNKNOWN
from bench.mutation.proof_view import fires_every_row, narrowed, runs_to_rows, seen_by_proof
from bench.mutation.rule_edits import edits_of
from bench.mutation.source_mutants import Mutant, mutants_of
from bench.mutation.survey import File, Survey, files_of
from controller.errors import UserError
from controller.our_rules import OURS
from controller.proof import Effort
from controller.tracer import trace
from controller.user_rules import load_rules, template_text

_SOURCE = '''
def rule(x, k, m):
    """Say so."""
    late = select(m.on, k.low + 10, k.low)
    return (x.speed < late) & not_(x.brake)
'''


def test_each_mutant_differs_in_one_way_and_has_its_own_name() -> None:
    made = list(mutants_of("sample", _SOURCE))
    whole = ast.unparse(ast.parse(_SOURCE))
    names = [one.name for one in made]
    assert len(set(names)) == len(names)
    assert all(one.text() != whole for one in made)
    assert {text for one in made for text in (one.what.split(": ", 1)[1],)} >= {
        "x.speed < late → x.speed <= late",
        "not_(x.brake) → x.brake",
        "10 → 11",
        "10 → 9",
        "k.low + 10 → k.low - 10",
        "(x.speed < late) & not_(x.brake) → (x.speed < late) | not_(x.brake)",
    }


def test_every_part_of_the_declarations_is_edited() -> None:
    names = list(edits_of(OURS))
    for beginning in (
        "row ",
        "rows ",
        "interlock ",
        "interlocks ",
        "refusal ",
        "memory ",
        "lamp ",
        "key ",
        "relation ",
    ):
        assert any(name.startswith(beginning) for name in names), beginning
    assert len(names) > 250
    # Two rows of one state change places, whatever stands between them; rows of different states never meet.
    swapped = edits_of(OURS)["rows applied no_band and band_changed_under_engage: swapped"](OURS).first_rows
    assert swapped == (OURS.first_rows[3], *OURS.first_rows[1:3], OURS.first_rows[0])
    assert not any("armed" in name and "released" in name for name in names if name.startswith("rows "))


def test_what_could_show_in_speed_alone_is_not_changed() -> None:
    text = """
@lru_cache(maxsize=8)
@dataclass(frozen=True)
def f(a: int | str, b: list[int] = 3) -> int | str:
    c: dict[int, 4] = 5
    return zip(a, b, strict=True)
"""
    assert [one.what for one in mutants_of("sample", text)] == ["f: 3 → 4", "f: 3 → 2", "f: 5 → 6", "f: 5 → 4"]


def test_a_branch_is_turned_once() -> None:
    text = """
def f(a, b):
    if a < b:
        return 0.5
    if not a:
        return 0.5
    return a if b else 0.5
"""
    assert {one.what for one in mutants_of("sample", text)} == {
        "f: if b → if not b", "f: a < b → a <= b", "f: a < b → a >= b", "f: not a → a"}  # fmt: skip  # one set


def test_a_name_does_not_depend_on_its_line() -> None:
    later = "\n\n\n" + _SOURCE
    assert [one.name for one in mutants_of("sample", _SOURCE)] == [one.name for one in mutants_of("sample", later)]


_ROOT = Path(__file__).parent.parent.parent


def _nobody(*_: object) -> None:
    pass


def test_kill_survival_and_crash_are_told_apart(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(_ROOT)
    monkeypatch.setitem(campaign.LIMIT_S, "tests", 3)
    text = Path("controller/terms.py").read_text(encoding="utf-8")
    mutants = [
        Mutant("terms", "as it is", lambda: text),
        Mutant(
            "terms",
            "sums are differences",
            lambda: text.replace('self._number(other, "+")', 'self._number(other, "-")'),
        ),
        Mutant("terms", "ends the process", lambda: f"{text}\nimport os\nos._exit(7)\n"),
        Mutant("terms", "never ends", lambda: f"{text}\nwhile True:\n    pass\n"),
        Mutant("terms", "in a function that no test calls", lambda: "raise", "no_such_function"),
    ]
    made = campaign.surveyed(["tests/controller/test_terms.py"], (), (), tmp_path / "tests.json", 60, 1)
    plan = campaign.Plan(made, proof_every=0)
    results = campaign.run(mutants, plan, tmp_path / "kept.jsonl", 1, _nobody)
    found = {one.name: one.outcome for one in results if one.judge == "tests"}
    assert found == {
        "terms: as it is": SURVIVED,
        "terms: sums are differences": KILLED,
        "terms: ends the process": UNKNOWN,
        "terms: never ends": UNKNOWN,
        "terms: in a function that no test calls": SURVIVED,
    }
    assert campaign.tally(results) == {
        "terms": dict.fromkeys(campaign.COUNTED, 0) | {"judged": 5, "tests alone": 1, "survived": 2, "unknown": 2}
    }
    assert campaign.survivors(results) == [name for name, outcome in found.items() if outcome != KILLED]
    assert plan.survey.killers == [one.note for one in results if one.outcome == KILLED]
    # A second run judges nothing again, and the tests are not run again on the rules as they are.
    monkeypatch.setattr(campaign, "Judge", None)
    assert campaign.surveyed(["tests/controller/test_terms.py"], (), (), tmp_path / "tests.json", 60, 1) == replace(
        plan.survey, killers=[]
    )
    assert campaign.run(mutants, plan, tmp_path / "kept.jsonl", 1, _nobody) == results


def test_asked_again_is_what_nothing_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "kept.jsonl"
    line = '{"name": "%s", "judge": "tests", "outcome": "%s", "note": "a::b", "seconds": 1.0}\n'
    kept.write_text(line % ("tick: killed", KILLED) + line % ("tick: slept", SURVIVED), encoding="utf-8")
    asked: list[str] = []

    class Never:
        def asked(self, job: dict[str, str]) -> campaign.Result:
            asked.append(job["name"])
            return campaign.Result(job["name"], job["judge"], KILLED, "a::c", 0.0)

        def end(self) -> None:
            pass

    monkeypatch.setattr(campaign, "Judge", Never)
    plan = campaign.Plan(Survey({"a": _file({"a::b": 0.0, "a::c": 0.0})}, 1.0), proof_every=0)
    mutants = [Mutant("tick", what, lambda: "") for what in ("killed", "slept")]
    results = campaign.run(mutants, plan, kept, 1, _nobody, again=True)
    assert asked == ["tick: slept"]
    assert campaign.survivors(results) == []
    assert plan.survey.killers == ["a::c", "a::b"]


def _file(seconds: dict[str, float], called: str = "tick:run", shares: tuple[str, ...] = ()) -> File:
    return File(seconds, shares, frozenset(called.split()), frozenset(one.split(":")[0] for one in called.split()))


def test_last_killers_then_quick_files_and_only_those_that_call_it() -> None:
    survey = Survey(
        {
            "slow.py": _file({"slow.py::a": 0.4, "slow.py::b": 3.0}),
            "quick.py": _file({"quick.py::a": 0.1, "quick.py::b": 0.05}),
            "shared.py": _file({"shared.py::a": 0.01, "shared.py::b": 0.3}, shares=("shared.py::b",)),
            "other.py": _file({"other.py::a": 0.01}, "tick:view"),
        },
        0.5,
    )
    in_run = Mutant("tick", "", lambda: "", "run")
    paths, order = survey.plan(in_run, slow=False)
    assert sorted(paths) == ["quick.py", "shared.py", "slow.py"]
    assert order == ["quick.py::b", "quick.py::a", "shared.py::a", "shared.py::b", "slow.py::a"]
    assert survey.plan(in_run, slow=True) == (["slow.py"], ["slow.py::b"])
    assert survey.plan(in_run, slow=False, among=["slow.py"])[1] == ["slow.py::a"]
    # What runs at import touches every file that imports the module.
    assert "other.py::a" in survey.plan(Mutant("tick", "", lambda: "", "module"), slow=False)[1]
    assert survey.plan(Mutant("tick", "", lambda: "", "never"), slow=False) == ([], [])
    survey.killed_by("slow.py::a")
    survey.killed_by("shared.py::b")
    survey.killed_by("quick.py::a")
    assert survey.killers == ["quick.py::a", "shared.py::b", "slow.py::a"]
    # The killer that shares what its file makes once draws the file forward instead of going alone.
    assert survey.plan(in_run, slow=False)[1] == [
        "quick.py::a", "slow.py::a", "quick.py::b", "shared.py::b", "shared.py::a"]  # fmt: skip  # one list
    survey.killed_by("slow.py::a")
    assert survey.killers == ["slow.py::a", "quick.py::a", "shared.py::b"]


@pytest.mark.parametrize(
    ("name", "said", "following"),
    [
        ("tick: run: a", {}, "tests"),
        ("tick: run: a", {"tests": KILLED}, "proof"),
        ("tick: run: a", {"tests": KILLED, "proof": SURVIVED}, None),
        ("tick: run: a", {"tests": SURVIVED, "proof": KILLED}, "slow tests"),
        ("tick: run: a", {"tests": UNKNOWN, "proof": SURVIVED}, "slow tests"),
        ("tick: run: a", {"tests": SURVIVED, "proof": SURVIVED, "slow tests": SURVIVED}, "pages"),
        ("tick: run: a", {"tests": SURVIVED, "proof": SURVIVED, "slow tests": KILLED}, None),
        ("tick: run: a", {"tests": SURVIVED, "proof": SURVIVED, "slow tests": SURVIVED, "pages": SURVIVED}, None),
        ("calibration: f: 1 → 2", {"tests": KILLED}, None),
        ("calibration: f: 1 → 2", {"tests": SURVIVED}, "slow tests"),
        ("my/rules.py: f: 1 → 2", {"tests": KILLED}, "proof"),
        # A mere figure: the page settles it, or all are asked.
        ("keys: module: 20 → 21 (3)", {"tests": KILLED}, "proof"),
        ("keys: module: 20 → 21 (3)", {"tests": SURVIVED}, "pages"),
        ("signals: _age: 20 → 21", {"tests": SURVIVED, "pages": KILLED}, None),
        ("our_rules: declared key a: range ends higher", {"tests": SURVIVED, "pages": SURVIVED}, "proof"),
        ("keys: f: 1 → 2", {"tests": SURVIVED, "pages": SURVIVED, "proof": SURVIVED}, "slow tests"),
        ("keys: f: 1 → 2", {"tests": SURVIVED, "pages": SURVIVED, "proof": SURVIVED, "slow tests": SURVIVED}, None),
        ("keys: f: a + 1 → a - 1", {"tests": SURVIVED}, "proof"),
    ],
)
def test_who_is_asked_next(name: str, said: dict[str, str], following: str | None) -> None:
    plan = campaign.Plan(Survey({"a.py": _file({"a.py::a": 0.1}), "page.py": _file({"page.py::a": 0.1})}, 1.0),
                         ("page.py",))  # fmt: skip  # one plan
    module, what = name.split(": ", 1)
    assert plan.next_judge(Mutant(module, what, lambda: ""), said) == following


def test_the_proof_is_asked_of_some_that_tests_kill_and_of_all_others() -> None:
    plan = campaign.Plan(Survey({"a.py": _file({"a.py::a": 0.1})}, 1.0), proof_every=4)
    mutants = [Mutant("tick", str(number), lambda: "") for number in range(200)]
    asked = [plan.next_judge(one, {"tests": KILLED}) for one in mutants]
    assert 30 < asked.count("proof") < 70
    assert asked == [plan.next_judge(one, {"tests": KILLED}) for one in mutants]
    assert {plan.next_judge(one, {"tests": SURVIVED}) for one in mutants} == {"proof"}


def test_without_tests_the_proof_alone_is_asked() -> None:
    plan = campaign.Plan(Survey({}, 1.0))
    mutant = Mutant("my/rules.py", "", lambda: "")
    assert plan.next_judge(mutant, {}) == "proof"
    assert plan.next_judge(mutant, {"proof": UNKNOWN}) is None


@pytest.mark.parametrize(
    ("said", "became"),
    [
        ({"tests": KILLED, "proof": KILLED}, "tests and proof"),
        ({"tests": KILLED, "proof": UNKNOWN}, "tests alone"),
        ({"tests": SURVIVED, "proof": SURVIVED, "pages": SURVIVED, "slow tests": KILLED}, "tests alone"),
        ({"tests": SURVIVED, "proof": KILLED, "pages": KILLED}, "proof alone"),
        ({"tests": SURVIVED, "proof": UNKNOWN, "pages": KILLED}, "pages alone"),
        ({"tests": SURVIVED, "proof": UNKNOWN, "pages": SURVIVED, "slow tests": SURVIVED}, "unknown"),
        ({"tests": SURVIVED, "proof": SURVIVED, "slow tests": SURVIVED}, "survived"),
    ],
)
def test_a_page_is_counted_apart(said: dict[str, str], became: str) -> None:
    results = [campaign.Result("tick: run: a", judge, outcome, "", 0.0) for judge, outcome in said.items()]
    assert campaign.tally(results) == {"tick": dict.fromkeys(campaign.COUNTED, 0) | {"judged": 1, became: 1}}


def test_groups() -> None:
    assert campaign.group_of("our_rules: declared key a: range ends higher") == "declared: key ranges"
    assert campaign.group_of("our_rules: declared lamp a: removed") == "declared: all else"
    assert campaign.group_of("port/bits: f: 1 → 2") == "port/bits"


def test_test_files_are_found_once_and_some_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(_ROOT)
    found = files_of(["tests/controller", "tests/controller/test_chart.py"], ["tests/controller/test_proof.py"])
    assert found.count("tests/controller/test_chart.py") == 1
    assert "tests/controller/test_terms.py" in found
    assert "tests/controller/test_proof.py" not in found
    assert "tests/controller/rig.py" not in found


def test_what_a_test_calls_is_heard_after_one_that_exhausts_the_stack(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(_ROOT)
    file = tmp_path / "test_deep.py"
    file.write_text(
        "import pytest\nfrom controller.words import minimum\n"
        "def dig():\n    dig()\n"
        "def test_deep():\n    with pytest.raises(RecursionError):\n        dig()\n"
        "def test_next():\n    assert minimum(1, 2) == 1\n",
        encoding="utf-8",
    )
    (made,) = campaign.surveyed([str(file)], (), (), tmp_path / "tests.json", 1.0, 1).files.values()
    assert "words:minimum" in made.called


def test_tests_that_fail_on_the_rules_as_they_are_judge_nothing(tmp_path: Path) -> None:
    file = tmp_path / "test_wrong.py"
    file.write_text("def test_no():\n    assert False\n", encoding="utf-8")
    with pytest.raises(UserError, match=r"do not pass the rules as they are: .*test_wrong.py::test_no; mend that"):
        campaign.surveyed([str(file)], (), (), tmp_path / "tests.json", 1.0, 1)


def test_the_changed_text_of_a_users_file_is_what_is_judged(tmp_path: Path) -> None:
    rules = tmp_path / "my_rules.py"
    text = "from controller.our_rules import OURS\nRULES = OURS.adding(name='mine')\n"
    rules.write_text(text, encoding="utf-8")
    test = tmp_path / "test_mine.py"
    test.write_text(
        "from controller.user_rules import load_rules\n"
        f"def test_name():\n    assert load_rules({str(rules)!r}).name == 'mine'\n",
        encoding="utf-8",
    )
    plan = campaign.Plan(campaign.surveyed([str(test)], (), (), tmp_path / "tests.json", 60, 1), proof_every=0)
    mutants = [Mutant(str(rules), "as it is", lambda: text),
               Mutant(str(rules), "other name", lambda: text.replace("mine", "yours"))]  # fmt: skip  # one list
    results = campaign.run(mutants, plan, tmp_path / "kept.jsonl", 1, _nobody)
    assert [one.outcome for one in results if one.judge == "tests"] == [SURVIVED, KILLED]


def test_of_a_users_set_the_declarations_that_ours_has_not_are_edited_too(tmp_path: Path) -> None:
    rules = tmp_path / "my_rules.py"
    rules.write_text(template_text(), encoding="utf-8")
    mine = load_rules(str(rules))
    made = list(campaign.all_mutants(mine, (), str(rules)))
    declared = {one.what for one in made if one.what.startswith("declared ")}
    assert declared >= {
        "declared interlock cold_coolant: removed",
        "declared interlock cold_coolant: latches True",
        "declared interlock cold_coolant: settles at once",
        "declared interlocks cold_coolant and brake: swapped",
        "declared key coolant_minimum_dc: range ends higher",
    }
    assert not any("low.engage" in what or "hot_oil" in what for what in declared)
    assert {campaign.group_of(one.name) for one in made} == {
        "declared: all else", "declared: key ranges", str(rules)}  # fmt: skip  # one set
    without = {one.what for one in campaign.all_mutants(mine, (), str(rules), ranges=False)}
    assert {one.what for one in made} - without == {one for one in declared if one.startswith("declared key ")}
    # What is written in the end loads, and differs as it says.
    removed = next(one for one in made if one.what == "declared interlock cold_coolant: removed")
    changed = tmp_path / "changed.py"
    changed.write_text(removed.text(), encoding="utf-8")
    assert load_rules(str(changed)).interlocks == OURS.interlocks


def test_the_proof_is_not_asked_about_what_it_does_not_read() -> None:
    terms, ranges = seen_by_proof(OURS)
    edits = edits_of(OURS)
    key = next(one for one in OURS.keys if one.name == "brake_settle_ms")
    other = replace(OURS, keys=tuple(replace(one, default=one.default + 1) if one is key else one for one in OURS.keys))
    assert seen_by_proof(other) == (terms, ranges)
    # Whatever else has been traced in this process makes no difference.
    assert trace(OURS).graph.variable("x.engine_rpm", "int") + 12_345 is not None
    assert seen_by_proof(OURS) == (terms, ranges)
    wider = seen_by_proof(edits["key brake_settle_ms: range ends higher"](OURS))
    assert wider[0] == terms
    assert not narrowed(wider[1], ranges)
    assert narrowed(ranges, wider[1])
    for name in ("lamp hot_oil: removed", "interlock brake: latches True", "memory band: starts at 2",
                 "relation 0 at low.release_kmh (at least 1 km/h under low.engage_kmh): removed",
                 "row applied→released below_release: removed"):  # fmt: skip  # one list
        assert seen_by_proof(edits[name](OURS))[0] != terms, name


def test_a_narrower_range_of_memory_is_no_mere_narrowing() -> None:
    true = {"x.a": [0, 9], "k.a": [0, 9], "m.a": [0, 9], "h.p.a": [0, 9]}
    assert narrowed(true | {"x.a": [1, 9], "k.a": [0, 8]}, true)
    assert not narrowed(true | {"x.a": [-1, 9]}, true)
    assert not narrowed(true | {"k.a": [0, 10]}, true)
    assert not narrowed(true | {"m.a": [0, 8]}, true)
    assert not narrowed(true | {"h.p.a": [1, 9]}, true)
    assert not narrowed({"x.a": [0, 9]}, true)


def test_known_runs_to_every_row_settle_that_each_can_fire() -> None:
    runs = runs_to_rows(OURS, Effort(query_s=10, search_s=40, most_ticks=8))
    assert fires_every_row(OURS, runs)
    assert not fires_every_row(OURS, runs[:3])
    # A run that the mutant's own ranges or relations forbid shows nothing.
    key = OURS.keys[0]
    values = [run["calibration"][key.name] for run in runs]
    assert min(values) >= key.low
    above = max(values) + 1
    beyond = replace(OURS, keys=(replace(key, low=above, high=above, default=above), *OURS.keys[1:]))
    assert not fires_every_row(beyond, runs)
    never = replace(OURS.relations[0], holds=lambda k: k.tyre_scale_permille < 0)
    assert not fires_every_row(replace(OURS, relations=(never,)), runs)
    never_fires = replace(OURS.last_rows[-1], name="never", condition=lambda _x, _k, m: m.band > 2)
    assert not fires_every_row(replace(OURS, last_rows=(*OURS.last_rows, never_fires)), runs)


def test_a_cut_line_of_the_results_is_left_out(tmp_path: Path) -> None:
    kept = tmp_path / "kept.jsonl"
    whole = '{"name": "a", "judge": "tests", "outcome": "killed", "note": "", "seconds": 1.0}'
    kept.write_text(f'{whole}\n{{"name": "b', encoding="utf-8")
    assert [one.name for one in campaign.read_results(kept)] == ["a"]


def test_every_explained_survivor_is_a_mutant_of_today() -> None:
    root = Path(__file__).parent.parent.parent
    reasons = campaign.reasons_in(root / "docs" / "mutation_survivors.toml")
    assert all(reason.strip() for reason in reasons.values())
    names = {f"our_rules: declared {name}" for name in edits_of(OURS)}
    for module in {name.split(": ")[0] for name in reasons}:
        path = root / "controller" / f"{module}.py"
        names |= {one.name for one in mutants_of(module, path.read_text(encoding="utf-8"))}
    assert set(reasons) <= names


def test_a_judge_that_breaks_is_replaced_and_nothing_is_called_killed(tmp_path: Path) -> None:
    test = tmp_path / "test_passes.py"
    test.write_text("def test_passes() -> None:\n    assert True\n")
    job = {"name": "one", "judge": "look", "text": None, "tests": [str(test)], "limit_s": 60}
    judge = campaign.Judge()
    judge._process.kill()
    judge._process.wait()
    assert judge.asked(job).outcome == UNKNOWN
    assert judge.asked(job).outcome == LOOKED
    judge.end()


def test_a_module_or_a_folder_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(Path(__file__).parents[2])
    assert campaign.modules_named("tick") == ["tick"]
    assert campaign.modules_named("port/bits") == ["port/bits"]
    whole = campaign.modules_named("port")
    assert whole == sorted(whole)
    assert {"port/bits", "port/ways"} <= set(whole)
    assert "port/__init__" not in whole
    for name in ("tack", "port/bats", "templates/", "..", ".", ""):
        with pytest.raises(UserError, match=f"--module {name}: there is no controller/{name}.py"):
            campaign.modules_named(name)
