"""Tells what is wrong with site files and maps without using them."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from gateway.errors import Problem
from gateway.registers.findings import Findings
from gateway.registers.load import map_from
from gateway.registers.yaml_tree import YamlMap, read_tree
from gateway.site.load import MapShelf, site_from

_OF_A_SITE = ("site", "starters", "store", "time_zone", "web")
_OF_A_MAP = ("map", "signals", "protocol")


def check_files(paths: Iterable[Path]) -> dict[str, Any]:
    """Return what is wrong with each file, as the JSON of `startledger check`.

    A file is a site or a map by what stands in it. The maps that a site names follow it, each file once.
    """
    checked: dict[Path, list[Problem]] = {}
    for path in paths:
        findings, shelf = Findings(str(path)), MapShelf(path.parent)
        tree = read_tree(path, findings)
        if tree is not None:
            _check_tree(tree, path, findings, shelf)
        checked.setdefault(path, findings.problems)
        for named, map_findings in shelf.findings.items():
            if named.is_file():
                checked.setdefault(named, map_findings.problems)
    return {"files": [_checked(path, problems) for path, problems in checked.items()]}


def _check_tree(tree: YamlMap, path: Path, findings: Findings, shelf: MapShelf) -> None:
    site_names = sum(name in tree.entries for name in _OF_A_SITE)
    map_names = sum(name in tree.entries for name in _OF_A_MAP)
    if site_names == map_names == 0:
        message = "this is neither a site file nor a register map: a site has `site` and `starters`, a map has `map` and `signals`"
        findings.add(line=1, found=", ".join(list(tree.entries)[:8]), message=message)
    elif site_names > map_names:
        site_from(tree, path, findings, shelf)
    else:
        map_from(tree, findings)


def _checked(path: Path, problems: list[Problem]) -> dict[str, Any]:
    return {"file": str(path), "ok": not problems, "problems": [_plain(problem) for problem in problems]}


def _plain(problem: Problem) -> dict[str, Any]:
    return {
        "line": problem.line,
        "field": problem.field,
        "found": problem.found,
        "allowed": problem.allowed,
        "message": problem.message,
    }
