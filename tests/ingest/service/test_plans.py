"""Plans: the shipped ones hold; a wrong one names file, line and key."""

from __future__ import annotations

from pathlib import Path

import pytest

from combustion.quantities import QUANTITIES
from ingest.service.models import ServiceRecord
from ingest.service.order import STEPS, out_of_order
from ingest.service.plans import Plan, PlanError, parse_plan, read_plan, read_plans
from ingest.service.where import line_of, lines_of_toml

FOLDER = Path(__file__).parents[3] / "samples" / "plans"
PLANS = read_plans(FOLDER)
GOOD = (FOLDER / "condensing-gas-yearly.toml").read_text(encoding="utf-8")


def test_the_six_shipped_plans_are_read() -> None:
    assert sorted(PLANS) == [
        "call-out",
        "condensing-gas-two-yearly",
        "condensing-gas-yearly",
        "first-start-up",
        "non-condensing-gas-yearly",
        "oil-yearly",
    ]


@pytest.mark.parametrize("plan", PLANS.values(), ids=PLANS)
def test_a_shipped_plan_wants_only_quantities_of_the_glossary(plan: Plan) -> None:
    assert set(plan.readings) <= set(QUANTITIES)
    assert plan.cautions
    assert set(plan.steps) <= set(STEPS)


@pytest.mark.parametrize("plan", PLANS.values(), ids=PLANS)
def test_the_steps_of_a_shipped_plan_stand_in_the_usual_order(plan: Plan) -> None:
    assert out_of_order(plan.steps) == []


def test_the_two_yearly_plan_holds_the_yearly_one_and_replaces_the_probe() -> None:
    deep, yearly = PLANS["condensing-gas-two-yearly"], PLANS["condensing-gas-yearly"]
    assert {t.key for t in yearly.task} < {t.key for t in deep.task}
    probe = deep.task_of("low_water_probe")
    assert probe is not None
    # Low-water-cutoff probe: cleaned yearly, replaced every two years (common practice).
    assert probe.interval_months == 24
    assert deep.isolation == yearly.isolation


def problems(text: str) -> list[tuple[str, int, str, str]]:
    with pytest.raises(PlanError) as caught:
        parse_plan(text, "own.toml")
    return [(p.file, p.line, p.key, p.message) for p in caught.value.problems]


def line_with(text: str, part: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if part in line)


@pytest.mark.parametrize(
    ("old", "new", "key", "said"),
    [
        ("interval_months = 12", "interval_months = 0", "task[1].interval_months", "at least 1"),
        ("needs_isolation = true", "isolated = true", "task[1].isolated", "not known"),
        ('unit = "mm", low = 3.0', 'unit = "furlongs3", low = 3.0', "task[2].record[2]", "unit"),
        ("low = 3.0, high = 4.5", "low = 5.0, high = 4.5", "task[2].record[2]", "above"),
        ('after = ["burner_head"]', 'after = ["burner"]', "task[4].after[1]", "no task 'burner'"),
        ('key = "igniter"', 'key = "flame_detector"', "task[2].key", "second time"),
        ('device = "high_limit"', 'device = "hi_limit"', "test[3].device", "no device"),
        ("life_starts = 30000", "life_starts = -1", "part[2].life_starts", "more than 0"),
        ('unit = "ft lbf"', 'unit = "mm"', "task[5].record[2]", "no torque"),
        ('step = "close_up"', 'step = "closing"', "task[5].step", "close_up"),
        ('format = "fluebook.plan/1"', 'format = "fluebook.plan/9"', "format", "plan/1"),
        ("includes = []", 'includes = ["x"]', "includes[1]", "no plan"),
    ],
)
def test_a_wrong_plan_names_file_line_and_key(old: str, new: str, key: str, said: str) -> None:
    text = GOOD.replace("condensing = true\n", "condensing = true\nincludes = []\n", 1)
    assert old in text
    wrong = text.replace(old, new, 1)
    found = problems(wrong)
    assert len(found) == 1
    file, line, where, message = found[0]
    assert (file, where) == ("own.toml", key)
    assert said in message
    assert line == text[: text.index(old)].count("\n") + 1


def test_a_key_that_is_missing_gets_the_line_of_its_table() -> None:
    wrong = GOOD.replace('title = "Igniter"\nwhere', "where", 1)
    assert problems(wrong) == [
        (
            "own.toml",
            line_with(wrong, 'key = "igniter"') - 1,
            "task[2].title",
            "this key is missing",
        )
    ]


def test_all_problems_are_told_at_once() -> None:
    wrong = GOOD.replace("interval_months = 12", "interval_months = 0")
    assert len(problems(wrong)) > 10


def test_broken_toml_gets_its_line() -> None:
    wrong = GOOD.replace('title = "Flame detector"', 'title = "Flame detector', 1)
    assert problems(wrong)[0][1] == line_with(wrong, 'title = "Flame detector')
    assert problems('a = """\nb\n')[0][1] >= 2


def test_a_plan_that_wants_what_no_record_holds_is_refused_with_the_nearest_name() -> None:
    text = GOOD.replace('"gas.inlet_burners_off"', '"gas.inlet_burner_off"')
    with pytest.raises(PlanError) as told:
        parse_plan(text, "condensing-gas-yearly.toml")
    (problem,) = told.value.problems
    line = 1 + next(n for n, t in enumerate(text.splitlines()) if "gas.inlet_burner_off" in t)
    assert (problem.line, problem.key) == (line, "wanted[5]")
    assert "did you mean 'gas.inlet_burners_off'" in problem.message


def test_what_is_wanted_of_an_included_plan_is_wanted_of_the_whole() -> None:
    deep, yearly = PLANS["condensing-gas-two-yearly"], PLANS["condensing-gas-yearly"]
    assert deep.wanted == yearly.wanted != []


def test_tasks_that_wait_for_each_other_are_refused() -> None:
    wrong = GOOD.replace(
        'title = "Burner head"', 'title = "Burner head"\nafter = ["heat_exchanger"]', 1
    )
    assert "wait for each other" in problems(wrong)[0][3]


def test_a_plan_that_includes_itself_is_refused(tmp_path: Path) -> None:
    text = GOOD.replace("condensing = true\n", 'condensing = true\nincludes = ["a"]\n', 1)
    (tmp_path / "a.toml").write_text(text.replace("condensing-gas-yearly", "a"))
    with pytest.raises(PlanError, match=r"a\.toml, line 10, includes\[1\]: 'a' includes itself"):
        read_plan(tmp_path / "a.toml")


def test_a_plan_is_called_as_its_file(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(GOOD)
    with pytest.raises(PlanError, match="line 4, key"):
        read_plan(tmp_path / "b.toml")


def test_lines_are_found_through_comments_strings_and_nested_lists() -> None:
    text = (
        'a = [  # one ] "\n  "x]",\n  {b = 1, c = [1,\n 2]},\n  3 ]\n'
        't = """\nz = 1\n[[q]]\n"""\n[[q]]\nz = 2\n[[q.r]]\ny = 1\n'
        "[[q]]\n[[q.r]]\ny = 2\n[u.v]\nw = 1\n"
    )
    places = lines_of_toml(text)
    assert [places[("a", n)] for n in range(3)] == [2, 3, 5]
    assert places[("q", 0, "z")] == 11
    assert places[("q", 1, "r", 0, "y")] == 16
    assert places[("u", "v", "w")] == 18
    assert ("z",) not in places
    assert line_of(places, ("a", 1, "b")) == 3


def test_steps_by_time_where_all_have_one() -> None:
    record = ServiceRecord.model_validate(
        {
            "steps": [
                {"step": "light_off", "time": "2026-11-25T12:00:00+01:00"},
                {"step": "isolate", "time": "2026-11-25T09:00:00+00:00"},
            ]
        }
    )
    assert record.ordered_steps() == ["isolate", "light_off"]


def test_a_boiler_opened_twice_is_not_out_of_order() -> None:
    assert (
        out_of_order(["isolate", "service", "light_off", "isolate", "service", "light_off"]) == []
    )
    found = out_of_order(["isolate", "safety_tests", "adjust", "as_left_points"])
    assert [(f.step, f.after) for f in found] == [("adjust", "safety_tests")]
