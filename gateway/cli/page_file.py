"""Pages written to a file that the user names."""

from __future__ import annotations

from pathlib import Path

from gateway.errors import InputError, Problem


def check_folder(path: Path | None) -> None:
    """Raise InputError when there is no folder to write a file into: before any long work, not after it."""
    if path is not None and not path.parent.is_dir():
        raise InputError([Problem(file=str(path), field="--plot", message="there is no such folder to write the file into")])


def write_page(path: Path, text: str) -> None:
    """Write a page; InputError when the file cannot be written."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        message = f"the file cannot be written: {error.strerror or 'no reason given'}"
        raise InputError([Problem(file=str(path), field="--plot", message=message)]) from error
