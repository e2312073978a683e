"""What a hostile or careless file does: it is refused with a line, never loaded, and never costs memory, stack or time."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gateway.errors import Problem
from gateway.registers.findings import Findings
from gateway.registers.yaml_tree import LARGEST_BYTES, YamlList, YamlMap, YamlText, parse_tree, read_tree


def problems_of(text: str) -> list[Problem]:
    findings = Findings("a.yaml")
    parse_tree(text, findings)
    return findings.problems


def tree_of(text: str) -> YamlMap:
    findings = Findings("a.yaml")
    tree = parse_tree(text, findings)
    assert tree is not None
    assert findings.problems == []
    return tree


def test_scalars_stay_text_with_their_lines() -> None:
    tree = tree_of("a: 00013\nb: 12:30\nc: on\nd: 1_000\ne: ~\nf: ''\ng: [1.0, yes]\nh: {i: 0x0C}\n")
    texts = {key: node.text for key, node in tree.entries.items() if isinstance(node, YamlText)}
    assert texts == {"a": "00013", "b": "12:30", "c": "on", "d": "1_000", "e": "~", "f": ""}
    assert tree.lines == {"a": 1, "b": 2, "c": 3, "d": 4, "e": 5, "f": 6, "g": 7, "h": 8}
    empty, quoted = tree.entries["e"], tree.entries["f"]
    assert isinstance(empty, YamlText) and empty.is_empty
    assert isinstance(quoted, YamlText) and not quoted.is_empty
    listed, inner = tree.entries["g"], tree.entries["h"]
    assert isinstance(listed, YamlList) and [item.text for item in listed.items if isinstance(item, YamlText)] == ["1.0", "yes"]
    assert isinstance(inner, YamlMap) and inner.line == 8


LEVELS = (f"{name}: &{name} [{', '.join(['*' + last] * 9)}]" for last, name in zip("abcdefgh", "bcdefghi", strict=True))
BOMB = "\n".join([f"a: &a [{', '.join(['x'] * 9)}]", *LEVELS])


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: &x 1\nb: 2\n", 1, "anchors are not allowed"),
        ("a: 1\nb: *x\n", 2, "aliases are not allowed"),
        ("a: 1\nb: !!python/object/apply:os.system [ls]\n", 2, "tags are not allowed"),
        ("a: !secret 1\n", 1, "tags are not allowed"),
        ("a: 1\n<<: {b: 2}\n", 2, "merge keys are not allowed"),
        ("%TAG !e! tag:example.com,2000:\n---\na: 1\n", 1, "tags are not allowed"),
        ("a: 1\n---\nb: 2\n", 2, "several documents"),
        ("a: 1\nb:\n  c: 2\n  c: 3\n", 4, "already given on line 3"),
        ("a: 1\nb: [1, 2\nc: 3\n", 3, "this is not YAML"),
        ("a:\n\tb: 1\n", 2, "indent with spaces"),
        ("a: 1\nb: \x01\n", 2, "control character"),
        ("[1, 2]\n", 1, "names with values"),
        ("just words\n", 1, "names with values"),
        ("", 1, "the file is empty"),
        ("# only a comment\n", 1, "the file is empty"),
        ("~\n", 1, "the file is empty"),
        ("a: 1\n[b]: 2\n", 2, "a name must be a plain text"),
        ("a: 1\n~: 2\n", 2, "a name must be a plain text"),
        ("a: 1\n'': 2\n", 2, "a name must be a plain text"),
        (f"a: {'[' * 30}{']' * 30}\n", 1, "nested too deep"),
        ("\n".join("  " * level + f"k{level}:" for level in range(30)), 21, "nested too deep"),
        ("a: [" + "1," * 30_000 + "]", 1, "too large"),
        ("a: " + "x" * LARGEST_BYTES, None, "too large"),
        ('a: "\\UFFFFFFFF"\n', None, "this is not YAML"),
    ],
)
def test_is_refused_with_its_line(text: str, line: int | None, words: str) -> None:
    problems = problems_of(text)
    assert any(words in problem.message and problem.line == line for problem in problems), problems


def test_the_place_of_a_name_given_twice_is_its_whole_path() -> None:
    (problem,) = problems_of("signals:\n  current:\n    at: 1\n    at: 2\n")
    assert (problem.field, problem.line) == ("signals.current.at", 4)


def test_a_bomb_of_aliases_is_told_not_expanded() -> None:
    problems = problems_of(BOMB)
    assert {"anchors", "aliases"} == {problem.message.split()[0] for problem in problems}


@pytest.mark.parametrize("text", ["[" * 250_000, "{a: " * 60_000, "- " * 120_000, "? " * 120_000, "a: [\n" * 50_000])
def test_endless_depth_ends_at_the_limit_without_recursion(text: str) -> None:
    (problem,) = problems_of(text)
    assert problem.message in ("the file is nested too deep",) or problem.message.startswith("this is not YAML")


def test_many_mistakes_are_told_up_to_a_limit() -> None:
    problems = problems_of("\n".join(f"k{number}: !t 1" for number in range(500)))
    assert len(problems) == 201
    assert problems[-1].message.startswith("300 more problems")


def read_problem(path: Path) -> Problem:
    findings = Findings(str(path))
    assert read_tree(path, findings) is None
    (problem,) = findings.problems
    assert problem.file == str(path)
    return problem


def test_files_that_cannot_be_read_are_a_problem_each(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "no such file" in read_problem(tmp_path / "missing.yaml").message
    assert "folder" in read_problem(tmp_path).message
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "pipe" in read_problem(pipe).message
    latin = tmp_path / "latin.yaml"
    latin.write_bytes("a: 1\nb: 20 °C\n".encode("latin-1"))
    problem = read_problem(latin)
    assert "UTF-8" in problem.message and problem.line == 2 and problem.found == "byte 0xB0"
    large = tmp_path / "large.yaml"
    large.write_bytes(b"# " + b"x" * LARGEST_BYTES)
    assert "too large" in read_problem(large).message
    assert "cannot be read" in read_problem(latin / "below.yaml").message

    def refuse(self: Path, *args: object, **named: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    problem = read_problem(latin)
    assert "Permission denied" in problem.message and "permissions" in problem.message


def test_a_byte_order_mark_and_windows_lines_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "windows.yaml"
    path.write_bytes(b"\xef\xbb\xbfa: 1\r\nb: 2\r\n")
    findings = Findings(str(path))
    tree = read_tree(path, findings)
    assert tree is not None and tree.lines == {"a": 1, "b": 2} and not findings
