from __future__ import annotations

from gateway.registers.findings import Findings, nearest


def test_problems_come_by_line_and_once_each() -> None:
    findings = Findings("a.yaml")
    assert not findings
    findings.add(line=7, message="late", field="b")
    findings.add(line=2, message="early", field="a")
    findings.add(line=7, message="late", field="c")
    assert findings
    assert [(problem.line, problem.message) for problem in findings.problems] == [(2, "early"), (7, "late")]
    assert all(problem.file == "a.yaml" for problem in findings.problems)


def test_a_users_text_is_shown_on_one_short_line() -> None:
    findings = Findings("a.yaml")
    findings.add(line=1, message="wrong", found="a\nb\x1b[31m" + "x" * 500)
    (problem,) = findings.problems
    assert problem.found.startswith("a b [31mxxx") and len(problem.found) == 120 and problem.found.endswith("...")


def test_the_nearest_name_is_offered_only_when_it_is_near() -> None:
    assert nearest("wrod_order", ["word_order", "byte_order"]) == "did you mean `word_order`?"
    assert nearest("europe/london", ["Europe/London"]) == "did you mean `Europe/London`?"
    assert nearest("xyz", ["word_order"]) == ""
    assert nearest("x" * 100_000, ["word_order"]) == ""
